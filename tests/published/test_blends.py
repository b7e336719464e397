"""Published blends, answered by every solver of the linear program."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.published.cases import (
    CONTEST_GROUND_BEEF,
    LADDER_USD_PER_CWT,
    WORKED_CASES,
    WorkedCase,
    make_case,
    make_lot,
    make_product,
)
from tests.solvers import LINEAR_SOLVERS

each_solver = pytest.mark.parametrize("solve", LINEAR_SOLVERS.values(), ids=LINEAR_SOLVERS.keys())


@each_solver
@pytest.mark.parametrize("worked", WORKED_CASES, ids=lambda worked: worked.name)
def test_published_answer(worked: WorkedCase, solve):
    answer = solve(worked.case)
    assert answer.objective_usd == pytest.approx(worked.objective_usd, rel=0, abs=worked.within_usd)
    for lot in worked.case.lots:
        expected = pytest.approx(worked.use_lb.get(lot.lot_id, 0.0), rel=0, abs=worked.within_lb)
        assert answer.use_lb[lot.lot_id, "ground"] == expected
        assert answer.take_lb[lot.lot_id] == expected


@each_solver
def test_contest_prints_what_the_best_pair_saves(solve):
    # question 8 of the same sheet: 500 USD saved on 10,000 lb against the other pair, at
    # prices rounded to the cent as the sheet asks
    case = CONTEST_GROUND_BEEF.case
    without_brisket = make_case(
        [lot for lot in case.lots if lot.lot_id != "brisket"], list(case.products), *case.rules
    )
    best = round(solve(case).objective_usd / 10_000, 2)
    other = round(solve(without_brisket).objective_usd / 10_000, 2)
    assert (best, other) == (0.97, 1.02)
    assert 10_000 * (other - best) == pytest.approx(500)


@each_solver
@pytest.mark.parametrize("lean", [0.749, 0.901])
def test_no_blend_is_leaner_or_fatter_than_all_its_lots(lean: float, solve):
    lots = [make_lot("90s", 0.90, 0.99), make_lot("75s", 0.75, 0.79)]
    assert solve(make_case(lots, [make_product(lean, 1_000)])).objective_usd is None


@each_solver
@pytest.mark.parametrize("lean", [0.75, 0.90])
def test_a_blend_as_lean_as_a_lot_is_that_lot(lean: float, solve):
    lots = [make_lot("0.90", 0.90, 0.99), make_lot("0.75", 0.75, 0.79)]
    answer = solve(make_case(lots, [make_product(lean, 1_000)]))
    assert answer.use_lb[f"{lean:.2f}", "ground"] == pytest.approx(1_000)


@each_solver
@settings(max_examples=25, deadline=None)
@given(
    fatter=st.floats(0.40, 0.70),
    step=st.floats(0.05, 0.25),
    part=st.floats(0, 1),
    prices=st.tuples(st.floats(0.1, 4), st.floats(0.1, 4)),
    order_lb=st.floats(100, 40_000),
)
def test_two_lots_meet_as_in_pearsons_square(fatter, step, part, prices, order_lb, solve):
    # the square: the share of the leaner lot is (target - fatter) / (leaner - fatter)
    leaner = fatter + step
    target = fatter + part * step
    lots = [make_lot("leaner", leaner, prices[0]), make_lot("fatter", fatter, prices[1])]
    answer = solve(make_case(lots, [make_product(target, order_lb)]))
    share = (target - fatter) / (leaner - fatter)
    assert answer.use_lb["leaner", "ground"] == pytest.approx(share * order_lb, abs=0.01)
    assert answer.use_lb["fatter", "ground"] == pytest.approx((1 - share) * order_lb, abs=0.01)
    cost = order_lb * (share * prices[0] + (1 - share) * prices[1])
    assert answer.objective_usd == pytest.approx(cost, rel=1e-5)


@each_solver
@settings(max_examples=25, deadline=None)
@given(point=st.integers(65, 93), tolerance=st.sampled_from([0.0, 0.005, 0.01]))
def test_the_ladders_min_cost_lies_on_its_lower_hull(point: int, tolerance: float, solve):
    # published prices; the hull is had by trying every pair, with no solver
    lean = point / 100
    lots = [make_lot(f"{step:.0%}", step, usd / 100) for step, usd in LADDER_USD_PER_CWT.items()]
    product = make_product(
        lean, 100, tolerance_below_share=tolerance, tolerance_above_share=tolerance
    )
    ends = [max(0.65, lean - tolerance), min(0.93, lean + tolerance)]
    inside = [step for step in LADDER_USD_PER_CWT if ends[0] <= step <= ends[1]]
    minimum = min(_hull_usd_per_cwt(step) for step in ends + inside)
    answer = solve(make_case(lots, [product]))
    assert answer.objective_usd == pytest.approx(minimum, rel=1e-6)


def _hull_usd_per_cwt(lean: float) -> float:
    costs = [price for step, price in LADDER_USD_PER_CWT.items() if step == lean]
    for fatter, low in LADDER_USD_PER_CWT.items():
        for leaner, high in LADDER_USD_PER_CWT.items():
            if fatter < leaner and fatter <= lean <= leaner:
                share = (lean - fatter) / (leaner - fatter)
                costs.append(share * high + (1 - share) * low)
    return min(costs)
