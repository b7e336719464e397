"""One cell: what it is read as, or the message it earns."""

from __future__ import annotations

from datetime import date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.tables.cells import CellRefused, Uncalculated, neutralised, parse_cell, restored, shown
from blend.tables.columns import SETTING_COLUMNS, TABLES, Column, Kind

LOTS, PRODUCTS, RULES = (TABLES[name].column for name in ("lots", "products", "rules"))


@pytest.mark.parametrize(
    ("column", "cell", "value"),
    [
        (LOTS("lean"), "0.9", 0.9),
        (LOTS("lean"), " .9 ", 0.9),
        (LOTS("lean"), 1, 1.0),
        (LOTS("price"), "1.2e2", 120.0),
        (LOTS("price"), "0", 0.0),
        (LOTS("salvage_value_usd_per_lb"), "-0.05", -0.05),
        (LOTS("quantity_lb"), "", None),
        (LOTS("quantity_lb"), None, None),
        (LOTS("use_by"), "2026-02-28", date(2026, 2, 28)),
        (LOTS("use_by"), datetime(2026, 2, 28), date(2026, 2, 28)),
        (LOTS("fresh_or_frozen"), " Frozen", "frozen"),
        (LOTS("must_take_all"), "NO", False),
        (LOTS("must_take_all"), True, True),
        (LOTS("must_take_all"), "FALSE", False),
        (LOTS("must_take_all"), "TRUE", True),
        (LOTS("lot_id"), 1001.0, "1001"),
        (LOTS("lot_id"), 1001, "1001"),
        (LOTS("item"), "cow\u00a0 90s\n fresh", "cow 90s fresh"),
        (LOTS("item"), "Cafe\u0301", "Caf\u00e9"),
        (LOTS("label_claims"), "natural | organic", ("natural", "organic")),
        (PRODUCTS("species"), "Pork|beef", ("pork", "beef")),
        (RULES("max_count"), "3", 3),
        (RULES("max_count"), 3.0, 3),
        (RULES("note"), "'=1+1", "=1+1"),
    ],
)
def test_a_sound_cell_is_read(column: Column, cell, value):
    read = parse_cell(column, cell)
    assert read == value
    assert type(read) is type(value)


@pytest.mark.parametrize(
    ("column", "cell", "hint"),
    [
        (LOTS("lean"), "90", "Try 0.90."),
        (LOTS("lean"), 87.5, "Try 0.875."),
        (LOTS("lean"), "90%", "Try 0.90."),
        (LOTS("lean"), "90 %", "Try 0.90."),
        (LOTS("lean"), "0,90", "Try 0.90."),
        (LOTS("lean"), "100", "Try 1.00."),
        (LOTS("lean"), "100%", "Try 1.00."),
        (LOTS("lean"), "0 %", "Try 0.00."),
        (LOTS("lean"), "1,0", "Try 1.00."),
        (LOTS("lean"), "90,5", "Try 0.905."),
        (LOTS("lean"), "150", ""),
        (LOTS("lean"), "-0.1", ""),
        (LOTS("lean"), "lean", "Write it as a plain number."),
        (LOTS("lean"), True, "Write it as a plain number."),
        (TABLES["losses"].column("lean_loss_share"), "1", "Try 0.01."),
        (SETTING_COLUMNS["gap_share"], "5%", "Try 0.05."),
        (LOTS("price"), "-1", ""),
        (LOTS("price"), "nan", "Write it as a plain number."),
        (LOTS("price"), "inf", "Write it as a plain number."),
        (LOTS("price"), float("nan"), ""),
        (LOTS("price"), float("inf"), ""),
        (LOTS("price"), 10**400, ""),
        (LOTS("price"), "1e999", ""),
        (LOTS("price"), "$2.61", "Try 2.61."),
        (LOTS("price"), "2,61", "Try 2.61."),
        (LOTS("price"), "1.234,5", "Try 1234.5."),
        (LOTS("price"), "1,234.5", "Try 1234.5."),
        (LOTS("price"), date(2026, 2, 1), "The spreadsheet took it for a date"),
        (LOTS("quantity_lb"), "2,000", "Try 2000 or 2."),
        (LOTS("quantity_lb"), "2 000 lb", "Try 2000."),
        (LOTS("quantity_lb"), "40,000,000", "Try 40000000."),
        (LOTS("quantity_lb"), "٣", "Write it as a plain number."),
        (LOTS("quantity_lb"), "#N/A", "It is an error of the spreadsheet"),
        (LOTS("quantity_lb"), Uncalculated("=A1*2"), "Save the workbook in a spreadsheet first"),
        (LOTS("use_by"), "2026-02-30", "There is no such day."),
        (LOTS("use_by"), "31.03.2026", "Try 2026-03-31."),
        (LOTS("use_by"), "3/4/2026", "Try 2026-03-04 or 2026-04-03."),
        (LOTS("use_by"), "2026/3/4", "Try 2026-03-04."),
        (LOTS("use_by"), "20260304", "Write year, month and day."),
        (LOTS("use_by"), 46000, "Format the cell as a date."),
        (LOTS("use_by"), datetime(2026, 2, 1, 12), "Leave out the time of day."),
        (LOTS("fresh_or_frozen"), "frozn", "Did you mean frozen?"),
        (LOTS("species"), "BEFF", "Did you mean beef?"),
        (LOTS("species"), "beff", "Did you mean beef?"),
        (LOTS("species"), "fish", ""),
        (LOTS("must_take_all"), "maybe", ""),
        (LOTS("lot_id"), "", ""),
        (LOTS("lot_id"), "a|b", ""),
        (LOTS("item"), "a;b", ""),
        (LOTS("item"), "a\u200bb", "Take out the invisible character U+200B."),
        (LOTS("item"), "a\x00b", "Take out the invisible character U+0000."),
        (LOTS("item"), date(2026, 9, 5), "The spreadsheet took it for a date"),
        (LOTS("item"), "x" * 40_000, ""),
        (LOTS("label_claims"), "natural, organic", "Join words by |."),
        (LOTS("label_claims"), "natural||organic", "One | too many leaves an empty word."),
        (LOTS("label_claims"), "natural|natural", "Name each word once."),
        (PRODUCTS("species"), "beef|prok", "Did you mean pork?"),
        (RULES("max_count"), "2.5", ""),
        (RULES("max_count"), "0", ""),
        (RULES("lots"), "frozen", "Cannot read 'frozen'; write attribute=value"),
        (RULES("lots"), "lean>=90", "Lean lies between 0 and 1, not 90."),
    ],
)
def test_a_faulty_cell_is_refused_with_a_way_out(column: Column, cell, hint: str):
    with pytest.raises(CellRefused) as refused:
        parse_cell(column, cell)
    if hint.endswith((".", "?")) or not hint:
        assert refused.value.hint == hint
    else:
        assert refused.value.hint.startswith(hint)


def test_hints_for_numbers_are_numbers_the_column_allows():
    for column in (LOTS("lean"), LOTS("price"), LOTS("container_lb")):
        for text in ("90%", "0,5", "2,000", "1.000.000", "$5", "1'000"):
            with pytest.raises(CellRefused) as refused:
                parse_cell(column, text)
            if refused.value.hint.startswith("Try "):
                for tried in refused.value.hint[4:-1].split(" or "):
                    parse_cell(column, tried)


@given(
    st.sampled_from([column for table in TABLES.values() for column in table.columns]), st.text()
)
def test_any_text_is_read_or_refused(column: Column, text: str):
    if column.kind is Kind.SETTING:
        return
    try:
        parse_cell(column, text)
    except CellRefused as refused:
        assert shown(text).isprintable() and refused.hint.isprintable()


@given(st.text())
def test_neutralised_texts_start_no_formula_and_can_be_restored(text: str):
    safe = neutralised(text)
    assert not safe.startswith(tuple("=+-@\t\r\n"))
    assert restored(safe) == text


def test_what_is_shown_is_short_and_printable():
    assert shown("a" * 60) == "a" * 60
    assert shown("a" * 1000) == "a" * 57 + "..."
    assert shown("a\u202eb") == "a<U+202E>b"
    assert shown(2000.0) == "2000"
    assert shown("  ") == "nothing"
