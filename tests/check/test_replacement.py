"""Substitutes against a second solver: CBC finds the same cheapest mix of every lot."""

from __future__ import annotations

from dataclasses import replace

import pulp
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.lots import Lot
from blend.domain.replacement import ANY_MIX, Replacement, ReplacementRules
from blend.trader.replacement import replacement_values
from tests.bench.instances import THAW, make_instance

NEAR = 1e-6


def kept(lot: Lot) -> tuple[float, float]:
    """Finished lean and fat of a pound, lb."""
    thawed = 1 - THAW.lean_loss_share if lot.fresh_or_frozen == "frozen" else 1.0
    return lot.lean * thawed, 1 - lot.lean


def may_stand_in(lot: Lot, item: Lot) -> bool:
    return lot is not item and lot.species == item.species and item.label_claims <= lot.label_claims


def cheapest_usd_per_lb(item: Lot, lots: tuple[Lot, ...], max_share: float) -> float | None:
    """Of the mixes that have the item's lean and fat, no lot making more than a share of it."""
    problem = pulp.LpProblem("substitute", pulp.LpMinimize)
    pounds = {}
    for number, lot in enumerate(lots):
        if may_stand_in(lot, item):
            most = max_share * sum(kept(item)) / sum(kept(lot))
            pounds[lot] = problem.add_variable(f"lot_{number}", 0, most)
    problem.setObjective(pulp.lpSum(lot.delivered_usd_per_lb * lb for lot, lb in pounds.items()))
    for part in (0, 1):
        made = pulp.lpSum(kept(lot)[part] * lb for lot, lb in pounds.items())
        problem += made == kept(item)[part]
    problem.solve(pulp.PULP_CBC_CMD(msg=False))
    return problem.objective.value() if problem.status == pulp.LpStatusOptimal else None


def assert_a_cheapest_mix(
    item: Lot, lots: tuple[Lot, ...], max_share: float, found: Replacement
) -> None:
    expected = cheapest_usd_per_lb(item, lots, max_share)
    if expected is None:
        assert found.usd_per_lb is None and found.mix == ()
        return
    assert found.usd_per_lb == pytest.approx(expected, abs=NEAR)
    by_id = {lot.lot_id: lot for lot in lots}
    mix = [(by_id[part.lot_id], part.lb_per_lb) for part in found.mix]
    assert all(may_stand_in(lot, item) and lb >= 0 for lot, lb in mix)
    cost = sum(lot.delivered_usd_per_lb * lb for lot, lb in mix)
    assert cost == pytest.approx(expected, abs=NEAR)
    for part in (0, 1):
        made = sum(kept(lot)[part] * lb for lot, lb in mix)
        assert made == pytest.approx(kept(item)[part], abs=NEAR)
    assert all(sum(kept(lot)) * lb <= max_share * sum(kept(item)) + NEAR for lot, lb in mix)
    # prices of lean and fat at which no mix is cheaper than this one
    lean, fat = kept(item)
    prices = found.prices
    assert prices is not None
    if max_share == 1.0:
        value = lean * prices.lean_usd_per_lb + fat * prices.fat_usd_per_lb
        assert value <= expected + NEAR


@pytest.mark.parametrize("max_share", [1.0, 0.5])
def test_substitutes_of_an_invented_market(max_share):
    lots = make_instance(10, 3, 1, "tight").usable_lots()
    rules = ReplacementRules(max_share=max_share)
    for item, found in zip(lots, replacement_values(lots, [THAW], rules), strict=True):
        assert_a_cheapest_mix(item, lots, max_share, found)


@settings(max_examples=10, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(30, 97), st.integers(20, 400), st.booleans()), min_size=2, max_size=6
    ),
    st.sampled_from((1.0, 0.5, 0.3)),
)
def test_substitutes_of_any_lots(drawn, max_share):
    lots = tuple(
        Lot(f"lot{at}", "", "beef", lean / 100, cents / 100, None, fresh_or_frozen=state)
        for at, (lean, cents, frozen) in enumerate(drawn)
        for state in ("frozen" if frozen else "fresh",)
    )
    rules = replace(ANY_MIX, max_share=max_share)
    for item, found in zip(lots, replacement_values(lots, [THAW], rules), strict=True):
        assert_a_cheapest_mix(item, lots, max_share, found)
