"""The rest of the day: orders, meat and lean after the batches that were written down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.uncertainty import LeanUncertainty
from blend.grinder.actuals import read_actuals
from blend.grinder.odds import errors_of
from blend.grinder.plan import make_plan
from blend.grinder.rest_of_day import rest_of_day
from blend.grinder.work_order import work_order
from blend.grinder.work_order_sheets import write_work_order
from blend.lean.batch_evidence import TestedBatch, lots_after
from tests.grinder.test_actuals import AT, filled
from tests.grinder.test_compare import DEMO, read_ready_case
from tests.grinder.test_stock import OFFER, case_of


@pytest.fixture(name="day", scope="module")
def a_small_day(tmp_path_factory):
    case = read_ready_case(DEMO / "no_plan").case
    orders = tuple(replace(each, min_lb=8000.0, max_lb=8100.0) for each in case.products)
    case = replace(case, products=orders)
    plan = make_plan(case, shadow_prices=False)
    path = tmp_path_factory.mktemp("day") / "order.xlsx"
    write_work_order(work_order(case, plan), plan, path, AT)
    return case, plan, path


def rest_of(day, path, batches=3, counted=None, **more):
    actuals = read_actuals(day[0], filled(day, path, batches=batches, **more))
    return rest_of_day(day[0], actuals, errors_of(day[0], {}), counted or {})


def test_a_morning_as_planned_leaves_the_other_batches_and_the_meat_bought(day, tmp_path):
    plan = day[1]
    rest = rest_of(day, tmp_path / "half.xlsx")
    assert rest.batches_done == 3
    made = {run.product_id: run.batches * run.finished_lb for run in plan.runs}
    left = make_plan(rest.case, shadow_prices=False)
    assert left.certificate.is_valid
    again = {run.product_id: run.batches * run.finished_lb for run in left.runs}
    done_lb = sum(made.values()) - sum(again.values())
    assert 0 < done_lb < sum(made.values())
    for each in rest.case.products:
        assert made[each.product_id] - again.get(each.product_id, 0) >= -15
    used = {}
    for line in planned_of(day, tmp_path, 3):
        used[line.lot_id] = used.get(line.lot_id, 0.0) + line.pounds_lb
    for take in plan.takes:
        was, now = day[0].lot(take.lot_id), rest.case.lot(take.lot_id)
        there_lb = was.quantity_lb if was.is_on_hand else take.pounds_lb
        assert now.is_on_hand
        assert now.quantity_lb == pytest.approx(there_lb - used.get(take.lot_id, 0.0), abs=1)


def planned_of(day, tmp_path, batches):
    weighed = read_actuals(day[0], tmp_path / "half.xlsx").weighed
    own = weighed[weighed["batch"] <= batches]
    return own.rename(columns={"planned_lb": "pounds_lb"}).itertuples()


def test_what_was_counted_goes_before_what_the_weights_leave(day, tmp_path):
    lot_id = day[1].takes[0].lot_id
    rest = rest_of(day, tmp_path / "half.xlsx", counted={lot_id: 1234.0})
    assert rest.case.lot(lot_id).quantity_lb == 1234.0


def test_fatter_batches_make_the_lots_in_them_fatter(day, tmp_path):
    rest = rest_of(day, tmp_path / "half.xlsx", fatter_percent=1.0)
    weighed = read_actuals(day[0], tmp_path / "half.xlsx").weighed
    used = set(weighed.loc[weighed["actual_lb"].notna(), "lot_id"])
    assert used
    for lot_id in used:
        assert rest.case.lot(lot_id).lean < day[0].lot(lot_id).lean
    assert rest.lean_moved.keys() & used
    same = rest_of(day, tmp_path / "same.xlsx", fatter_percent=0.0)
    assert not same.lean_moved


def test_an_order_with_too_little_left_for_a_batch_is_done(day, tmp_path):
    rest = rest_of(day, tmp_path / "done.xlsx", batches=99)
    assert all(each.min_lb == 0 for each in rest.case.products)
    assert make_plan(rest.case, shadow_prices=False).runs == ()


SHARES = st.floats(0.05, 1.0)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.tuples(SHARES, SHARES, SHARES, st.floats(0.7, 0.9)), min_size=1, max_size=4),
    st.floats(0.002, 0.01),
)
def test_lean_after_batches_is_the_normal_conditional_in_precision_form(batches, sd):
    """Without losses a batch is linear in the lots' lean, so the textbook's other form of the same
    posterior must agree: precisions add."""
    names = ("A", "B", "C")
    case = case_of(*(OFFER | {"lot_id": name, "lean": 80} for name in names))
    errors = {
        "A": LeanUncertainty("A", 0.01, 0.0, (0.005,)),
        "B": LeanUncertainty("B", 0.008, 0.0, (0.005,)),
        "C": LeanUncertainty("C", 0.012, 0.0),
    }
    tested = [
        TestedBatch("GB80", dict(zip(names, pounds, strict=True)), lean, sd)
        for *pounds, lean in batches
    ]
    found = lots_after(case, errors, tested)
    prior = np.diag([0.01**2, 0.008**2, 0.012**2])
    prior[:2, :2] += 0.005**2
    rows = np.array([pounds for *pounds, _ in batches])
    rows /= rows.sum(1, keepdims=True)
    precision = np.linalg.inv(prior) + rows.T @ rows / sd**2
    surprise = np.array([lean for *_, lean in batches]) - 0.8
    mean = np.clip(0.8 + np.linalg.solve(precision, rows.T @ surprise / sd**2), 0, 1)
    assert [found.lean[name] for name in names] == pytest.approx(mean.tolist(), abs=1e-6)
    root = np.array([found.errors[name].shared_error for name in names])
    assert root @ root.T == pytest.approx(np.linalg.inv(precision), abs=1e-8)
