"""Cheap and rich: published residuals, the false-accusation rate, and days that show nothing."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from blend.domain.quotations import Quotation
from blend.trader.lean_fat import (
    Standing,
    basis_of,
    change_since,
    deleted_residuals,
    fit_line,
    value_days,
    value_items,
)
from tests.tools.cheap_rich import LEANS, basis_days, false_days, power

DAY = date(2019, 2, 18)
TRIM_2019 = {92.5: 219.80, 90: 210.99, 85: 178.90, 81: 157.98, 75: 145.15, 73: 142.78, 65: 106.93}
"""Weekly national average by lean point, USDA report LM_XB450, week of Feb 18, 2019, $/cwt;
the item 92-94 at 93."""


def _externals(x, y):
    design = np.column_stack([np.ones(len(x)), x])
    found = deleted_residuals(design, np.array(y), np.ones(len(x)))
    return (np.array(y) - found.predicted) / found.error, set(found.degrees_of_freedom)


def test_deleted_residuals_of_a_published_course_example():
    """x 1 2 3 10, y 2.1 3.8 5.2 2.1: the last point draws the line to itself; internally
    studentized it shows -1.41, externally -19.80."""
    ratios, degrees = _externals([1.0, 2, 3, 10], [2.1, 3.8, 5.2, 2.1])
    assert degrees == {1}
    assert ratios == pytest.approx([-1.7431, 0.1217, 1.6361, -19.7990], abs=5e-5)


def test_the_public_trim_table_establishes_nothing():
    leans = [93.0, 90, 85, 81, 75, 73, 65]
    prices = list(TRIM_2019.values())
    ratios, degrees = _externals(leans, prices)
    assert degrees == {4}
    assert ratios == pytest.approx([0.561, 1.119, -0.932, -2.370, 0.012, 0.920, 0.308], abs=5e-4)
    quotations = [
        Quotation(f"{lean:.0f}s", "beef", lean / 100, price / 100, DAY)
        for lean, price in zip(leans, prices, strict=True)
    ]
    (day,) = value_days(quotations)
    assert {each.standing for each in day.items} == {Standing.IN_LINE}
    assert min(each.p_value for each in day.items) > 0.5


@pytest.mark.parametrize("items", LEANS)
@pytest.mark.parametrize("curve", [0.0, 0.3])
def test_fair_days_have_no_accusation_but_for_one_in_twenty(items, curve):
    """400 days: one share of 5% has a standard error of 1.1 points, and three of it are allowed."""
    assert false_days(400, LEANS[items], curve) <= 0.05 + 3 * 0.011


@pytest.mark.parametrize(("items", "moved", "at_least"), [(8, 1, 0.7), (8, 2, 0.4), (12, 3, 0.75)])
def test_items_far_off_are_found_even_where_they_hide_each_other(items, moved, at_least):
    share, wrong = power(100, LEANS[items], 12, moved)
    assert share > at_least and wrong <= 0.05 + 3 * 0.022


@pytest.mark.parametrize("lasting", [0.0, 0.7])
def test_frozen_items_are_judged_against_their_own_past(lasting):
    """Always below the fresh line: fair; below their usual distance: not."""
    wrong, _ = basis_days(200, 26, lasting)
    assert wrong <= 0.05 + 3 * 0.016
    assert basis_days(60, 26, lasting, off_scatters=8.0)[1] > 0.4


def test_a_basis_by_hand():
    """Distances 1 3 1 3 1 3 1 3 turn at once: mean 2, no lasting, 8 days count as 8."""
    basis = basis_of([1.0, 3.0] * 4, 5.0, 7.0)
    sd = (8 / 7) ** 0.5
    assert (basis.mean_usd_per_lb, basis.sd_usd_per_lb) == pytest.approx((2.0, sd))
    assert basis.z == pytest.approx(3 / (sd * (1 + 1 / 8) ** 0.5))
    assert basis.half_life_days == 0.0
    slow = basis_of([0.5**day for day in range(12)], 0.0, 7.0)
    assert slow.half_life_days > 7 * 0.9 and slow.sd_usd_per_lb > 0


def test_the_change_of_a_week_leaves_out_what_is_always_off_the_line():
    """Lean up 0.20, fat down 0.10, next to items that are off by 30 cents both days."""
    draw = np.random.default_rng(0)
    off = draw.normal(0, 0.3, 8)
    days = [
        [
            Quotation(
                f"{lean}", "beef", lean, lean * (4 + up) + (1 - lean) * (-1 - up / 2) + each, on
            )
            for lean, each in zip(LEANS[8], off.tolist(), strict=True)
        ]
        for on, up in ((DAY, 0.0), (date(2019, 2, 25), 0.2))
    ]
    before, now = value_days([*days[0], *days[1]])
    change = change_since(before, now)
    assert (change.lean_usd_per_lb, change.fat_usd_per_lb) == pytest.approx((0.2, -0.1))
    assert change.spread_usd_per_lb == pytest.approx(0.3)
    assert change.lean_error_usd_per_lb < 0.01 < now.fitted.lean_error_usd_per_lb


def test_an_item_that_the_line_must_go_through_is_not_judged():
    """One 50 among 90s alone: whatever its price, the line goes through it."""
    quotations = [
        Quotation(f"90s of {index}", "beef", 0.9, 3.4 + 0.01 * index, DAY) for index in range(6)
    ]
    lone = Quotation("50s", "beef", 0.5, 9.0, DAY)
    values = value_items([*quotations, lone], fit_line([*quotations, lone]), lambda _: True)
    assert values[-1].standing is Standing.TOO_FEW and values[-1].error_usd_per_lb is None
