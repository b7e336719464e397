"""Lean and fat apart: worked numbers, robustness, and what is said with too few items."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.quotations import Quotation
from blend.trader.lean_fat import (
    MIN_TICK_USD_PER_LB,
    Method,
    Standing,
    fit_bend,
    fit_line,
    price_by_proportion,
    price_by_slope,
    solve_two_items,
    value_days,
)

DAY = date(2026, 3, 2)
# 90s at 370 and 50s at 100 cents a pound, invented round figures worked by hand.
NINETIES = Quotation("90s", "beef", 0.9, 3.70, DAY)
FIFTIES = Quotation("50s", "beef", 0.5, 1.00, DAY)
LEANS = (0.50, 0.65, 0.73, 0.75, 0.81, 0.85, 0.90, 0.93)


def _market(noise_usd_per_lb: float = 0.0, seed: int = 1, **moved: float) -> list[Quotation]:
    """Items on the line lean 4, fat −1 USD/lb, but for noise and for those moved."""
    draws = np.random.default_rng(seed).normal(0, 1, len(LEANS))
    return [
        Quotation(
            name := f"{lean * 100:.0f}s",
            "beef",
            lean,
            5 * lean - 1 + noise_usd_per_lb * draw + moved.get(f"i{name[:-1]}", 0.0),
            DAY,
        )
        for lean, draw in zip(LEANS, draws, strict=True)
    ]


# Two items ---------------------------------------------------------------------------------------


def test_two_items_give_fat_below_zero_and_say_so():
    line = solve_two_items(NINETIES, FIFTIES)
    assert line.lean_usd_per_lb == pytest.approx(4.375)
    assert line.fat_usd_per_lb == pytest.approx(-2.375)
    assert line.spread_usd_per_lb == pytest.approx(6.75)
    assert line.point_usd_per_lb == pytest.approx(0.0675)
    assert line.at(0.9) == pytest.approx(3.70)
    assert line.lean_error_usd_per_lb is None


def test_errors_of_two_items_are_carried_through():
    """Var L = 1.5625 s90² + 0.0625 s50², Var F = 1.5625 s90² + 5.0625 s50²."""
    for s90, s50 in ((0.02, 0.01), (0.0, 0.01), (0.03, 0.0)):
        line = solve_two_items(NINETIES, FIFTIES, (s90, s50))
        assert line.lean_error_usd_per_lb**2 == pytest.approx(1.5625 * s90**2 + 0.0625 * s50**2)
        assert line.fat_error_usd_per_lb**2 == pytest.approx(1.5625 * s90**2 + 5.0625 * s50**2)
        assert line.error_at(0.9) == pytest.approx(s90)
        assert line.spread_error_usd_per_lb**2 == pytest.approx((s90**2 + s50**2) / 0.16)


def test_the_price_of_a_blend_is_that_of_its_lean():
    line = solve_two_items(NINETIES, FIFTIES)
    for target, usd in ((0.75, 2.6875), (0.80, 3.025), (0.73, 2.5525)):
        square = (target - 0.5) / 0.4
        assert line.at(target) == pytest.approx(usd)
        assert square * 3.70 + (1 - square) * 1.00 == pytest.approx(usd)


@given(st.floats(0.1, 4), st.floats(0.1, 4), st.floats(0.3, 0.6), st.floats(0.65, 0.97))
def test_fat_is_above_zero_only_if_the_fatter_item_is_dear_enough(one, other, fatter, leaner):
    line = solve_two_items(
        replace(NINETIES, lean=leaner, usd_per_lb=one),
        replace(FIFTIES, lean=fatter, usd_per_lb=other),
    )
    assert line.at(leaner) == pytest.approx(one, abs=1e-9)
    assert line.at(fatter) == pytest.approx(other, abs=1e-9)
    if abs(other - one * fatter / leaner) > 1e-9:
        assert (line.fat_usd_per_lb > 0) == (other > one * fatter / leaner)


def test_items_of_the_same_lean_have_no_line():
    with pytest.raises(ValueError, match="same lean"):
        solve_two_items(NINETIES, NINETIES)
    with pytest.raises(ValueError, match="different lean"):
        fit_line([NINETIES, NINETIES])


def test_two_ways_to_adjust_to_the_lean_found():
    line = solve_two_items(NINETIES, FIFTIES)
    assert price_by_proportion(3.70, 0.9, 0.885) == pytest.approx(3.6383, abs=5e-5)
    assert price_by_slope(3.70, 0.9, 0.885, line) == pytest.approx(3.59875)


# All items ---------------------------------------------------------------------------------------


def test_items_on_a_line_give_that_line():
    line = fit_line(_market())
    assert line.method is Method.ROBUST
    assert (line.lean_usd_per_lb, line.fat_usd_per_lb) == pytest.approx((4, -1), abs=1e-9)
    assert line.scale_usd_per_lb == MIN_TICK_USD_PER_LB


def test_one_wild_price_moves_the_line_little_and_is_told():
    quotations = _market(0.01, i73=0.60)
    (day,) = value_days(quotations)
    squares = np.linalg.lstsq(
        np.array([(each.lean, 1 - each.lean) for each in quotations]),
        np.array([each.usd_per_lb for each in quotations]),
        rcond=None,
    )[0]
    assert (
        abs(day.fitted.at(0.73) - 2.65) < 0.02 < abs(0.73 * squares[0] + 0.27 * squares[1] - 2.65)
    )
    assert [each.label for each in day.items if each.standing is Standing.RICH] == ["73s"]
    assert not [each for each in day.items if each.standing is Standing.CHEAP]


def test_pounds_draw_the_line_to_the_heavy_quotations():
    light, heavy = (
        [replace(each, pounds_lb=10_000.0) for each in _market()],
        [
            replace(each, pounds_lb=1_000_000.0, usd_per_lb=each.usd_per_lb + 0.2)
            for each in _market()
        ],
    )
    even = fit_line([*light, *heavy])
    weighted = fit_line([*light, *heavy], by_pounds=True)
    assert even.at(0.8) == pytest.approx(3.1, abs=0.02)
    assert weighted.at(0.8) > 3.17
    with pytest.raises(ValueError, match="no pounds"):
        fit_line(_market(), by_pounds=True)


def test_prices_too_scattered_for_the_robust_fit_get_least_squares_with_errors():
    """Found by simulation: no item lies within 1.345 scales of Huber's line."""
    for seed in range(1, 60):
        draw = np.random.default_rng(seed)
        items = [
            replace(each, usd_per_lb=each.usd_per_lb + off)
            for each, off in zip(_market()[:5], draw.choice([-1.0, 1.0, 0.0], 5), strict=True)
        ]
        line = fit_line(items)
        assert line.method in (Method.ROBUST, Method.LEAST_SQUARES)
        assert line.lean_error_usd_per_lb > 0


def test_too_few_items_have_a_line_but_no_errors():
    line = fit_line([NINETIES, FIFTIES, replace(FIFTIES, item="72s", lean=0.72)])
    assert line.method is Method.LEAST_SQUARES
    assert line.covariance is line.scale_usd_per_lb is None
    (day,) = value_days([NINETIES, FIFTIES])
    assert day.fitted.fat_usd_per_lb == pytest.approx(day.two_items.fat_usd_per_lb)
    assert {each.standing for each in day.items} == {Standing.TOO_FEW}
    assert day.bend is None


# Bend --------------------------------------------------------------------------------------------


def test_a_parabola_gives_back_its_slopes():
    quotations = [
        replace(each, usd_per_lb=1 + 2 * each.lean + 3 * each.lean**2) for each in _market()
    ]
    bend = fit_bend(quotations)
    assert bend.point_at_fattest_usd_per_lb == pytest.approx((2 + 6 * 0.50) / 100)
    assert bend.point_at_leanest_usd_per_lb == pytest.approx((2 + 6 * 0.93) / 100)
    assert bend.difference_usd_per_lb > 2 * bend.error_usd_per_lb


def test_a_straight_market_has_no_bend_beyond_its_error():
    bend = fit_bend(_market(0.03))
    assert abs(bend.difference_usd_per_lb) < 2 * bend.error_usd_per_lb


# Days --------------------------------------------------------------------------------------------


def test_days_and_species_are_valued_apart_and_in_order():
    later = date(2026, 3, 9)
    quotations = [
        *(replace(each, quoted_on=later, usd_per_lb=each.usd_per_lb + 0.1) for each in _market()),
        *_market(),
        replace(NINETIES, species="pork"),
        replace(FIFTIES, species="pork"),
        Quotation("lone", "lamb", 0.8, 3.0, DAY),
    ]
    days = value_days(quotations)
    assert [(day.species, day.quoted_on) for day in days] == [
        ("beef", DAY),
        ("beef", later),
        ("pork", DAY),
    ]
    spreads = [day.fitted.spread_usd_per_lb for day in days[:2]]
    assert spreads == pytest.approx([5, 5], abs=1e-6)
    assert days[0].pair[0].item == "93s" and days[0].pair[1].item == "50s"


def test_frozen_items_are_compared_with_the_fresh_line_and_not_judged():
    frozen = Quotation("90 CL", "beef", 0.9, 3.2, DAY, fresh_or_frozen="frozen")
    (day,) = value_days([*_market(0.01), frozen])
    (held,) = [each for each in day.items if not each.is_fitted]
    assert held.distance_usd_per_lb == pytest.approx(-0.3, abs=0.02)
    assert held.error_usd_per_lb > day.fitted.scale_usd_per_lb
    assert held.standing is Standing.NOT_JUDGED
    assert held.usd_per_lean_lb == pytest.approx(3.2 / 0.9)
    (together,) = value_days([*_market(0.01), frozen], fresh_or_frozen=None)
    assert all(each.is_fitted for each in together.items)


def test_the_order_of_rows_changes_nothing():
    quotations = _market(0.05)
    assert value_days(quotations) == value_days(quotations[::-1])
