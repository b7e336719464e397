"""Every kind of answer has a proof that takes a right one and finds a wrong one."""

from __future__ import annotations

import ast
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import pytest

import blend.check
from blend.check.bound import dual_bound_usd
from blend.check.chance import check_chance_constraints
from blend.check.check import check_plan
from blend.check.clearing import prove_clearing
from blend.check.positions import check_positions
from blend.cli import COMMANDS
from blend.domain.plan import Verdict
from blend.grinder.plan import make_plan
from blend.model.market import clear
from blend.trader.positions import plan_positions
from tests.check import (
    test_clearing,
    test_correct,
    test_curves,
    test_landed,
    test_regions,
    test_replacement,
    test_safe,
    test_why,
)
from tests.grinder.uncertain import day
from tests.trader.horizons import make_horizon


@dataclass(frozen=True)
class Kind:
    """One kind of answer: does its proof bear out a right one, and each of some wrong ones?"""

    proof: str
    """The function of `blend.check` that tells."""
    right: Callable[[], bool]
    wrong: dict[str, Callable[[], bool]]


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
    """A bound that a plan undercuts is none; one far below it tells nothing."""
    plan = _plan()
    return bound_usd <= plan.proof.bound.objective_usd < bound_usd + 1


@cache
def _bound() -> float:
    return _plan().proof.bound.bound_usd


def _bound_without_an_order() -> bool:
    case = day()
    product = replace(case.products[0], min_lb=0.0, max_lb=None)
    fewer = replace(case, products=(product, *case.products[1:]))
    return _is_bounded(make_plan(fewer, shadow_prices=False).proof.bound.bound_usd)


def _chance_constraints_kept(uncertainty, runs=test_safe.SAFE.plan.runs) -> bool:
    checks = check_chance_constraints(test_safe.CASE, runs, uncertainty, test_safe.PROMISES)
    return all(check.is_kept for check in checks)


@cache
def _days():
    return plan_positions(make_horizon(3), shadow_prices=False)


def _days_sound(plan) -> bool:
    checks = check_positions(make_horizon(3), plan)
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
    return prove_clearing(case, curves, test_clearing.ADJUSTMENT, clearing).is_sound


def _volume_moved() -> bool:
    volume = {name: lb * 0.99 for name, lb in _cleared().volume_lb.items()}
    return _clears(replace(_cleared(), volume_lb=volume))


def _of(make: Callable) -> Callable[[], bool]:
    return lambda: not test_correct.faults(*make())


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
            "no prices": lambda: _is_bounded(
                dual_bound_usd(day(), type(test_safe.SAFE.certificate.prices)())
            ),
        },
    ),
    "promised confidence": Kind(
        "check_chance_constraints",
        lambda: _chance_constraints_kept(test_safe.SPREAD),
        {
            "more spread": lambda: _chance_constraints_kept(test_safe.spread(error=0.02)),
            "the plan without promises": lambda: _chance_constraints_kept(
                test_safe.SPREAD, test_safe.SAFE.without.runs
            ),
        },
    ),
    "plan with promises": Kind(
        "prove_safe",
        lambda: test_safe.proved(test_safe.SAFE).is_sound,
        {
            name: lambda make=make: test_safe.proved(make()).is_sound
            for name, make in test_safe.CORRUPTIONS.items()
        },
    ),
    "plan of several days": Kind(
        "check_positions",
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
    "clearing of a market": Kind(
        "prove_clearing",
        lambda: _clears(_cleared()),
        {
            "volumes moved": _volume_moved,
            "a price moved": lambda: _clears(
                test_clearing.with_item(_cleared(), "90s", next_usd_per_lb=4.0, last_usd_per_lb=4.0)
            ),
        },
    ),
    "demand curve": Kind(
        "prove_demand",
        lambda: test_curves.DEMAND.prove(test_curves.CASE).is_sound,
        {
            name: lambda make=make: make().prove(test_curves.CASE).is_sound
            for name, make in test_curves.DEMAND_CORRUPTIONS.items()
        },
    ),
    "supply curve": Kind(
        "prove_supply",
        lambda: test_curves.SUPPLY.prove(test_curves.CASE).is_sound,
        {
            name: lambda make=make: make().prove(test_curves.CASE).is_sound
            for name, make in test_curves.SUPPLY_CORRUPTIONS.items()
        },
    ),
    "map of two prices": Kind(
        "prove_regions",
        lambda: test_regions.MAP.prove(test_regions.CASE).is_sound,
        {
            name: lambda make=make: make().prove(test_regions.CASE).is_sound
            for name, make in test_regions.CORRUPTIONS.items()
        },
    ),
    "replacement of items": Kind(
        "prove_replacements",
        lambda: test_replacement.proved().is_sound,
        {
            name: lambda make=make: test_replacement.proved(make()).is_sound
            for name, make in test_replacement.CORRUPTIONS.items()
        },
    ),
    "price landed": Kind(
        "prove_landed",
        lambda: test_landed.sound(test_landed.LANDED),
        {
            name: lambda make=make: test_landed.sound(make())
            for name, make in test_landed.CORRUPTIONS.items()
        },
    ),
    "attribution of a plan": Kind(
        "prove_plan_why",
        lambda: test_why.proved(test_why.WHY).is_sound,
        {
            name: lambda make=make: test_why.proved(make()).is_sound
            for name, make in test_why.PLAN_CORRUPTIONS.items()
        },
    ),
    "attribution of a market": Kind(
        "prove_market_why",
        lambda: test_why.MARKET_WHY.prove().is_sound,
        {
            name: lambda make=make: make().prove().is_sound
            for name, make in test_why.MARKET_CORRUPTIONS.items()
        },
    ),
    "correction of a batch": Kind(
        "prove_correction",
        lambda: not test_correct.faults(test_correct.ADD),
        {name: _of(make) for name, make in test_correct.CORRUPTIONS.items()},
    ),
}


def test_every_proof_there_is_has_its_kind():
    """Functions of `blend.check` that judge an answer are named check_ or prove_."""
    judges = {
        node.name
        for file in Path(blend.check.__file__).parent.glob("*.py")
        for node in ast.parse(file.read_text()).body
        if isinstance(node, ast.FunctionDef) and node.name.startswith(("check_", "prove_"))
    }
    assert judges and judges | {"dual_bound_usd"} == {kind.proof for kind in KINDS.values()}


def test_the_guide_tells_of_every_command_what_bears_it_out():
    """Commands, functions of `blend.check` and files of tests in its table are those there are."""
    root = Path(blend.check.__file__).parents[2]
    guide = (root / "DEVELOPERS.md").read_text()
    table = guide.partition("| command | what bears it out |\n|---|---|\n")[2].partition("\n\n")[0]
    rows = [line.strip("| ").split(" | ") for line in table.splitlines()]
    commands = [name for first, _ in rows for name in re.findall("`(.+?)`", first)]
    assert sorted(commands) == sorted(COMMANDS)
    told = [name for _, second in rows for name in re.findall("`(.+?)`", second)]
    functions = {name for name in told if re.match("prove_|check_|dual_bound", name)}
    assert functions == {kind.proof for kind in KINDS.values()}
    assert all((root / name).exists() for name in told if name.startswith("tests/"))


@pytest.mark.parametrize("name", KINDS)
def test_a_right_answer_is_borne_out_and_wrong_ones_are_not(name):
    kind = KINDS[name]
    assert kind.right()
    assert kind.wrong
    believed = [fault for fault, is_believed in kind.wrong.items() if is_believed()]
    assert not believed
