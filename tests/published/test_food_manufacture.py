"""Food Manufacture 1 and 2, run as data through the plan of several days.

H. P. Williams, Model Building in Mathematical Programming: five oils, six months. The tables
write a ton as a pound, a month as a day, and hardness, which blends as lean does, as tenths of
the lean share; nothing else is particular to them.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from blend.domain.horizon import DayRuleKind
from blend.domain.plan import Verdict
from blend.grinder.plan_days import plan_days
from blend.tables.positions import read_horizon

DATA = Path(__file__).parent / "data"


def test_food_manufacture_1():
    plan = plan_days(read_horizon(DATA / "food_manufacture_1").horizon)
    assert -plan.money.total_usd == pytest.approx(107_842.6, abs=0.1)
    assert plan.bound.gap_usd == pytest.approx(0, abs=1e-6)
    assert {check.verdict for check in plan.checks} == {Verdict.MET}


@pytest.mark.slow
def test_food_manufacture_2():
    plan = plan_days(read_horizon(DATA / "food_manufacture_2").horizon)
    assert -plan.money.total_usd == pytest.approx(100_278.7, abs=0.1)
    assert plan.bound.gap_usd <= 0.1
    assert {check.verdict for check in plan.checks} == {Verdict.MET}
    for blend in plan.blends:
        used = {part.lot_id: part.pounds_lb for part in blend.ingredients}
        assert len(used) <= 3
        assert min(used.values(), default=20) >= 20 - 1e-6
        assert used.keys().isdisjoint({"V1", "V2"}) or "O3" in used


def test_the_rules_of_the_second_cost_what_is_published():
    """Without them its tables are those of the first."""
    horizon = read_horizon(DATA / "food_manufacture_2").horizon
    limits = tuple(rule for rule in horizon.day_rules if rule.kind is DayRuleKind.MAX_USED)
    loosened = replace(horizon, case=replace(horizon.case, rules=()), day_rules=limits)
    assert -plan_days(loosened).money.total_usd == pytest.approx(107_842.6, abs=0.1)
