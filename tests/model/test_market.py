"""The market's program: volumes settle where a demand meets its blends, whatever their size."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.clearing import DemandCurve
from blend.model.arrays import Model
from blend.model.concave import Parabolas, WarmConcave
from blend.model.market import clear, nearest_base
from tests.reporter.markets import lot, plant, product
from tests.solvers import plain_model


def free_columns(count: int, cap: float) -> Model:
    """Columns of zero or more that share one cap."""
    ones, free = np.ones((1, count)), np.full(count, np.inf)
    return plain_model(np.zeros(count), ones, [-np.inf], [cap], np.zeros(count), free)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.5, 5), st.floats(1e4, 1e8), st.floats(0.3, 3)), min_size=1, max_size=5
    ),
    st.floats(0.05, 1.5),
)
def test_demands_that_share_one_supply_pay_one_price(demands, scarcity):
    price, volume, elasticity = (np.array(each) for each in zip(*demands, strict=True))
    first, fall = price * (1 + 1 / elasticity), price / (elasticity * volume)
    cap = scarcity * volume.sum()
    answer = WarmConcave(
        free_columns(len(price), cap), Parabolas(np.arange(len(price)), first, fall)
    ).solve()
    # the price at which straight demands buy the cap between them, found by bisection
    low, high = 0.0, float(first.max())
    for _ in range(200):
        middle = (low + high) / 2
        bought = np.maximum(0.0, (first - middle) / fall).sum()
        low, high = (middle, high) if bought > cap else (low, middle)
    assert -answer.row_dual[0] == pytest.approx(high, abs=5e-6)
    volume_lb = np.maximum(0.0, (first - high) / fall)
    # the solver's accuracy is relative to the largest volume, not to each
    assert answer.x == pytest.approx(volume_lb, rel=1e-4, abs=max(50, 2e-5 * volume_lb.max()))


def test_two_items_for_one_product_by_hand():
    # 3 lb of 90s and 1 of 50s make an 80; 50s are plentiful, so 90s take all that is paid
    case = plant(
        lot("50s", 0.5, 0.0, 2e6), lot("90s", 0.9, 0.0, 3e6), products=[product("GB80", 0.8, 0.0)]
    )
    curve = DemandCurve("GB80", 4e6, 3.0, -1.0)
    cleared = clear(case, [curve], {"50s": 0.0, "90s": 0.0})
    assert cleared.item("90s").next_usd_per_lb == pytest.approx(4.0, abs=1e-5)
    assert cleared.item("50s").next_usd_per_lb == pytest.approx(0.0, abs=1e-5)
    assert cleared.item("50s").left_over_lb == pytest.approx(1e6, abs=1)
    assert cleared.volume_lb["GB80"] == pytest.approx(4e6, abs=1)


def test_where_both_are_just_used_the_price_is_a_range():
    case = plant(
        lot("50s", 0.5, 0.0, 1e6), lot("90s", 0.9, 0.0, 3e6), products=[product("GB80", 0.8, 0.0)]
    )
    cleared = clear(case, [DemandCurve("GB80", 4e6, 3.0, -1.0)], {"50s": 0.0, "90s": 0.0})
    fifties = cleared.item("50s")
    assert fifties.next_usd_per_lb == pytest.approx(0.0, abs=1e-5)
    assert fifties.last_usd_per_lb == pytest.approx(12.0, abs=1e-4)


def test_a_floor_and_an_adjustment_are_in_the_price():
    case = plant(
        lot("80s", 0.8, 0.0, 5e6, salvage_value_usd_per_lb=1.0),
        products=[product("GB80", 0.8, 0.0)],
    )
    curve = DemandCurve("GB80", 4e6, 3.0, -1.0)
    # buyers pay 6 - 3 v / 4e6: 2.25 for all of it, less the adjustment
    assert clear(case, [curve], {"80s": 0.25}).items[0].next_usd_per_lb == pytest.approx(
        2, abs=1e-5
    )
    scarce = clear(case, [DemandCurve("GB80", 1e6, 3.0, -1.0)], {"80s": 0.25}).items[0]
    assert scarce.next_usd_per_lb == pytest.approx(1.0, abs=1e-5)
    assert scarce.used_lb == pytest.approx(1e6 * (6 - 1.25) / 3, rel=1e-5)


def test_the_nearest_base_changes_volumes_rather_than_what_comes_to_market():
    case = plant(
        lot("50s", 0.5, 0.0, 1.2e6), lot("90s", 0.9, 0.0, 3e6), products=[product("GB80", 0.8, 0.0)]
    )
    base = nearest_base(case, {"GB80": 4e6})
    assert base.to_grinders_lb["90s"] == pytest.approx(3e6, rel=1e-3)
    assert base.to_grinders_lb["50s"] == pytest.approx(1e6, rel=1e-3)
    assert base.volume_lb["GB80"] == pytest.approx(4e6, rel=1e-3)
