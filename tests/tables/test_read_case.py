"""Reading a case: what each fault of a table is answered with, and what is only warned of."""

from __future__ import annotations

import os
from datetime import date
from pathlib import Path

import pytest

from blend.domain.lots import Lot
from blend.domain.rules import Loss, WholeContainers
from blend.domain.selectors import parse_selector
from blend.errors import FileTrouble
from blend.tables.read import read_case
from tests.tables.plain_tables import (
    other_warnings,
    own_standard,
    places,
    problems_in,
    read_folder,
    sound,
    write_folder,
)


def test_a_sound_case_is_read_with_its_documented_defaults(tmp_path: Path):
    read = read_case(write_folder(tmp_path / "case", sound()))
    assert other_warnings(read) == ()
    steer = read.case.lot("steer50")
    assert steer == Lot(
        lot_id="steer50",
        item="steer 50s",
        species="beef",
        lean=0.5,
        price_usd_per_lb=0.955,
        quantity_lb=9000.0,
        fresh_or_frozen="frozen",
        origin="Australia",
        price_basis="fob",
        freight_usd_per_lb=0.0325,
        must_take_all=True,
    )
    assert read.case.settings.plan_on == date(2026, 3, 2)
    assert read.case.settings.gap_share == 0.002
    assert read.case.settings.whole_containers is WholeContainers.NO
    assert read.case.losses == (
        Loss("purge", "thaw", parse_selector("fresh_or_frozen=frozen"), lean_loss_share=0.02),
    )


def test_a_column_left_out_reads_like_a_column_left_blank(tmp_path: Path):
    tables = sound()
    blank = read_case(write_folder(tmp_path / "blank", tables)).case
    for name in ("products", "against", "min_share", "max_count", "min_lb"):
        del tables["rules"][0][name]
    tables["rules"][0]["max_share"] = "0.3"
    left_out = read_case(write_folder(tmp_path / "left_out", tables)).case
    assert [rule.products for rule in left_out.rules] == [()]
    assert left_out.lots == blank.lots


def test_semicolons_byte_order_mark_capitals_and_blank_rows_are_no_trouble(tmp_path: Path):
    plain = read_case(write_folder(tmp_path / "plain", sound())).case
    folder = write_folder(tmp_path / "case", sound(), delimiter=";")
    lots = (folder / "lots.csv").read_text()
    header, *rows = lots.splitlines()
    text = "\n;;;\n".join([f"{header.upper()};;", *rows])
    (folder / "lots.csv").unlink()
    (folder / "Lots.CSV").write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert read_case(folder).case == plain


def test_origin_domestic_and_label_claims_do_not_mind_capitals(tmp_path: Path):
    tables = sound()
    tables["lots"][0] |= {"origin": "Domestic", "label_claims": "Organic"}
    tables["products"][0]["label_claims"] = "organic"
    read = read_case(write_folder(tmp_path / "case", tables))
    assert read.case.lot("cow90").origin == "domestic"
    assert read.case.products[0].label_claims <= read.case.lot("cow90").label_claims
    assert other_warnings(read) == ()


# One fault, one message ----------------------------------------------------------------------

CELL_FAULTS = [
    ("lots", {"lean": "905"}, "lean"),
    ("lots", {"use_by": "2026-02-27"}, "use_by"),
    ("lots", {"quantity_lb": "41000"}, "quantity_lb"),
    ("lots", {"container_lb": ""}, "container_lb"),
    ("lots", {"container": "loose"}, "container_lb"),
    ("lots", {"min_purchase_lb": "42000"}, "min_purchase_lb"),
    ("lots", {"must_take_all": "yes", "quantity_lb": ""}, "quantity_lb"),
    ("lots", {"freight_usd_per_cwt": "3"}, "freight_usd_per_cwt"),
    ("lots", {"salvage_value_usd_per_lb": "2.62"}, "salvage_value_usd_per_lb"),
    ("products", {"tolerance_below_points": "81"}, "tolerance_below_points"),
    ("products", {"tolerance_above_points": "21"}, "tolerance_above_points"),
    ("products", {"max_lb": "9000"}, "max_lb"),
    ("products", {"blender_min_lb": "2600"}, "blender_max_lb"),
    ("products", {"batch_lb": "3000"}, "batch_lb"),
    ("products", {"standards": "ground_beeff"}, "standards"),
    ("rules", {"products": "ground8"}, "products"),
    ("rules", {"max_share": ""}, "kind"),
    ("rules", {"min_share": "0.4"}, "max_share"),
    ("rules", {"max_count": "2"}, "max_count"),
    ("rules", {"kind": "fat"}, "lots"),
    ("rules", {"kind": "max_lots", "max_share": ""}, "max_count"),
    ("rules", {"kind": "min_if_used", "max_share": ""}, "min_share"),
    ("rules", {"kind": "keep_apart", "max_share": ""}, "against"),
    ("rules", {"kind": "must_not_use", "lots": "", "max_share": ""}, "lots"),
    ("losses", {"products": "p"}, "products"),
    ("settings", {"value": "2.3.2026"}, "plan_on"),
    ("settings", {"value": "#REF!"}, "plan_on"),
    ("settings", {"setting": "plan_onn"}, "setting"),
    ("lots", {"lean": "1"}, "lean"),
    ("products", {"tolerance_below_points": "2%"}, "tolerance_below_points"),
    ("lots", {"price": "$2.61/cwt"}, "price"),
    ("lots", {"price_unit": ""}, "price_unit"),
]


@pytest.mark.parametrize(("table", "changes", "column"), CELL_FAULTS)
def test_one_fault_earns_one_message(tmp_path: Path, table: str, changes: dict, column: str):
    tables = sound()
    tables[table][0] |= changes
    problems = problems_in(write_folder(tmp_path / "case", tables))
    assert places(problems) == [(f"{table}.csv", 2, column)]


def test_must_use_everything_needs_to_know_how_much_there_is(tmp_path: Path):
    tables = sound()
    tables["rules"][0] |= {"kind": "must_use", "max_share": "", "lots": "fresh_or_frozen=fresh"}
    assert read_case(write_folder(tmp_path / "known", tables))
    tables["lots"][0] |= {"quantity_lb": ""}
    problems = problems_in(write_folder(tmp_path / "endless", tables))
    assert places(problems) == [("rules.csv", 2, "min_lb")]


def test_one_endless_lot_is_enough_to_say_so(tmp_path: Path):
    tables = sound()
    tables["rules"] = [
        tables["rules"][0] | {"kind": "must_use", "max_share": "", "lots": "species=beef"},
        tables["rules"][0]
        | {"rule_id": "enough", "kind": "must_use", "max_share": ""}
        | {"min_lb": "500"},
    ]
    tables["lots"][0]["quantity_lb"] = ""
    tables["lots"][1] |= {"quantity_lb": "", "must_take_all": "no"}
    problems = problems_in(write_folder(tmp_path / "case", tables))
    assert places(problems) == [("rules.csv", 2, "min_lb")]


def test_every_limit_may_be_touched(tmp_path: Path):
    tables = sound()
    tables["lots"][0] |= {
        "use_by": "2026-03-01",
        "min_purchase_lb": "40000",
        "salvage_value_usd_per_lb": "2.61",
    }
    tables["lots"][1] |= {"salvage_value_usd_per_lb": "0.9875", "use_by": "2026-03-02"}
    tables["products"][0] |= {
        "tolerance_below_points": "80",
        "tolerance_above_points": "20",
        "max_lb": "10000",
        "batch_lb": "2000",
        "blender_min_lb": "2000",
        "blender_max_lb": "2000",
    }
    tables["rules"][0]["min_share"] = "0.3"
    warnings = other_warnings(read_case(write_folder(tmp_path / "case", tables)))
    assert places(warnings) == [
        ("products.csv", 2, "tolerance_below_points"),
        ("products.csv", 2, "tolerance_above_points"),
    ], "such a tolerance is wide, not wrong"


def test_faults_are_told_from_the_first_row_down_whenever_they_are_found(tmp_path: Path):
    """One in the first row shows only when its cells are compared."""
    tables = sound()
    tables["lots"][0] |= {"container_lb": "2000", "quantity_lb": "40001"}
    tables["lots"][1]["item"] = ""
    folder = write_folder(tmp_path / "case", tables)
    told = [("lots.csv", 2, "quantity_lb"), ("lots.csv", 3, "item")]
    assert places(problems_in(folder)) == told


@pytest.mark.parametrize(("quantity", "is_valid"), [("40000.01", True), ("40001", False)])
def test_containers_are_whole_but_for_the_rounding_of_fractions(
    tmp_path: Path, quantity: str, is_valid: bool
):
    tables = sound()
    tables["lots"][0] |= {"container_lb": "1333.3336667" if is_valid else "2000"}
    tables["lots"][0]["quantity_lb"] = quantity
    folder = write_folder(tmp_path / "case", tables)
    if is_valid:
        assert read_case(folder)
    else:
        assert places(problems_in(folder)) == [("lots.csv", 2, "quantity_lb")]


@pytest.mark.parametrize(
    ("spoilt", "place"),
    [
        ('product_id,name\nground90,"x', 2),
        ("name,product_id\nx\n", 2),
        ("name,product_id\nx,\n", 2),
        ("products of the week\nground90\n", 1),
        ("", None),
    ],
)
def test_names_are_not_called_unknown_while_some_names_cannot_be_read(
    tmp_path: Path, spoilt: str, place: int | None
):
    folder = write_folder(tmp_path / "case", sound())
    (folder / "products.csv").write_text(spoilt)
    problems = problems_in(folder)
    assert ("products.csv", place) in [(problem.file, problem.row) for problem in problems]
    assert {problem.file for problem in problems} == {"products.csv"}


def test_an_id_may_stand_once_whatever_its_capitals(tmp_path: Path):
    tables = sound()
    tables["lots"][1]["lot_id"] = "COW90"
    problems = problems_in(write_folder(tmp_path / "case", tables))
    assert places(problems) == [("lots.csv", 3, "lot_id")]


def test_a_missing_setting_is_named(tmp_path: Path):
    tables = sound()
    del tables["settings"][0]
    problems = problems_in(write_folder(tmp_path / "case", tables))
    assert places(problems) == [("settings.csv", None, "plan_on")]


# The shape of a table ------------------------------------------------------------------------


def spoil(tmp_path: Path, table: str, text: str) -> Path:
    folder = write_folder(tmp_path / "case", sound())
    (folder / f"{table}.csv").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("table", "text", "expected"),
    [
        ("lots", "", [(None, None)]),
        ("rules", "\n\n", [(None, None)]),
        ("settings", "setting,value\n", [(None, None), (None, "plan_on")]),
        ("losses", "loss_id,stepp\npurge,thaw\n", [(1, "stepp")]),
        ("losses", "loss_id\npurge\n", [(1, "step")]),
        ("losses", "loss_id,step,step\npurge,thaw,thaw\n", [(1, "step")]),
        ("losses", "loss_id,step,\npurge,thaw,x\n", [(2, None)]),
        ("losses", "loss_id,,step\npurge,x,thaw\n", [(1, None)]),
        (
            "losses",
            "loss_id,step,lean_loss_share\npurge,thaw\ntrim,cut,0,02\n",
            [(2, None), (3, None)],
        ),
        ("losses", 'loss_id,step\npurge,thaw\ntrim,"cut\n', [(3, None)]),
    ],
)
def test_the_shape_of_a_table(tmp_path: Path, table: str, text: str, expected: list):
    problems = problems_in(spoil(tmp_path, table, text))
    assert places(problems) == [(f"{table}.csv", *place) for place in expected]


def test_extra_columns_are_reported_once(tmp_path: Path):
    read = read_case(spoil(tmp_path, "losses", "loss_id,step,dock,bin\npurge,thaw,4,x\n"))
    (warning,) = other_warnings(read)
    assert warning.file == "losses.csv" and "dock, bin" in warning.fact


def test_an_optional_table_may_hold_its_header_only(tmp_path: Path):
    assert read_case(spoil(tmp_path, "losses", "loss_id,step\n")).case.losses == ()


def test_rows_are_numbered_as_a_spreadsheet_shows_them(tmp_path: Path):
    text = 'loss_id,step,source\n\npurge,thaw,"two\nlines"\n,,\ntrim,,x\n'
    (problem,) = problems_in(spoil(tmp_path, "losses", text))
    assert (problem.row, problem.column) == (5, "step")


def test_a_ragged_product_is_still_known_to_rules(tmp_path: Path):
    folder = write_folder(tmp_path / "case", sound())
    with (folder / "products.csv").open("a") as file:
        file.write("ground90,x\n")
    rules = (folder / "rules.csv").read_text().replace("ground80", "ground90")
    (folder / "rules.csv").write_text(rules)
    assert places(problems_in(folder)) == [("products.csv", 3, None)]


# Files ---------------------------------------------------------------------------------------


def test_tables_missing_double_or_misnamed_are_listed_together(tmp_path: Path):
    folder = write_folder(tmp_path / "case", sound())
    (folder / "lots.xlsx").write_bytes(b"")
    (folder / "products.csv").rename(folder / "PRODUCTS.ods")
    (folder / "losses.csv").rename(folder / "losses.tsv")
    (folder / "rules.csv").rename(folder / "rule.csv")
    (folder / "settings.csv").unlink()
    assert [problem.file for problem in problems_in(folder)] == [
        "lots.csv",
        "PRODUCTS.ods",
        "rule.csv",
        "losses.tsv",
        "settings.csv",
    ]


def test_an_empty_folder_says_how_to_start(tmp_path: Path):
    with pytest.raises(FileTrouble, match="blend new or blend demo"):
        read_case(tmp_path)


def test_a_file_that_is_nearly_a_table_gets_a_warning(tmp_path: Path):
    folder = write_folder(tmp_path / "case", sound())
    (folder / "lots2.csv").write_text("")
    (folder / "lots.ods").write_text("")
    (folder / "orders.csv").write_text("")
    (warning,) = other_warnings(read_case(folder))
    assert warning.file == "lots2.csv"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"loss_id,step\npurge,th\xe4w\n", "losses.csv: byte 21 (line 2) is not UTF-8"),
        ("loss_id,step\n".encode("utf-16"), "losses.csv: byte 0 (line 1) is not UTF-8"),
        (b"x" * 20_000_001, "losses.csv: larger than 20 MB"),
    ],
)
def test_a_file_that_cannot_be_read_says_where(tmp_path: Path, data: bytes, says: str):
    folder = write_folder(tmp_path / "case", sound())
    (folder / "losses.csv").write_bytes(data)
    with pytest.raises(FileTrouble) as trouble:
        read_case(folder)
    assert str(trouble.value).startswith(says)


def test_what_is_no_case_is_reported(tmp_path: Path):
    for name, says in (
        ("nowhere", "no such folder or workbook"),
        ("n" * 300, "File name too long"),
    ):
        with pytest.raises(FileTrouble, match=says):
            read_case(tmp_path / name)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_permission_is_reported(tmp_path: Path):
    folder = write_folder(tmp_path / "case", sound())
    (folder / "lots.csv").chmod(0)
    with pytest.raises(FileTrouble, match=r"lots\.csv: Permission denied"):
        read_case(folder)


# Standards -----------------------------------------------------------------------------------


def with_standards(tmp_path: Path, *rows: dict[str, str], **product: str) -> Path:
    tables = sound() | {"standards": list(rows)}
    tables["products"][0] |= {"standards": "own"} | product
    return write_folder(tmp_path / "case", tables)


def test_a_product_fatter_than_its_standard_is_refused_with_the_section(tmp_path: Path):
    folder = with_standards(tmp_path, own_standard(), target_lean="0.69")
    (problem,) = problems_in(folder)
    assert (problem.row, problem.column) == (2, "standards") and "section 4" in problem.words


def test_a_target_at_the_limit_is_kept_and_its_tolerance_gets_a_warning(tmp_path: Path):
    read = read_case(with_standards(tmp_path, own_standard(), target_lean="0.7"))
    (warning,) = other_warnings(read)
    assert (warning.row, warning.column) == (2, "tolerance_below_points")
    assert "section 4" in str(warning)
    assert [row.row_id for row in read.case.standards] == ["own_fat"]


def test_a_limit_that_only_warns_never_refuses(tmp_path: Path):
    read = read_case(with_standards(tmp_path, own_standard(action="warn"), target_lean="0.6"))
    (warning,) = other_warnings(read)
    assert (warning.file, warning.row, warning.column) == ("products.csv", 2, "standards")


def test_stale_and_recalled_rows_get_a_warning_once_for_each_standard(tmp_path: Path):
    tables = sound() | {
        "standards": [
            own_standard(row_id="a", read_on="2024-05-01", section="section 1"),
            own_standard(row_id="b", read_on="2024-06-01", section="section 2"),
            own_standard(row_id="c", read_on="", verified="memory", section="section 3"),
        ]
    }
    tables["products"] = [
        tables["products"][0] | {"standards": "own"},
        tables["products"][0] | {"product_id": "other", "standards": "own"},
    ]
    stale, recalled = other_warnings(read_case(write_folder(tmp_path / "case", tables)))
    assert "2024-05-01" in stale.fact and "section 1; section 2" in stale.advice
    assert "memory" in recalled.fact and "section 3" in recalled.advice


def test_packaged_standards_can_be_named_but_not_replaced(tmp_path: Path):
    folder = with_standards(
        tmp_path, own_standard(row_id="Ground_beef_fat"), standards="ground_beef"
    )
    (problem,) = problems_in(folder)
    assert (problem.file, problem.row, problem.column) == ("standards.csv", 2, "row_id")
    (folder / "standards.csv").unlink()
    case = read_case(folder).case
    assert case.standard_rows(case.products[0])


@pytest.mark.parametrize(
    ("changes", "column"),
    [
        ({"kind": ""}, "kind"),
        ({"max_share": ""}, "kind"),
        ({"lots": "fresh_or_frozen=frozen"}, "lots"),
        ({"kind": "max_lots"}, "kind"),
        ({"section": ""}, "section"),
    ],
)
def test_rows_of_standards_are_checked_like_rules(tmp_path: Path, changes: dict, column: str):
    (problem,) = problems_in(with_standards(tmp_path, own_standard(**changes)))
    assert (problem.file, problem.row, problem.column) == ("standards.csv", 2, column)


# Warnings ------------------------------------------------------------------------------------


def test_what_does_nothing_gets_a_warning(tmp_path: Path):
    tables = sound()
    tables["rules"][0]["lots"] = "lot=cow91"
    tables["losses"][0]["lots"] = "species=pork"
    tables["products"][0]["label_claims"] = "organic"
    warnings = other_warnings(read_case(write_folder(tmp_path / "case", tables)))
    assert places(warnings) == [
        ("products.csv", 2, "label_claims"),
        ("rules.csv", 2, "lots"),
        ("losses.csv", 2, "lots"),
    ]


@pytest.mark.parametrize(
    ("table", "column", "word", "meant"),
    [
        ("lots", "fresh_or_frozen", "frozn", "frozen"),
        ("settings", "setting", "gap", "gap_share"),
        ("settings", "setting", "containers", "whole_containers"),
        ("settings", "setting", "time", "time_limit_s"),
    ],
)
def test_part_of_a_name_is_answered_with_the_name(tmp_path: Path, table, column, word, meant):
    tables = sound()
    tables[table] = [*tables[table][:-1], tables[table][-1] | {column: word}]
    problems = problems_in(write_folder(tmp_path / "case", tables))
    assert f"Did you mean {meant}?" in [problem.hint for problem in problems]


def test_a_column_named_in_part_is_answered_with_its_name(tmp_path: Path):
    tables = sound()
    for lot in tables["lots"]:
        lot["leans"] = lot.pop("lean")
    problems = problems_in(write_folder(tmp_path / "case", tables))
    assert [(each.column, each.hint) for each in problems] == [("leans", "Did you mean lean?")]


def test_a_slip_between_cwt_and_pound_gets_a_warning(tmp_path: Path):
    tables = sound()
    first = tables["lots"][0]
    tables["lots"] = [
        first | {"lot_id": name, "price": price, "price_unit": unit, "salvage_value_usd_per_lb": ""}
        for name, price, unit in (
            ("a", "345", "usd_per_cwt"),
            ("b", "3.45", "usd_per_cwt"),
            ("c", "95", "usd_per_cwt"),
            ("d", "345", "usd_per_lb"),
            ("e", "0", "usd_per_lb"),
            ("f", "2.9", "usd_per_lb"),
        )
    ]
    del tables["rules"], tables["losses"]
    warnings = other_warnings(read_case(write_folder(tmp_path / "case", tables)))
    assert places(warnings) == [("lots.csv", 3, "price"), ("lots.csv", 5, "price")]
    assert warnings[0].advice == "Is this per lb?"


def test_a_wide_tolerance_gets_a_warning(tmp_path: Path):
    tables = sound()
    tables["products"][0] |= {"target_lean": "50", "tolerance_below_points": "50"}
    (warning,) = other_warnings(read_case(write_folder(tmp_path / "case", tables)))
    assert (warning.row, warning.column) == (2, "tolerance_below_points")


def test_files_are_only_read(tmp_path: Path):
    folder = write_folder(tmp_path / "case", sound())
    before = read_folder(folder)
    read_case(folder)
    assert read_folder(folder) == before
    assert len(list(folder.iterdir())) == len(sound())
