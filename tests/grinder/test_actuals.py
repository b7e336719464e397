"""Plan against actual: a work order filled in as planned has no difference, and each one shows."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
from openpyxl import load_workbook

from blend.errors import InputRefused
from blend.grinder.actuals import read_actuals
from blend.grinder.plan import make_plan
from blend.grinder.work_order import work_order
from blend.grinder.work_order_sheets import write_work_order
from blend.output.formats import format_of
from blend.reading import read_ready_case

DEMO = Path(__file__).parents[2] / "demo_data"
AT = datetime(2026, 11, 25, 6, 10)


@pytest.fixture(name="day", scope="module")
def a_day(searches_kept, tmp_path_factory):
    case = read_ready_case(DEMO).case
    plan = make_plan(case, shadow_prices=False)
    path = tmp_path_factory.mktemp("day") / "order.xlsx"
    write_work_order(work_order(case, plan), plan, path, AT)
    return case, plan, path


def filled(day, path, *, over_lb=0.0, fatter_percent=0.0, text=None, batches=10**6):
    """The work order with every box of its first batches written in, off the plan by so much."""
    _, plan, empty = day
    book = load_workbook(empty)
    lean = {run.product_id: 100 * run.lean for run in plan.runs}
    titles = {
        name: format_of(name).title
        for name in ("planned_lb", "actual_lb", "finished_lb", "weighed_out_lb")
    }
    fat = format_of("tested_fat_percent").title
    for sheet in book.worksheets[1:]:
        at: dict = {}
        for row in sheet.iter_rows():
            heads = {cell.value: cell.column for cell in row if cell.value}
            if "Batch" in heads:
                at = heads
            elif at and isinstance(row[0].value, int | float) and row[0].value <= batches:
                if titles["actual_lb"] in at:
                    planned = sheet.cell(row[0].row, at[titles["planned_lb"]]).value
                    value = text or planned + over_lb
                    sheet.cell(row[0].row, at[titles["actual_lb"]]).value = value
                else:
                    made = sheet.cell(row[0].row, at[titles["finished_lb"]]).value
                    sheet.cell(row[0].row, at[titles["weighed_out_lb"]]).value = made
                    sheet.cell(row[0].row, at[fat]).value = 100 - lean[sheet.title] + fatter_percent
    book.save(path)
    return path


def test_a_day_made_as_planned_has_no_difference(day, tmp_path):
    actuals = read_actuals(day[0], filled(day, tmp_path / "done.xlsx"))
    products = actuals.products
    assert actuals.is_same_input
    assert (products["over_plan_lb"] == 0).all()
    assert products["yield_percent"].tolist() == pytest.approx(
        products["planned_yield_percent"].tolist()
    )
    assert products["giveaway_points"].abs().max() < 1e-9
    figures = actuals.figures
    assert figures["actual_meat_usd"] == pytest.approx(figures["planned_meat_usd"])
    assert products["planned_lb"].sum() == sum(take.used_lb for take in day[1].takes)


def test_meat_over_the_plan_costs_its_price_and_lowers_the_yield(day, tmp_path):
    actuals = read_actuals(day[0], filled(day, tmp_path / "done.xlsx", over_lb=10))
    weighed, case = actuals.weighed, day[0]
    cost = sum(10 * case.lot(lot_id).cost_usd_per_lb for lot_id in weighed["lot_id"])
    figures = actuals.figures
    assert figures["actual_meat_usd"] - figures["planned_meat_usd"] == pytest.approx(cost)
    assert (actuals.products["yield_percent"] < actuals.products["planned_yield_percent"]).all()


def test_a_point_leaner_is_a_point_given_away(day, tmp_path):
    actuals = read_actuals(day[0], filled(day, tmp_path / "done.xlsx", fatter_percent=-1))
    assert actuals.products["giveaway_points"].tolist() == pytest.approx(
        [1.0] * len(actuals.products)
    )
    assert actuals.figures["giveaway_usd"] > 0


def test_blanks_are_counted_and_left_out(day):
    actuals = read_actuals(day[0], day[2])
    figures = actuals.figures
    assert figures["lots_not_weighed"] == len(actuals.weighed)
    assert figures["batches_not_tested"] == len(actuals.batches) == 41
    assert figures["planned_meat_usd"] == figures["actual_meat_usd"] == 0
    assert "without an actual weight" in actuals.screen()


def test_what_is_no_weight_is_refused_cell_by_cell(day, tmp_path):
    with pytest.raises(InputRefused) as refused:
        read_actuals(day[0], filled(day, tmp_path / "bad.xlsx", text="about a ton"))
    assert len(refused.value.problems) == len(read_actuals(day[0], day[2]).weighed)


def test_another_workbook_is_refused(day, tmp_path):
    book = load_workbook(day[2])
    del book["Run order"]
    book.save(tmp_path / "other.xlsx")
    with pytest.raises(InputRefused, match="no work order"):
        read_actuals(day[0], tmp_path / "other.xlsx")


def test_batches_move_the_lean_of_the_lots_in_them(day, tmp_path):
    fatter = read_actuals(day[0], filled(day, tmp_path / "done.xlsx", fatter_percent=0.5)).lots
    assert len(fatter)
    assert (fatter["moved_points"] < 0.2).all()
    assert fatter["moved_points"].mean() < -0.2
    assert (fatter["by_batches_error_points"] < 1.0).all()
    same = read_actuals(day[0], filled(day, tmp_path / "done.xlsx")).lots
    assert same["moved_points"].abs().max() < 1e-6
