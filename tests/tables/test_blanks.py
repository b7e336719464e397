"""A blank that makes a plan cheaper or allows more is warned of, once for its column."""

from __future__ import annotations

from pathlib import Path

import pytest

from blend.tables.positions import read_horizon
from blend.tables.read import read_case
from blend.tables.uncertainty import read_uncertainty
from tests.tables.plain_tables import Tables, sound, write_folder

FILLED = {
    "fresh_or_frozen": "fresh",
    "meat_class": "cow",
    "supplier": "Packer A",
    "price_basis": "fob",
    "freight_usd_per_cwt": "0",
    "quantity_lb": "40000",
    "container": "combo",
    "container_lb": "2000",
    "available_on": "2026-03-01",
    "use_by": "2026-03-09",
}


def filled() -> Tables:
    """A case in which no blank makes a plan cheaper."""
    tables = sound()
    tables["lots"] = [lot | FILLED for lot in tables["lots"]]
    tables["lots"][1] |= {"quantity_lb": "10000"}
    tables["products"][0] |= {"standards": "ground_beef"}
    tables["losses"][0] |= {"fat_loss_share": "0"}
    tables["settings"] += [{"setting": "whole_containers", "value": "taken"}]
    return tables


def blanks(folder: Path, tables: Tables) -> list[tuple[str, str | None, str]]:
    read = read_case(write_folder(folder / "case", tables))
    assert set(read.blanks) <= set(read.warnings)
    return [(each.file, each.column, each.fact) for each in read.blanks]


def test_a_filled_case_has_no_such_warning(tmp_path: Path):
    assert blanks(tmp_path, filled()) == []


@pytest.mark.parametrize(
    ("table", "column", "taken_as"),
    [
        ("lots", "fresh_or_frozen", "fresh"),
        ("lots", "meat_class", "none"),
        ("lots", "supplier", "none"),
        ("lots", "price_basis", "delivered"),
        ("lots", "freight_usd_per_cwt", "0"),
        ("lots", "quantity_lb", "no limit"),
        ("lots", "available_on", "already here"),
        ("lots", "use_by", "no last day"),
        ("products", "max_lb", "no limit"),
        ("products", "standards", "none"),
        ("losses", "lean_loss_share", "0"),
        ("losses", "fat_loss_share", "0"),
    ],
)
def test_a_blank_and_a_column_left_out_get_a_warning(
    tmp_path: Path, table: str, column: str, taken_as: str
):
    tables = filled()
    row = tables[table][0]
    row[column] = ""
    if column == "quantity_lb":
        row["must_take_all"] = "no"
    ((file, named, fact),) = blanks(tmp_path, tables)
    assert (file, named) == (f"{table}.csv", column)
    assert next(iter(row.values())) in fact and taken_as in fact
    for each in tables[table]:
        del each[column]
        each |= {"must_take_all": "no"} if "must_take_all" in each else {}
    ((file, named, fact),) = blanks(tmp_path, tables)
    assert (file, named) == (f"{table}.csv", column)
    assert all(next(iter(each.values())) in fact for each in tables[table])


def test_a_blank_container_and_a_setting_left_out_get_a_warning(tmp_path: Path):
    tables = filled()
    tables["lots"][0] |= {"container": "", "container_lb": ""}
    del tables["settings"][-1]
    assert [column for _, column, _ in blanks(tmp_path, tables)] == [
        "container",
        "whole_containers",
    ]


def test_blanks_that_add_nothing_are_not_warned_of(tmp_path: Path):
    """No freight on a delivered price, no first day of a lot in stock, rules for all products."""
    tables = filled()
    tables["lots"][0] |= {"price_basis": "delivered", "freight_usd_per_cwt": ""}
    for lot in tables["lots"]:
        lot |= {"on_hand_or_offered": "on hand", "available_on": ""}
        lot |= {"replacement_usd_per_cwt": "250"}
    tables["rules"][0] |= {"products": "", "lots": ""}
    assert blanks(tmp_path, tables) == []


def test_a_minimum_of_every_lot_gets_a_warning_as_it_is_always_met(tmp_path: Path):
    tables = filled()
    tables["rules"][0] |= {"lots": "", "min_share": "0.1", "max_share": ""}
    ((file, column, fact),) = blanks(tmp_path, tables)
    assert (file, column) == ("rules.csv", "lots") and "every lot" in fact


def test_many_blanks_of_a_column_are_one_short_warning(tmp_path: Path):
    tables = filled()
    lot = tables["lots"][0] | {"use_by": ""}
    tables["lots"] = [lot | {"lot_id": f"lot{number}"} for number in range(12)]
    ((_, column, fact),) = blanks(tmp_path, tables)
    assert column == "use_by" and "lot4" in fact and "lot5" not in fact and "7 more" in fact


def test_blanks_beside_a_plan_of_several_days_get_a_warning(tmp_path: Path):
    folder = write_folder(tmp_path / "case", filled())
    (folder / "orders.csv").write_text(
        "order_id,product_id,day,min_lb,max_lb\no1,ground80,2026-03-02,4000,\n"
    )
    (folder / "coolers.csv").write_text(
        "cooler_id,lots,holding_usd_per_cwt_day,shelf_life_days,freezes\n"
        "cooler,fresh_or_frozen=fresh,0.2,4,\nfreezer,fresh_or_frozen=frozen,0.1,180,fresh_or_frozen=fresh\n"
    )
    found = {(each.file, each.column): each.fact for each in read_horizon(folder).warnings}
    assert "o1" in found["orders.csv", "max_lb"]
    assert "cooler and freezer" in found["coolers.csv", "capacity_lb"]
    freezing = found["coolers.csv", "freezing_usd_per_cwt"]
    assert "freezer" in freezing and "cooler" not in freezing


def test_a_blank_spread_of_mixing_or_of_the_test_gets_a_warning(tmp_path: Path):
    folder = write_folder(tmp_path / "case", filled())
    (folder / "confidence.csv").write_text(
        "product_id,min_confidence,mixing_sd_points\nground80,95,0.2\n"
    )
    (folder / "lean_spread.csv").write_text(
        "lot_id,standard_error_points,container_sd_points\ncow90,1,1\nsteer50,1,1\n"
    )
    (caution,) = read_uncertainty(folder, read_case(folder).case).warnings
    assert caution.column == "test_error_points" and "ground80" in caution.fact
