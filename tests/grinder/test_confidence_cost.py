"""What holding the floors would cost, on the first screen of a plan that does not."""

from dataclasses import replace

import pytest

from blend.grinder.odds import cost_of_confidence, errors_of, floor_odds
from blend.grinder.plan import make_plan
from tests.grinder.test_stock import OFFER, case_of

LEAN, FAT = OFFER | {"lot_id": "LEAN", "lean": 92}, OFFER | {"lot_id": "FAT", "lean": 50}


def priced(tolerance_above=0.05):
    """90s at 300 and 50s at 100: a lean point costs $4.76/cwt, so $95 on 2,000 lb."""
    case = case_of(LEAN | {"price": 300}, FAT | {"price": 100})
    (product,) = case.products
    return replace(case, products=(replace(product, tolerance_above_share=tolerance_above),))


def cost_of(case):
    errors = errors_of(case, {})
    plan = make_plan(case, shadow_prices=False)
    return cost_of_confidence(case, errors, floor_odds(case, plan.runs, errors))


def test_the_cost_is_the_margin_times_what_a_point_costs():
    case = priced()
    errors, cost = errors_of(case, {}), cost_of(case)
    assert cost.confidence == 0.95
    point_usd = 2000 * (3.00 - 1.00) / (92 - 50)
    raised = replace(case.products[0], tolerance_below_share=0.02 - cost.usd / point_usd / 100)
    held = replace(case, products=(raised,))
    (odds,) = floor_odds(case, make_plan(held, shadow_prices=False).runs, errors)
    assert odds.odds == pytest.approx(0.95, abs=0.005)


def test_where_95_cannot_be_held_the_highest_that_can_is_named():
    assert cost_of(priced(tolerance_above=-0.007)).confidence < 0.95
    assert cost_of(priced(tolerance_above=-0.0199)) is None
