"""Cheap and rich: published residuals, the false-accusation rate, and days that show nothing."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from blend.domain.quotations import Quotation
from blend.trader.lean_fat import Standing, deleted_residuals, fit_line, value_days, value_items
from tests.tools.cheap_rich import LEANS, false_days, power

DAY = date(2019, 2, 18)
TRIM_2019 = {92.5: 219.80, 90: 210.99, 85: 178.90, 81: 157.98, 75: 145.15, 73: 142.78, 65: 106.93}
"""Weekly national average by lean point, USDA report LM_XB450, week of Feb 18, 2019, $/cwt;
the item 92-94 at 93."""


def _externals(x, y):
    design = np.column_stack([np.ones(len(x)), x])
    found = deleted_residuals(design, np.array(y), np.ones(len(x)))
    return (np.array(y) - found.predicted) / found.error, found.degrees_of_freedom


def test_deleted_residuals_of_a_published_course_example():
    """x 1 2 3 10, y 2.1 3.8 5.2 2.1: the last point draws the line to itself; internally
    studentized it shows -1.41, externally -19.80."""
    ratios, degrees = _externals([1.0, 2, 3, 10], [2.1, 3.8, 5.2, 2.1])
    assert degrees == 1
    assert ratios == pytest.approx([-1.7431, 0.1217, 1.6361, -19.7990], abs=5e-5)


def test_the_public_trim_table_establishes_nothing():
    leans = [93.0, 90, 85, 81, 75, 73, 65]
    prices = list(TRIM_2019.values())
    ratios, degrees = _externals(leans, prices)
    assert degrees == 4
    assert ratios == pytest.approx([0.561, 1.119, -0.932, -2.370, 0.012, 0.920, 0.308], abs=5e-4)
    quotations = [
        Quotation(f"{lean:.0f}s", "beef", lean / 100, price / 100, DAY)
        for lean, price in zip(leans, prices, strict=True)
    ]
    (day,) = value_days(quotations)
    assert {each.standing for each in day.items} == {Standing.IN_LINE}
    p_value = {each.label: each.p_value for each in day.items}
    assert min(p_value.values()) == pytest.approx(p_value["81s"])
    assert p_value["81s"] > 0.5


@pytest.mark.parametrize("items", LEANS)
@pytest.mark.parametrize("curve", [0.0, 0.3])
def test_fair_days_have_no_accusation_but_for_one_in_twenty(items, curve):
    """400 days: one share of 5% has a standard error of 1.1 points, and three of it are allowed."""
    assert false_days(400, LEANS[items], curve) <= 0.05 + 3 * 0.011


def test_an_item_far_off_is_found():
    assert power(100, LEANS[8], 12) > 0.75


def test_an_item_that_the_line_must_go_through_is_not_judged():
    """One 50 among 90s alone: whatever its price, the line goes through it."""
    quotations = [
        Quotation(f"90s of {index}", "beef", 0.9, 3.4 + 0.01 * index, DAY) for index in range(6)
    ]
    lone = Quotation("50s", "beef", 0.5, 9.0, DAY)
    values = value_items([*quotations, lone], fit_line([*quotations, lone]), lambda _: True)
    assert values[-1].standing is Standing.TOO_FEW and values[-1].error_usd_per_lb is None
