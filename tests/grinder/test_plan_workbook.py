"""The plan's workbook: texts stay texts, files are whole, the floor sees no prices."""

import errno
import os
from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from blend.domain.case import Case
from blend.errors import FileTrouble
from blend.grinder.plan_workbook import (
    batch_sheets,
    inputs_digest,
    plan_number,
    plan_workbook,
    write_plan_workbook,
)
from blend.output.workbook import add_sheet
from tests.grinder.example_plan import answer, any_plan, example_case, example_plan
from tests.strategies import cases

CASE = example_case()
PLAN = example_plan(CASE)
AT = datetime(2026, 11, 25, 6, 10)
FLOOR = ("Pull list", "Work order", "GB80", "GC73")
HOSTILE = ("=cmd|' /C calc'!A0", "+1+1", "-2", "@SUM(A1)", "#N/A", "=1\x00+\x1b1", "<a>&'\"")
NAMES = st.text(max_size=40) | st.sampled_from(("Money", "HISTORY", "''", "a/b", "a:b", "x" * 40))


def write(path, case=CASE, plan=PLAN, at=AT):
    write_plan_workbook(answer(case, plan), path, at)
    return path


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    return load_workbook(write(tmp_path_factory.mktemp("book") / "plan.xlsx"))


def cells(sheet):
    return [cell for row in sheet.iter_rows() for cell in row if cell.value is not None]


def texts(sheet) -> str:
    return " ".join(str(cell.value) for cell in cells(sheet))


def test_every_sheet_carries_plan_number_print_time_and_digest(book):
    for sheet in book:
        stamp = sheet["A2"].value
        assert plan_number(PLAN, CASE) in stamp and inputs_digest(CASE) in stamp
        assert "Nov 25, 2026 06:10" in stamp
        assert sheet.print_title_rows and sheet.page_setup.fitToWidth == 1


def test_number_and_digest_follow_the_plan_and_the_tables():
    lots = (replace(CASE.lots[0], price_usd_per_lb=9.99), *CASE.lots[1:])
    other = replace(CASE, lots=lots)
    assert inputs_digest(other) != inputs_digest(CASE) == inputs_digest(example_case())
    runs = (replace(PLAN.runs[0], batches=6), *PLAN.runs[1:])
    assert plan_number(replace(PLAN, runs=runs), CASE) != plan_number(PLAN, CASE)


def test_the_floor_sees_no_prices(book):
    prices = {f"{100 * lot.delivered_usd_per_lb:.2f}" for lot in CASE.lots}
    for name in FLOOR:
        shown = texts(book[name])
        assert "$" not in shown
        assert not any(price in shown for price in prices)


def test_purchases_have_what_every_lot_costs(book):
    numbers = [cell.value for cell in cells(book["Purchases"]) if cell.data_type == "n"]
    money = PLAN.money
    cost = money.meat_usd + money.freight_usd + money.stock_books_usd
    assert cost == pytest.approx(max(numbers))


def test_a_batch_sheet_has_a_column_to_write_in_for_every_batch(book):
    shown = texts(book["GB80"])
    assert all(f"Batch {number}, actual lb" in shown for number in range(1, 6))
    for word in ("Tested fat", "Temperature", "Initials", "Checked by", "no water"):
        assert word in shown


def test_long_lot_numbers_print_whole():
    number = "SUPPLIER-LOT-2026-11-25-000123456789"
    lots = tuple(replace(lot, lot_id=f"{number}-{lot.lot_id}") for lot in CASE.lots)
    case = replace(CASE, lots=lots)
    for sheet in plan_workbook(answer(case, any_plan(case)), AT):
        for cell in cells(sheet):
            if str(cell.value).startswith(number) and " " not in str(cell.value):
                assert sheet.column_dimensions[cell.column_letter].width >= len(cell.value)


def with_names(name: str) -> Case:
    """The example with a hostile name wherever a user's text can stand."""
    lots = tuple(replace(lot, item=name, origin=name) for lot in CASE.lots)
    products = tuple(replace(product, name=name) for product in CASE.products)
    standards = tuple(replace(row, title=name, section=name, note=name) for row in CASE.standards)
    plant = replace(CASE.settings, plant=name)
    return Case(plant, lots, products, CASE.rules, CASE.losses, standards)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_texts(name, tmp_path):
    written = load_workbook(write(tmp_path / "plan.xlsx", with_names(name)))
    found = [cell for sheet in written for cell in cells(sheet)]
    assert {cell.data_type for cell in found} <= {"s", "inlineStr", "n"}
    shown = name.replace("\x00", " ").replace("\x1b", " ")
    items = [cell for cell in found if cell.value == shown]
    assert items
    if name[0] in "=+-@":
        assert all(cell.quotePrefix for cell in items)


@settings(max_examples=8, deadline=None)
@given(cases(max_lots=4, max_products=2))
def test_any_case_has_a_workbook_without_formulas(case):
    book = plan_workbook(answer(case, any_plan(case)), AT)
    assert all(cell.data_type != "f" for sheet in book for cell in cells(sheet))


@settings(max_examples=50, deadline=None)
@given(st.lists(NAMES, max_size=6))
def test_sheet_names_are_ones_a_spreadsheet_takes_and_never_met_twice(names):
    book = Workbook()
    for name in names:
        title = add_sheet(book, name, "title", "stamp").title
        assert 0 < len(title) <= 31 and not set(title) & set("[]:*?/\\")
        assert title.strip("'") == title and title.casefold() != "history"
    titles = [title.casefold() for title in book.sheetnames]
    assert len(set(titles)) == len(titles)


def test_the_same_plan_and_time_give_the_same_bytes(tmp_path):
    one, two = write(tmp_path / "one.xlsx"), write(tmp_path / "two.xlsx")
    assert one.read_bytes() == two.read_bytes()


def test_no_folder_or_a_folder_in_its_place_is_file_trouble(tmp_path):
    with pytest.raises(FileTrouble, match=r"plan\.xlsx: there is no folder"):
        write(tmp_path / "nowhere" / "plan.xlsx")
    (tmp_path / "plan.xlsx").mkdir()
    with pytest.raises(FileTrouble, match="is a folder"):
        write(tmp_path / "plan.xlsx")
    assert os.listdir(tmp_path) == ["plan.xlsx"]


def test_a_full_disk_leaves_the_older_workbook_whole(tmp_path, monkeypatch):
    path = tmp_path / "plan.xlsx"
    path.write_text("older")

    def full(source, target):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(FileTrouble, match="No space left on device"):
        write(path)
    assert path.read_text() == "older"
    assert os.listdir(tmp_path) == ["plan.xlsx"]


def test_a_label_that_the_plan_makes_necessary_is_on_the_sheet_of_that_product(book):
    assert "a buyer may refuse it" in texts(book["GB80"])
    assert "a buyer may refuse it" not in texts(book["GC73"])


def test_batches_of_several_recipes_are_numbered_through():
    plan = replace(PLAN, runs=(PLAN.runs[0], replace(PLAN.runs[0], batches=2), PLAN.runs[1]))
    first, second, _ = batch_sheets(CASE, plan)
    assert [*first.batches, *second.batches] == [1, 2, 3, 4, 5, 6, 7]
    assert [number for group in first.batch_groups for number in group] == [1, 2, 3, 4, 5]
