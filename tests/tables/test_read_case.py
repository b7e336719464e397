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
    ("lots", {"lean": "90"}, "lean: read 90; allowed 0 to 1. Try 0.90."),
    (
        "lots",
        {"use_by": "2026-02-27"},
        "use_by: read 2026-02-27; allowed available_on, 2026-03-01, or later.",
    ),
    (
        "lots",
        {"quantity_lb": "41000"},
        "quantity_lb: read 41000; allowed whole containers of 2000."
        " List an open container as its own loose lot.",
    ),
    (
        "lots",
        {"container_lb": ""},
        "container_lb: read nothing; allowed the net weight of one combo.",
    ),
    (
        "lots",
        {"container": "loose"},
        "container_lb: read 2000; allowed nothing, as the lot is loose.",
    ),
    (
        "lots",
        {"min_purchase_lb": "42000"},
        "min_purchase_lb: read 42000; allowed at most quantity_lb, 40000.",
    ),
    (
        "lots",
        {"must_take_all": "yes", "quantity_lb": ""},
        "quantity_lb: read nothing; allowed a weight, as the lot may not be split.",
    ),
    (
        "lots",
        {"freight_usd_per_cwt": "3"},
        "freight_usd_per_cwt: read 3; allowed nothing or 0, as the price is delivered."
        " If freight comes on top, price_basis is fob.",
    ),
    (
        "lots",
        {"salvage_value_usd_per_lb": "2.62"},
        "salvage_value_usd_per_lb: read 2.62; allowed at most the delivered price,"
        " 2.61 USD per lb. Else it would pay to buy meat and leave it over.",
    ),
    (
        "products",
        {"tolerance_below_share": "0.81"},
        "tolerance_below_share: read 0.81; allowed at most the target, 0.8.",
    ),
    (
        "products",
        {"tolerance_above_share": "0.21"},
        "tolerance_above_share: read 0.21; allowed at most 0.2, as lean ends at 1.",
    ),
    ("products", {"max_lb": "9000"}, "max_lb: read 9000; allowed at least min_lb, 10000."),
    (
        "products",
        {"blender_min_lb": "2600"},
        "blender_max_lb: read 2500; allowed at least blender_min_lb, 2600.",
    ),
    (
        "products",
        {"batch_lb": "3000"},
        "batch_lb: read 3000; allowed what the blender takes, 1000 to 2500.",
    ),
    (
        "products",
        {"standards": "ground_beeff"},
        "standards: read ground_beeff; allowed an id of standards. Did you mean ground_beef?",
    ),
    (
        "rules",
        {"products": "ground8"},
        "products: read ground8; allowed ground80. Did you mean ground80?",
    ),
    (
        "rules",
        {"max_share": ""},
        "kind: read share; allowed share with min_share or max_share, or both.",
    ),
    (
        "rules",
        {"min_share": "0.4"},
        "max_share: read 0.3; allowed at least min_share, 0.4.",
    ),
    (
        "rules",
        {"max_count": "2"},
        "max_count: read 2; allowed nothing, as kind share does not use it.",
    ),
    (
        "rules",
        {"kind": "fat"},
        "lots: read fresh_or_frozen=frozen; allowed nothing, as kind fat does not use it.",
    ),
    (
        "rules",
        {"kind": "max_lots", "max_share": ""},
        "max_count: read nothing; allowed a value, as kind max_lots needs it.",
    ),
    (
        "rules",
        {"kind": "min_if_used", "max_share": ""},
        "min_share: read nothing; allowed a value, as kind min_if_used needs it.",
    ),
    (
        "rules",
        {"kind": "keep_apart", "max_share": ""},
        "against: read nothing; allowed a value, as kind keep_apart needs it.",
    ),
    (
        "rules",
        {"kind": "must_not_use", "lots": "", "max_share": ""},
        "lots: read nothing; allowed a value, as kind must_not_use needs it.",
    ),
    ("losses", {"products": "p"}, "products: read p; allowed ground80."),
    (
        "settings",
        {"value": "2.3.2026"},
        "plan_on: read 2.3.2026; allowed a date such as 2026-03-31. Try 2026-02-03 or 2026-03-02.",
    ),
    (
        "settings",
        {"value": "#REF!"},
        "plan_on: read #REF!; allowed a date such as 2026-03-31."
        " It is an error of the spreadsheet; mend the formula behind it.",
    ),
    (
        "settings",
        {"setting": "plan_onn"},
        "setting: read plan_onn; allowed plan_on, plant, whole_containers, gap_share or"
        " time_limit_s. Did you mean plan_on?",
    ),
]


@pytest.mark.parametrize(("table", "changes", "message"), CELL_FAULTS)
def test_one_fault_earns_one_message(tmp_path: Path, table: str, changes: dict, message: str):
    tables = sound()
    tables[table][0] |= changes
    problems = problems_in(write_folder(tmp_path / "case", tables))
    assert [str(problem) for problem in problems] == [f"{table}.csv row 2, {message}"]


def test_must_use_everything_needs_to_know_how_much_there_is(tmp_path: Path):
    tables = sound()
    tables["rules"][0] |= {"kind": "must_use", "max_share": "", "lots": "fresh_or_frozen=fresh"}
    assert read_case(write_folder(tmp_path / "known", tables))
    tables["lots"][0] |= {"quantity_lb": ""}
    (problem,) = problems_in(write_folder(tmp_path / "endless", tables))
    assert str(problem) == (
        "rules.csv row 2, min_lb: read nothing; allowed a weight, as lot cow90 states no"
        " quantity_lb."
    )


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
        "tolerance_below_share": "0.8",
        "tolerance_above_share": "0.2",
        "max_lb": "10000",
        "batch_lb": "2000",
        "blender_min_lb": "2000",
        "blender_max_lb": "2000",
    }
    tables["rules"][0]["min_share"] = "0.3"
    warnings = other_warnings(read_case(write_folder(tmp_path / "case", tables)))
    assert places(warnings) == [
        ("products.csv", 2, "tolerance_below_share"),
        ("products.csv", 2, "tolerance_above_share"),
    ], "such a tolerance is wide, not wrong"


def test_faults_are_told_from_the_first_row_down_whenever_they_are_found(tmp_path: Path):
    """One in the first row shows only when its cells are held against one another."""
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
    (problem,) = problems_in(write_folder(tmp_path / "case", tables))
    assert str(problem) == (
        "lots.csv row 3, lot_id: read COW90; allowed each lot_id once. Row 2 has it already."
    )


def test_a_missing_setting_is_named(tmp_path: Path):
    tables = sound()
    del tables["settings"][0]
    (problem,) = problems_in(write_folder(tmp_path / "case", tables))
    assert str(problem) == (
        "settings.csv, plan_on: read no such setting; allowed a date such as 2026-03-31."
    )


# The shape of a table ------------------------------------------------------------------------


EMPTY = "read nothing; allowed a header row with the names of the columns."


def spoil(tmp_path: Path, table: str, text: str) -> Path:
    folder = write_folder(tmp_path / "case", sound())
    (folder / f"{table}.csv").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("table", "text", "messages"),
    [
        ("lots", "", [f"lots.csv: {EMPTY}"]),
        ("rules", "\n\n", [f"rules.csv: {EMPTY}"]),
        (
            "settings",
            "setting,value\n",
            [
                "settings.csv: read a header and no row; allowed at least one row.",
                "settings.csv, plan_on: read no such setting; allowed a date such as 2026-03-31.",
            ],
        ),
        (
            "losses",
            "loss_id,step,note\npurge,thaw,x\n",
            [
                "losses.csv row 1, note: read an unknown column; allowed the columns of the table."
                " They are loss_id, step, lots, products, lean_loss_share, fat_loss_share, source."
            ],
        ),
        (
            "losses",
            "loss_id,stepp\npurge,thaw\n",
            [
                "losses.csv row 1, stepp: read an unknown column; allowed the columns of the table."
                " Did you mean step?"
            ],
        ),
        (
            "losses",
            "loss_id\npurge\n",
            ["losses.csv row 1, step: read no such column; allowed a text."],
        ),
        (
            "losses",
            "loss_id,step,step\npurge,thaw,thaw\n",
            ["losses.csv row 1, step: read this column twice; allowed each column once."],
        ),
        (
            "losses",
            "loss_id,step,\npurge,thaw,x\n",
            ["losses.csv row 2: read 3 cells; allowed 2, as the header has."
             " A comma inside a cell needs quotation marks around it."],
        ),
        (
            "losses",
            "loss_id,,step\npurge,x,thaw\n",
            ["losses.csv row 1: read no name above column 2; allowed a name above each."],
        ),
        (
            "losses",
            "Losses of the week,\nloss_id,step\npurge,thaw\n",
            [
                "losses.csv row 1: read losses of the week; allowed a header with loss_id, step."
                " The first row names the columns."
            ],
        ),
        (
            "losses",
            "loss_id,step,lean_loss_share\npurge,thaw\ntrim,cut,0,02\n",
            [
                "losses.csv row 2: read 2 cells; allowed 3, as the header has.",
                "losses.csv row 3: read 4 cells; allowed 3, as the header has."
                " A comma inside a cell needs quotation marks around it.",
            ],
        ),
        (
            "losses",
            'loss_id,step\npurge,thaw\ntrim,"cut\n',
            [
                "losses.csv row 3: read what cannot be split into cells (unexpected end of data);"
                " allowed cells as a spreadsheet saves them."
                " Look for a quotation mark that is not closed."
            ],
        ),
    ],
)  # fmt: skip
def test_the_shape_of_a_table(tmp_path: Path, table: str, text: str, messages: list[str]):
    problems = problems_in(spoil(tmp_path, table, text))
    assert [str(problem) for problem in problems] == messages


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


def test_tables_missing_double_or_misnamed_are_told_together(tmp_path: Path):
    folder = write_folder(tmp_path / "case", sound())
    (folder / "lots.xlsx").write_bytes(b"")
    (folder / "products.csv").rename(folder / "PRODUCTS.ods")
    (folder / "losses.csv").rename(folder / "losses.tsv")
    (folder / "rules.csv").rename(folder / "rule.csv")
    (folder / "settings.csv").unlink()
    assert [str(problem) for problem in problems_in(folder)] == [
        "lots.csv: read lots.csv and lots.xlsx; allowed one file.",
        "PRODUCTS.ods: read a file of this name; allowed products.csv or products.xlsx."
        " Did you mean products.csv?",
        "rule.csv: read a file of this name; allowed rules.csv or rules.xlsx."
        " Did you mean rules.csv?",
        "losses.tsv: read a file of this name; allowed losses.csv or losses.xlsx."
        " Did you mean losses.csv?",
        "settings.csv: read no such file; allowed settings.csv or settings.xlsx.",
    ]


def test_a_file_that_is_nearly_a_table_is_warned_of(tmp_path: Path):
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


def test_what_is_no_case_is_told(tmp_path: Path):
    (tmp_path / "lots.csv").write_text("")
    for name, says in (
        ("nowhere", "no such folder or workbook"),
        ("lots.csv", "not a case"),
        ("n" * 300, "File name too long"),
    ):
        with pytest.raises(FileTrouble, match=says):
            read_case(tmp_path / name)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_file_without_permission_is_told(tmp_path: Path):
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
    assert str(problem) == (
        "products.csv row 2, standards: read own for a target of 0.31 fat;"
        " allowed at most 0.3 fat (section 4, fat at most 30 %)."
    )


def test_a_target_at_the_limit_is_kept_and_its_tolerance_is_warned_of(tmp_path: Path):
    read = read_case(with_standards(tmp_path, own_standard(), target_lean="0.7"))
    (warning,) = other_warnings(read)
    assert (warning.row, warning.column) == (2, "tolerance_below_share")
    assert "section 4" in str(warning)
    assert [row.row_id for row in read.case.standards] == ["own_fat"]


def test_a_limit_that_only_warns_never_refuses(tmp_path: Path):
    read = read_case(with_standards(tmp_path, own_standard(action="warn"), target_lean="0.6"))
    (warning,) = other_warnings(read)
    assert (warning.file, warning.row, warning.column) == ("products.csv", 2, "standards")


def test_stale_and_recalled_rows_are_warned_of_once_for_each_standard(tmp_path: Path):
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
    assert str(recalled) == (
        "products.csv row 2, standards: own is partly written down from memory. "
        "Confirm it against the current text of section 3."
    )


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


def test_what_does_nothing_is_warned_of(tmp_path: Path):
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


def test_no_warning_speaks_as_a_fault_does(tmp_path: Path):
    """A fault says what was read and what is allowed; what may stand says what is the case."""
    tables = sound()
    tables["rules"][0]["lots"] = "fresh_or_frozen=forzen"
    tables["products"][0] |= {"label_claims": "organic", "tolerance_below_share": "0.2"}
    folder = write_folder(tmp_path / "case", tables)
    (folder / "lots2.csv").write_text("lot_id\n")
    warnings = other_warnings(read_case(folder))
    assert len(warnings) == 4
    for told in map(str, warnings):
        assert "allowed" not in told and ": read " not in told
    assert any("Did you mean frozen?" in str(each) for each in warnings)


@pytest.mark.parametrize(
    ("table", "column", "word", "meant"),
    [
        ("lots", "price_unit", "cwt", "usd_per_cwt"),
        ("lots", "price_unit", "LB", "usd_per_lb"),
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


def test_a_slip_between_cwt_and_pound_is_warned_of(tmp_path: Path):
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
    assert "0.0345 USD/lb" in warnings[0].fact and "price_unit" in warnings[0].advice


def test_a_tolerance_typed_in_points_is_warned_of(tmp_path: Path):
    tables = sound()
    tables["products"][0] |= {"target_lean": "0.5", "tolerance_below_share": "0.5"}
    (warning,) = other_warnings(read_case(write_folder(tmp_path / "case", tables)))
    assert (warning.row, warning.column) == (2, "tolerance_below_share")
    assert "50 lean points" in warning.fact and "0.005" in warning.advice


def test_files_are_only_read(tmp_path: Path):
    folder = write_folder(tmp_path / "case", sound())
    before = read_folder(folder)
    read_case(folder)
    assert read_folder(folder) == before
    assert len(list(folder.iterdir())) == len(sound())
