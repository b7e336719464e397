"""One Ctrl-C ends a question: with the best so far, marked as such, or with nothing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from blend.domain.rules import WholeContainers
from blend.errors import NoPlan
from blend.grinder import plan as plan_module
from blend.grinder import plan_days as days_module
from blend.grinder import safe as safe_module
from blend.grinder.days import DaysAnswer
from blend.grinder.plan import make_plan
from blend.grinder.plan_days import plan_days
from blend.grinder.safe import OneTest, SafePlan, make_safe_plan
from blend.model import solver
from tests.grinder.example_plan import answer
from tests.grinder.uncertain import chance_constraints, day, spread
from tests.model.tables import with_product
from tests.trader.horizons import make_horizon

DAY = day(WholeContainers.TAKEN)


@contextmanager
def ctrl_c_in_search(number: int, *, found: bool) -> Iterator[list[int]]:
    """Let Ctrl-C come in one of the searches in whole numbers, after it has found a plan or
    before. Gives a list with an entry for each search begun."""
    run, begun = solver._run_interruptibly, []

    def interrupted(highs, stopped):
        begun.append(len(begun) + 1)
        if len(begun) != number:
            return run(highs, stopped)
        if found:
            run(highs, stopped)
        else:
            highs.setOptionValue("time_limit", 0.0)
            highs.run()
        return True

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(solver, "_run_interruptibly", interrupted)
        yield begun


def searches_of_plan() -> int:
    with ctrl_c_in_search(0, found=True) as begun:
        make_plan(DAY, shadow_prices=False)
    return len(begun)


def safe_plan(test: OneTest | None = None) -> SafePlan:
    return make_safe_plan(DAY, spread(), chance_constraints(), test=test)


def test_ctrl_c_in_the_search_without_chance_constraints_ends_a_safe_plan():
    with ctrl_c_in_search(1, found=True) as begun, pytest.raises(KeyboardInterrupt):
        safe_plan()
    assert len(begun) <= searches_of_plan()


def test_ctrl_c_before_a_plan_that_keeps_its_chance_constraints_leaves_nothing():
    first = searches_of_plan() + 1
    with ctrl_c_in_search(first, found=False) as begun, pytest.raises(KeyboardInterrupt):
        safe_plan()
    assert len(begun) == first


@pytest.mark.slow
def test_ctrl_c_in_any_search_with_chance_constraints_keeps_the_best_so_far_and_says_so():
    first = searches_of_plan() + 1
    with ctrl_c_in_search(0, found=True) as begun:
        safe_plan()
    weighings = 5
    kept = []
    for number in range(first, len(begun) + 1):
        with ctrl_c_in_search(number, found=True) as begun:
            try:
                kept.append(safe_plan(OneTest(100.0, 0.005)))
            except KeyboardInterrupt:
                continue  # what was found until then misses its confidence
        assert len(begun) <= number + weighings
    stopped = [made for made in kept if made.plan.stopped_early]
    assert stopped
    for made in stopped:
        bound = made.plan.certificate.bound
        assert made.is_kept and bound.bound_usd <= bound.objective_usd and bound.gap_share < 1
        assert not made.tests and made.tests_stopped


def test_ctrl_c_while_tests_are_priced_keeps_the_plan_and_the_tests_so_far(monkeypatch):
    each = safe_module._each_test

    def interrupted(*parts):
        yield next(each(*parts))
        raise KeyboardInterrupt

    monkeypatch.setattr(safe_module, "_each_test", interrupted)
    made = safe_plan(OneTest(100.0, 0.005))
    assert made.is_kept and made.tests_stopped and len(made.tests) == 1


def test_ctrl_c_in_pricing_keeps_the_plan_and_says_so(monkeypatch):
    def interrupted(*parts):
        raise KeyboardInterrupt

    monkeypatch.setattr(plan_module, "lot_break_evens", interrupted)
    plan = make_plan(DAY)
    assert plan.runs and plan.marginal_costs and not plan.break_evens
    assert plan.pricing_stopped and not plan.stopped_early
    assert "stopped early" in answer(DAY, plan).screen(["break-even"])


def test_ctrl_c_in_pricing_keeps_the_plan_of_several_days_and_says_so(monkeypatch):
    def interrupted(solved):
        raise KeyboardInterrupt

    horizon = make_horizon(0)
    whole = plan_days(horizon)
    monkeypatch.setattr(days_module, "day_shadow_prices", interrupted)
    plan = plan_days(horizon)
    assert whole.order_prices and not plan.order_prices
    assert plan.is_valid and plan.money == whole.money and plan.pricing_stopped
    assert any("Pricing stopped early" in each for each in DaysAnswer(horizon, plan).warnings)
    assert not any("stopped early" in each for each in DaysAnswer(horizon, whole).warnings)


def test_ctrl_c_while_a_infeasible_is_explained_ends_the_explanation():
    case = with_product(DAY, "ninety", min_lb=500_000.0, max_lb=500_000.0)
    with ctrl_c_in_search(0, found=True) as begun, pytest.raises(NoPlan):
        make_plan(case)
    in_all = len(begun)
    with ctrl_c_in_search(3, found=True) as begun, pytest.raises(NoPlan) as no_plan:
        make_plan(case)
    assert no_plan.value.infeasible.requirements
    assert len(begun) == 3 < in_all
