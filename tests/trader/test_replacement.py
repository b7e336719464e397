"""Replacement values against the lower convex hull, and the law of one price in a plan."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.lots import Lot
from blend.domain.quotations import Quotation, labels_of
from blend.domain.selectors import parse_selector
from blend.model.solve import solve_linear
from blend.trader.replacement import Replacement, ReplacementRules, lots_of, replacement_values
from tests.bench.instances import make_instance

DAY = date(2026, 3, 2)


def _lot(lot_id: str, lean: float, usd_per_lb: float, **more) -> Lot:
    return Lot(lot_id, lot_id, "beef", lean, usd_per_lb, None, **more)


def _by_id(found: tuple[Replacement, ...]) -> dict[str, Replacement]:
    return {each.lot_id: each for each in found}


def _hull_usd_per_lb(points: list[tuple[float, float]], at: float) -> float | None:
    """Of the lower convex hull: the lowest chord over `at` between any two of the points."""
    chords = [
        y1 if x1 == x2 else y1 + (y2 - y1) * (at - x1) / (x2 - x1)
        for x1, y1 in points
        for x2, y2 in points
        if x1 <= at <= x2 and (x1 < x2 or x1 == at)
    ]
    return min(chords, default=None)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(30, 97), st.integers(20, 400)), min_size=2, max_size=8, unique=True
    )
)
def test_it_is_the_lower_convex_hull_of_the_others(drawn):
    points = [(lean / 100, cents / 100) for lean, cents in drawn]
    lots = [_lot(f"lot{index}", *point) for index, point in enumerate(points)]
    for index, found in enumerate(replacement_values(lots)):
        others = points[:index] + points[index + 1 :]
        expected = _hull_usd_per_lb(others, points[index][0])
        if expected is None:
            assert found.usd_per_lb is None and found.mix == ()
            assert found.own_above_usd_per_lb is None
            continue
        assert found.usd_per_lb == pytest.approx(expected, abs=1e-6)
        share = {part.lot_id: part.lb_per_lb for part in found.mix}
        assert sum(share.values()) == pytest.approx(1)
        lean = sum(lot.lean * share.get(lot.lot_id, 0) for lot in lots)
        assert lean == pytest.approx(points[index][0], abs=1e-7)


def test_rules_choose_what_a_mix_may_hold():
    lots = [
        _lot("a", 0.8, 2.0, label_claims=frozenset({"organic"})),
        _lot("b", 0.9, 2.0),
        _lot("c", 0.9, 2.4, label_claims=frozenset({"organic"}), fresh_or_frozen="frozen"),
        _lot("d", 0.7, 1.0, label_claims=frozenset({"organic"})),
        replace(_lot("e", 0.8, 0.1), species="pork"),
    ]
    value = _by_id(replacement_values(lots))["a"]
    assert value.usd_per_lb == pytest.approx(1.7)
    freely = ReplacementRules(keep_label_claims=False)
    assert _by_id(replacement_values(lots, rules=freely))["a"].usd_per_lb == pytest.approx(1.5)
    fresh = ReplacementRules(parse_selector("fresh_or_frozen=fresh"))
    assert _by_id(replacement_values(lots, rules=fresh))["a"].usd_per_lb is None


def test_day_and_pounds_on_offer_do_not_count():
    lots = [
        _lot("own", 0.8, 2.0),
        replace(_lot("l", 0.9, 2.2), quantity_lb=1.0, use_by=date(2020, 1, 1)),
        _lot("f", 0.7, 1.4, available_on=date(2030, 1, 1)),
    ]
    assert replacement_values(lots)[0].usd_per_lb == pytest.approx(1.8)


@pytest.mark.parametrize("seed", range(3))
def test_law_of_one_price_where_there_is_plenty(seed):
    """No lot that a plan uses costs more than its replacement by lots without limit."""
    case = make_instance(16, 3, seed)
    lots = tuple(replace(lot, quantity_lb=None) for lot in case.lots)
    case = replace(case, lots=lots, rules=())
    values = _by_id(replacement_values(case.usable_lots(), case.losses))
    used = solve_linear(case).take_lb
    assert used
    for lot_id in used:
        replaced_for = values[lot_id].usd_per_lb
        assert replaced_for is None or values[lot_id].own_usd_per_lb <= replaced_for + 1e-7


@pytest.mark.parametrize("seed", range(3))
def test_law_of_one_price_with_what_scarcity_adds(seed):
    """Where pounds are short, a lot's price and what a pound more of it would save make up its
    price in the plan; at those prices no used lot costs more than its replacement."""
    case = replace(make_instance(16, 3, seed), rules=())
    plan = solve_linear(case)
    saved = -plan.answer.column_dual[plan.model.take]
    priced = [
        replace(
            lot,
            price_usd_per_lb=lot.delivered_usd_per_lb + max(0.0, float(scarcity)),
            price_basis="delivered",
        )
        for lot, scarcity in zip(plan.model.sets.lots, saved, strict=True)
    ]
    assert max(saved) > 0.01
    values = _by_id(replacement_values(priced, case.losses))
    for lot_id in plan.take_lb:
        replaced_for = values[lot_id].usd_per_lb
        assert replaced_for is None or values[lot_id].own_usd_per_lb <= replaced_for + 1e-6


def test_quotations_become_lots_with_names_of_their_own():
    quotations = [
        Quotation("90s", "beef", 0.9, 3.5, DAY),
        Quotation("50s", "beef", 0.5, 1.0, DAY),
        Quotation("90s", "beef", 0.9, 3.2, DAY, fresh_or_frozen="frozen"),
    ]
    lots = lots_of(quotations)
    assert [lot.lot_id for lot in lots] == ["90s fresh", "50s", "90s frozen"]
    assert [lot.delivered_usd_per_lb for lot in lots] == [3.5, 1.0, 3.2]
    assert all(math.isinf(lot.max_lb) for lot in lots)
    assert labels_of(quotations[:2]) == ["90s", "50s"]
    with_pork = labels_of([*quotations, replace(quotations[0], species="pork")])
    assert with_pork == ["beef 90s fresh", "50s", "90s frozen", "pork 90s fresh"]
    assert labels_of([quotations[0]] * 2) == ["1 beef 90s fresh", "2 beef 90s fresh"]
