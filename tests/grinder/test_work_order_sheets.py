"""The work order on paper: every batch, boxes to fill in, no money, long lot numbers whole."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from openpyxl import load_workbook

from blend.errors import InputRefused
from blend.grinder.plan import make_plan
from blend.grinder.plan_workbook import inputs_digest, plan_number
from blend.grinder.work_order import BLANKS, work_order
from blend.grinder.work_order_sheets import check_ending, write_work_order
from blend.output.formats import format_of
from blend.reading import read_ready_case

DEMO = Path(__file__).parents[2] / "demo_data"
AT = datetime(2026, 11, 25, 6, 10)
LONG = "SUPPLIER-LOT-2026-11-25-000123456789"


@pytest.fixture(name="made", scope="module")
def made_plan(searches_kept):
    case = read_ready_case(DEMO).case
    lots = tuple(replace(each, lot_id=f"{LONG}-{each.lot_id}") for each in case.lots)
    rules = tuple(each for each in case.rules if each.rule_id != "use today")
    case = replace(case, lots=lots, rules=rules)
    plan = make_plan(case, shadow_prices=False)
    return case, plan, work_order(case, plan)


@pytest.fixture(name="book", scope="module")
def written_book(made, tmp_path_factory):
    path = tmp_path_factory.mktemp("work") / "order.xlsx"
    write_work_order(made[2], made[1], path, AT)
    return load_workbook(path)


def texts(sheet) -> str:
    return "\n".join(str(cell.value) for row in sheet.iter_rows() for cell in row if cell.value)


def test_a_sheet_for_the_run_order_and_one_for_each_product(made, book):
    case, plan, order = made
    products = list(dict.fromkeys(batch.product_id for batch in order.batches))
    assert book.sheetnames == ["Run order", *products]
    for sheet in book:
        stamp = sheet["A2"].value
        assert plan_number(plan, case) in stamp and inputs_digest(case) in stamp
        assert "Nov 25, 2026 06:10" in stamp
        assert sheet.print_title_rows and sheet.page_setup.fitToWidth == 1


def test_every_box_of_the_record_is_on_every_product(book):
    for sheet in book.worksheets[1:]:
        shown = texts(sheet)
        assert all(format_of(name).title in shown for name in BLANKS)


def test_it_holds_no_money(made, book, tmp_path):
    case, plan, order = made
    path = tmp_path / "order.html"
    write_work_order(order, plan, path, AT)
    prices = "|".join(f"{100 * lot.delivered_usd_per_lb:.2f}" for lot in case.lots)
    for shown in (path.read_text(), *map(texts, book)):
        assert "$" not in shown
        assert not re.search(rf"(?<![\d.])({prices})(?!\d)", shown)


def test_the_label_a_plan_makes_necessary_is_on_that_product_only(made, book):
    warned = {
        check.requirement.product_id
        for check in made[1].certificate.checks
        if check.verdict.value == "warning"
    }
    assert warned
    for sheet in book.worksheets[1:]:
        assert ("this plan is over it" in texts(sheet)) == (sheet.title in warned)


def test_long_lot_numbers_print_whole(made, book, tmp_path):
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                if str(cell.value).startswith(LONG):
                    assert sheet.column_dimensions[cell.column_letter].width > len(cell.value)
    path = tmp_path / "order.html"
    write_work_order(made[2], made[1], path, AT)
    page = path.read_text()
    assert all(f">{take.lot_id}</td>" in page for take in made[1].takes)


def test_another_ending_is_refused():
    with pytest.raises(InputRefused):
        check_ending(Path("order.pdf"))
