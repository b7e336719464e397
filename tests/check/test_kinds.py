"""Every kind of answer: its certificate or check accepts a right one and finds each wrong one."""

from __future__ import annotations

import ast
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import blend.check
from blend.check.arrays import dual_bound_of_arrays_usd
from blend.check.chance import check_chance_constraints
from blend.check.check import check_plan
from blend.check.clearing import certify_clearing
from blend.check.days import check_days
from blend.check.statement import dual_bound_usd
from blend.domain.plan import Verdict
from blend.domain.prices import DualPrices
from blend.grinder.plan import make_plan
from blend.grinder.plan_days import plan_days
from blend.model.horizon import solve_horizon
from blend.model.market import clear
from tests.check import (
    test_clearing,
    test_correct,
    test_curves,
    test_regions,
    test_safe,
    test_why,
)
from tests.grinder.uncertain import day
from tests.trader.horizons import make_horizon


@dataclass(frozen=True)
class Kind:
    """One kind of answer: is a right one accepted, and each of some wrong ones?"""

    function: str
    """The function of `blend.check` that judges."""
    right: Callable[[], bool]
    wrong: Mapping[str, Callable[[], bool]]


def _kind(
    function: str,
    right: Any,
    corruptions: Mapping[str, Callable[[], Any]],
    is_valid: Callable[[Any], bool],
) -> Kind:
    """A kind whose wrong answers are made by corrupting a right one."""
    wrong = {name: lambda make=make: is_valid(make()) for name, make in corruptions.items()}
    return Kind(function, lambda: is_valid(right), wrong)


@cache
def _plan():
    return make_plan(day(), shadow_prices=False)


def _keeps_all(plan) -> bool:
    checks = check_plan(day(), plan.takes, plan.runs, plan.shortage_lb)
    return all(check.verdict is not Verdict.BROKEN for check in checks)


def _plan_with_less() -> bool:
    plan = _plan()
    run = plan.runs[0]
    return _keeps_all(replace(plan, runs=(replace(run, ingredients=run.ingredients[1:]),)))


def _is_bounded(bound_usd: float) -> bool:
    """A bound that a plan undercuts is none; one far below it is no use."""
    plan = _plan()
    return bound_usd <= plan.certificate.bound.objective_usd < bound_usd + 1


@cache
def _bound() -> float:
    return _plan().certificate.bound.bound_usd


def _bound_without_an_order() -> bool:
    case = day()
    product = replace(case.products[0], min_lb=0.0, max_lb=None)
    fewer = replace(case, products=(product, *case.products[1:]))
    return _is_bounded(make_plan(fewer, shadow_prices=False).certificate.bound.bound_usd)


def _chance_constraints_kept(uncertainty, runs=test_safe.SAFE.plan.runs) -> bool:
    checks = check_chance_constraints(test_safe.CASE, runs, uncertainty, test_safe.CONSTRAINTS)
    return all(check.is_kept for check in checks)


@cache
def _days():
    return plan_days(make_horizon(3), shadow_prices=False)


def _days_bounded(changed: Callable[[np.ndarray], np.ndarray] = lambda prices: prices) -> bool:
    """Whether the bound of row prices is the cost of the plan; it is never above that."""
    solved = solve_horizon(make_horizon(3), divisible=True)
    model, answer = solved.model, solved.answer
    entries = model.matrix.row, model.matrix.column, model.matrix.value
    limits = model.row_lower, model.row_upper
    bound_usd = dual_bound_of_arrays_usd(
        model.cost, model.upper, entries, limits, changed(answer.row_dual)
    )
    assert bound_usd <= answer.objective + 0.001
    return bound_usd > answer.objective - 0.01


def _days_sound(plan) -> bool:
    checks = check_days(make_horizon(3), plan)
    return all(check.verdict is not Verdict.BROKEN for check in checks)


def _days_with(**fields) -> bool:
    blends = [
        replace(blend, **{name: change(blend) for name, change in fields.items()})
        for blend in _days().blends
    ]
    return _days_sound(replace(_days(), blends=tuple(blends)))


@cache
def _cleared():
    return clear(test_clearing.CASE, test_clearing.CURVES, test_clearing.ADJUSTMENT)


def _clears(clearing) -> bool:
    case, curves = test_clearing.CASE, test_clearing.CURVES
    return certify_clearing(case, curves, test_clearing.ADJUSTMENT, clearing).is_valid


def _volume_moved() -> bool:
    volume = {name: lb * 0.99 for name, lb in _cleared().volume_lb.items()}
    return _clears(replace(_cleared(), volume_lb=volume))


KINDS = {
    "plan": Kind(
        "check_plan",
        lambda: _keeps_all(_plan()),
        {
            "a lot dropped": _plan_with_less,
            "nothing made": lambda: _keeps_all(replace(_plan(), runs=())),
        },
    ),
    "bound of a plan": Kind(
        "dual_bound_usd",
        lambda: _is_bounded(_bound()),
        {
            "claimed better than it is": lambda: _is_bounded(_bound() + 10),
            "an order removed": _bound_without_an_order,
            "no prices": lambda: _is_bounded(dual_bound_usd(day(), DualPrices())),
        },
    ),
    "confidence": Kind(
        "check_chance_constraints",
        lambda: _chance_constraints_kept(test_safe.SPREAD),
        {
            "more spread": lambda: _chance_constraints_kept(test_safe.spread(error=0.02)),
            "the plan without chance constraints": lambda: _chance_constraints_kept(
                test_safe.SPREAD, test_safe.SAFE.without.runs
            ),
        },
    ),
    "plan with chance constraints": _kind(
        "certify_chance_plan",
        test_safe.SAFE,
        test_safe.CORRUPTIONS,
        lambda safe: test_safe.certified(safe).is_valid,
    ),
    "plan of several days": Kind(
        "check_days",
        lambda: _days_sound(_days()),
        {
            "nothing used": lambda: _days_with(ingredients=lambda blend: ()),
            "nothing bought": lambda: _days_sound(
                replace(
                    _days(),
                    purchases=tuple(replace(row, pounds_lb=0.0) for row in _days().purchases),
                )
            ),
        },
    ),
    "bound of several days": Kind(
        "dual_bound_of_arrays_usd",
        lambda: _days_bounded(),
        {
            "no prices": lambda: _days_bounded(lambda prices: 0 * prices),
            "prices lowered": lambda: _days_bounded(lambda prices: 0.9 * prices),
            "prices turned": lambda: _days_bounded(lambda prices: -prices),
        },
    ),
    "market equilibrium": Kind(
        "certify_clearing",
        lambda: _clears(_cleared()),
        {
            "volumes moved": _volume_moved,
            "a price moved": lambda: _clears(
                test_clearing.with_item(_cleared(), "90s", next_usd_per_lb=4.0, last_usd_per_lb=4.0)
            ),
        },
    ),
    "demand curve": _kind(
        "certify_demand",
        test_curves.DEMAND,
        test_curves.DEMAND_CORRUPTIONS,
        lambda curve: curve.certified(test_curves.CASE).is_valid,
    ),
    "supply curve": _kind(
        "certify_supply",
        test_curves.SUPPLY,
        test_curves.SUPPLY_CORRUPTIONS,
        lambda curve: curve.certified(test_curves.CASE).is_valid,
    ),
    "map of two prices": _kind(
        "certify_regions",
        test_regions.MAP,
        test_regions.CORRUPTIONS,
        lambda found: found.certified(test_regions.CASE).is_valid,
    ),
    "why a plan's cost moved": _kind(
        "certify_plan_why",
        test_why.WHY,
        test_why.PLAN_CORRUPTIONS,
        lambda why: why.certified().is_valid,
    ),
    "why a market's price moved": _kind(
        "certify_market_why",
        test_why.MARKET_WHY,
        test_why.MARKET_CORRUPTIONS,
        lambda why: why.certified().is_valid,
    ),
    "adjustment of a batch": _kind(
        "certify_adjustment",
        (test_correct.ADD, test_correct.ADD_TERMS),
        test_correct.CORRUPTIONS,
        lambda pair: not test_correct.faults(*pair),
    ),
}


def test_every_check_has_its_kind():
    """Functions of `blend.check` that judge an answer are named check_ or certify_."""
    judges = {
        node.name
        for file in Path(blend.check.__file__).parent.glob("*.py")
        for node in ast.parse(file.read_text()).body
        if isinstance(node, ast.FunctionDef) and node.name.startswith(("check_", "certify_"))
    }
    functions = {kind.function for kind in KINDS.values()}
    bounds = {"dual_bound_usd", "dual_bound_of_arrays_usd"}
    assert judges and judges | bounds == functions


@pytest.mark.parametrize("name", KINDS)
def test_a_right_answer_is_accepted(name):
    assert KINDS[name].right()


@pytest.mark.parametrize(
    ("name", "fault"), [(name, fault) for name, kind in KINDS.items() for fault in kind.wrong]
)
def test_a_wrong_answer_is_found(name, fault):
    assert not KINDS[name].wrong[fault]()
