"""One cell: what it is read as, or the message it earns."""

from __future__ import annotations

import re
from datetime import date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.columns import Column, Kind
from blend.tables.cells import CellRefused, Uncalculated, neutralised, parse_cell, restored, shown
from blend.tables.columns import HISTORY_TABLES, SETTING_COLUMNS, TABLES

LOTS, PRODUCTS, RULES = (TABLES[name].column for name in ("lots", "products", "rules"))
CANVASS = HISTORY_TABLES["canvass"].column


SHELF = Column("shelf_life_days", Kind.COUNT, "days", unit="days", minimum=0)


@pytest.mark.parametrize(
    ("column", "cell", "value"),
    [
        (LOTS("lean"), "0.9", 0.9),
        (LOTS("lean"), " .9 ", 0.9),
        (LOTS("lean"), "90", 0.9),
        (LOTS("lean"), "90.2", 0.902),
        (LOTS("lean"), "90%", 0.9),
        (LOTS("lean"), 87.5, 0.875),
        (LOTS("lean"), "100", 1.0),
        (LOTS("lean"), "100%", 1.0),
        (LOTS("lean"), "1%", 0.01),
        (LOTS("lean"), 0, 0.0),
        (TABLES["losses"].column("lean_loss_share"), "1", 0.01),
        (SETTING_COLUMNS["gap_share"], "0.1%", 0.001),
        (PRODUCTS("tolerance_below_points"), "0.5", 0.5),
        (PRODUCTS("tolerance_below_points"), "1.5 points", 1.5),
        (LOTS("price"), "1.2e2", 120.0),
        (LOTS("price"), "$1,250.50", 1250.5),
        (LOTS("price"), "0", 0.0),
        (LOTS("salvage_value_usd_per_lb"), "-0.05", -0.05),
        (LOTS("salvage_value_usd_per_lb"), "'-0.05", -0.05),
        (LOTS("salvage_value_usd_per_lb"), "185 cents/lb", 1.85),
        (LOTS("salvage_value_usd_per_lb"), "$185/cwt", 1.85),
        (LOTS("freight_usd_per_cwt"), "3.25 cents/lb", 3.25),
        (LOTS("quantity_lb"), "12,000", 12000.0),
        (LOTS("quantity_lb"), "2000 lbs", 2000.0),
        (LOTS("quantity_lb"), "", None),
        (LOTS("quantity_lb"), None, None),
        (LOTS("use_by"), "2026-02-28", date(2026, 2, 28)),
        (LOTS("use_by"), "2/28/2026", date(2026, 2, 28)),
        (LOTS("use_by"), "02/28/26", date(2026, 2, 28)),
        (LOTS("use_by"), "Feb 28, 2026", date(2026, 2, 28)),
        (LOTS("use_by"), datetime(2026, 2, 28), date(2026, 2, 28)),
        (LOTS("use_by"), 46081, date(2026, 2, 28)),
        (LOTS("fresh_or_frozen"), " Frozen", "frozen"),
        (LOTS("on_hand_or_offered"), "On_hand", "on hand"),
        (LOTS("price_unit"), "$/cwt", "usd_per_cwt"),
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
        (SHELF, "5 days", 5),
        (RULES("note"), "'=1+1", "=1+1"),
        (CANVASS("heard_at"), "11/20/2026 2:05 pm", datetime(2026, 11, 20, 14, 5)),
        (CANVASS("heard_at"), "2026-11-20T09:30:15", datetime(2026, 11, 20, 9, 30, 15)),
    ],
)
def test_a_sound_cell_is_read(column: Column, cell, value):
    read = parse_cell(column, cell)
    assert read == value
    assert type(read) is type(value)


@pytest.mark.parametrize(
    ("cell", "unit", "price"),
    [("$2.61/lb", "usd_per_lb", 2.61), ("185 cents/lb", "cents_per_lb", 185),
     ("214 per cwt", "usd_per_cwt", 214), ("$1,250 / cwt", "usd_per_cwt", 1250)],
)  # fmt: skip
def test_a_price_may_say_its_unit(cell: str, unit: str, price: float):
    read = parse_cell(LOTS("price"), cell)
    assert (read, read.unit) == (price, unit)


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        (LOTS("lean"), "905", "90.5 or 0.905"),
        (LOTS("lean"), "1", "1% or 100%"),
        (LOTS("lean"), 1, "1% or 100%"),
        (LOTS("lean"), "0,90", "90%"),
        (LOTS("lean"), "90,5", "90.5%"),
        (LOTS("lean"), "-0.1", "0% to 100%"),
        (LOTS("lean"), "lean", "90, 90% or 0.90"),
        (LOTS("lean"), "$90", ""),
        (LOTS("lean"), True, ""),
        (PRODUCTS("tolerance_below_points"), "2%", "2 points"),
        (PRODUCTS("tolerance_below_points"), "-1", ""),
        (SETTING_COLUMNS["gap_share"], "200", "0% to 100%"),
        (LOTS("price"), "-1", ""),
        (LOTS("price"), "nan", ""),
        (LOTS("price"), "inf", ""),
        (LOTS("price"), float("nan"), ""),
        (LOTS("price"), float("inf"), ""),
        (LOTS("price"), 10**400, ""),
        (LOTS("price"), "1e999", ""),
        (LOTS("price"), "2,61", "2.61"),
        (LOTS("price"), "1.234,5", "1234.5"),
        (LOTS("price"), "185 cents", "185 cents/lb"),
        (LOTS("freight_usd_per_cwt"), "3 cents", "3 cents/lb"),
        (LOTS("price"), date(2026, 2, 1), "date"),
        (LOTS("quantity_lb"), "2 000 lb", "2000"),
        (LOTS("quantity_lb"), "$2000", "2000"),
        (LOTS("quantity_lb"), "٣", ""),
        (LOTS("quantity_lb"), "#N/A", "formula"),
        (LOTS("quantity_lb"), Uncalculated("=A1*2"), "formula"),
        (LOTS("use_by"), "2026-02-30", "no such day"),
        (LOTS("use_by"), "31.03.2026", "2026-03-31"),
        (LOTS("use_by"), "31/03/2026", "2026-03-31"),
        (LOTS("use_by"), "3.4.2026", "2026-03-04 or 2026-04-03"),
        (LOTS("use_by"), "2026/3/4", "2026-03-04"),
        (LOTS("use_by"), "20260304", "year"),
        (LOTS("use_by"), "46081", "2026-02-28"),
        (LOTS("use_by"), 4.5, "date"),
        (LOTS("use_by"), datetime(2026, 2, 1, 12), "time"),
        (LOTS("fresh_or_frozen"), "frozn", "Did you mean frozen?"),
        (LOTS("species"), "BEFF", "Did you mean beef?"),
        (LOTS("species"), "fish", "beef"),
        (LOTS("must_take_all"), "maybe", "yes or no"),
        (LOTS("lot_id"), "", ""),
        (LOTS("lot_id"), "a|b", ""),
        (LOTS("item"), "a;b", ""),
        (LOTS("item"), "a\u200bb", "U+200B"),
        (LOTS("item"), "a\x00b", "U+0000"),
        (LOTS("item"), date(2026, 9, 5), "date"),
        (LOTS("item"), "x" * 40_000, "32,767"),
        (LOTS("label_claims"), "natural, organic", "|"),
        (LOTS("label_claims"), "natural||organic", "|"),
        (LOTS("label_claims"), "natural|natural", "once"),
        (PRODUCTS("species"), "beef|prok", "Did you mean pork?"),
        (RULES("max_count"), "2.5", ""),
        (RULES("max_count"), "0", ""),
        (RULES("lots"), "frozen", "attribute=value"),
        (RULES("lots"), "lean>=905", "85 or 0.85"),
        (RULES("lots"), "lean>=1", "1% or 100%"),
        (RULES("lots"), "lean>=nan", "85 or 0.85"),
        (CANVASS("heard_at"), "2026-11-20 25:00", "no such time"),
    ],
)
def test_a_faulty_cell_is_refused_with_what_to_enter(column: Column, cell, says: str):
    with pytest.raises(CellRefused) as refused:
        parse_cell(column, cell)
    assert says in " ".join(refused.value.words(column, cell))


def test_hints_for_numbers_are_numbers_the_column_allows():
    for column in (LOTS("lean"), LOTS("price"), LOTS("container_lb")):
        for text in ("0,5", "2.000,5", "1.000.000", "1'000"):
            with pytest.raises(CellRefused) as refused:
                parse_cell(column, text)
            for entered in re.findall(r"[\d.]*\d%?", refused.value.hint):
                if entered not in ("0", "1"):
                    parse_cell(column, entered)


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
    assert shown("  ") == "blank"
