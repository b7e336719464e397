"""Certificates of demand and supply curves: of their own case, and of any case."""

from __future__ import annotations

import math
from dataclasses import replace

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from blend.errors import InputRefused, NoPlan
from blend.trader.curves import demand_curve, supply_curve
from blend.trader.opening import open_case
from tests.bench.instances import make_instance
from tests.check.corrupt import changed, no_prices, pounds_moved, prices_moved
from tests.strategies import cases

CASE = make_instance(24, 4, 2, "tight")
FEW = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))


def _busiest(make):
    curves = [make(CASE, lot.lot_id, certify=True) for lot in CASE.usable_lots()[:10]]
    return max(curves, key=lambda curve: len(curve.steps))


DEMAND, SUPPLY = _busiest(demand_curve), _busiest(supply_curve)


# Corruptions: each returns the curve with one thing wrong in it


def _step(curve, at, **fields):
    return changed(curve, f"steps.{at}", lambda step: replace(step, **fields))


def _certificate(curve, kind, at, change):
    return changed(curve, f"certificate.{kind}.{at}", change)


def _without(curve, at, *, closed):
    """A step dropped, the gap it leaves closed by its neighbor or not."""
    steps = list(curve.steps)
    gone = steps.pop(at)
    if closed:
        end = "max_usd_per_lb" if hasattr(gone, "rest_usd") else "max_lb"
        steps[at - 1] = replace(steps[at - 1], **{end: getattr(gone, end)})
    certificate = curve.certificate
    kept = [place for place in range(len(curve.steps)) if place != at]
    return replace(
        curve,
        steps=tuple(steps),
        certificate=replace(
            certificate,
            steps=tuple(certificate.steps[place] for place in kept),
            ends=tuple(certificate.ends[place] for place in (*kept, len(curve.steps))),
        ),
    )


def _breakpoint_moved(curve):
    price = curve.steps[1].max_usd_per_lb + 1e-3
    return _step(_step(curve, 1, max_usd_per_lb=price), 2, min_usd_per_lb=price)


def _merged(curve):
    """Two steps reported as one that costs as much at both its ends."""
    first, second = curve.steps[1], curve.steps[2]
    begin, end = first.min_usd_per_lb, second.max_usd_per_lb
    usd = [
        first.rest_usd + first.pounds_lb * begin,
        second.rest_usd + second.pounds_lb * end,
    ]
    pounds = (usd[1] - usd[0]) / (end - begin)
    one = replace(first, max_usd_per_lb=end, pounds_lb=pounds, rest_usd=usd[0] - pounds * begin)
    shorter = _without(curve, 2, closed=True)
    return replace(shorter, steps=(curve.steps[0], one, *curve.steps[3:]))


DEMAND_CORRUPTIONS = {
    "pounds of a step moved": lambda: _step(DEMAND, 1, pounds_lb=DEMAND.steps[1].pounds_lb + 1),
    "cost of a step moved": lambda: _step(DEMAND, 1, rest_usd=DEMAND.steps[1].rest_usd - 0.05),
    "pounds and cost moved together": lambda: _step(
        DEMAND,
        1,
        pounds_lb=DEMAND.steps[1].pounds_lb + 1,
        rest_usd=DEMAND.steps[1].rest_usd - DEMAND.steps[1].min_usd_per_lb,
    ),
    "a breakpoint moved": lambda: _breakpoint_moved(DEMAND),
    "a step dropped": lambda: _without(DEMAND, 2, closed=False),
    "a step dropped, the gap closed": lambda: _without(DEMAND, 2, closed=True),
    "two steps reported as one": lambda: _merged(DEMAND),
    "the first step dropped": lambda: _without(DEMAND, 0, closed=False),
    "two steps swapped": lambda: replace(
        DEMAND, steps=(DEMAND.steps[1], DEMAND.steps[0], *DEMAND.steps[2:])
    ),
    "pounds of a plan moved": lambda: _certificate(
        DEMAND, "steps", 1, lambda plan: pounds_moved(plan, 1.0)
    ),
    "prices moved": lambda: _certificate(DEMAND, "ends", 1, lambda plan: prices_moved(plan, 1e-4)),
    "prices of another end": lambda: _certificate(
        DEMAND, "ends", 1, lambda plan: DEMAND.certificate.ends[3]
    ),
    "a bound without prices": lambda: _certificate(DEMAND, "ends", 2, no_prices),
    "no certificate": lambda: replace(DEMAND, certificate=replace(DEMAND.certificate, steps=())),
}
SUPPLY_CORRUPTIONS = {
    "value of a step moved": lambda: _step(
        SUPPLY, 1, next_lb_saves_usd=SUPPLY.steps[1].next_lb_saves_usd * 1.001
    ),
    "cost of a step moved": lambda: _step(
        SUPPLY, 1, usd_at_least=SUPPLY.steps[1].usd_at_least - 0.05
    ),
    "a step dropped": lambda: _without(SUPPLY, 1, closed=False),
    "a step dropped, the gap closed": lambda: _without(SUPPLY, 1, closed=True),
    "pounds of a plan moved": lambda: _certificate(
        SUPPLY, "ends", 1, lambda plan: pounds_moved(plan, 1.0)
    ),
    "prices moved": lambda: _certificate(SUPPLY, "steps", 1, lambda plan: prices_moved(plan, 1e-4)),
    "a bound without prices": lambda: _certificate(SUPPLY, "steps", 1, no_prices),
    "two values swapped": lambda: _step(
        _step(SUPPLY, 0, next_lb_saves_usd=SUPPLY.steps[1].next_lb_saves_usd),
        1,
        next_lb_saves_usd=SUPPLY.steps[0].next_lb_saves_usd,
    ),
}


def test_a_curve_is_of_its_own_case():
    """A requirement more or less, another price or another lot: the certificate fails."""
    product = CASE.products[0]
    stricter = replace(product, min_lb=product.min_lb * 1.01, max_lb=None)
    other = replace(CASE, products=(stricter, *CASE.products[1:]))
    rich = max(CASE.usable_lots(), key=lambda lot: DEMAND.lot_id != lot.lot_id and lot.max_lb)
    pricier = replace(rich, price_usd_per_lb=rich.price_usd_per_lb + 0.01)
    priced = replace(CASE, lots=tuple(pricier if lot is rich else lot for lot in CASE.lots if lot))
    for case in (other, priced):
        assert not DEMAND.certified(case).is_valid
        assert not SUPPLY.certified(case).is_valid
    assert not replace(DEMAND, lot_id=rich.lot_id).certified(CASE).is_valid


def test_a_curve_that_ends_short_of_the_price_range_is_found():
    low, high = DEMAND.steps[1].min_usd_per_lb, DEMAND.steps[2].max_usd_per_lb
    part = demand_curve(CASE, DEMAND.lot_id, min_usd_per_lb=low, max_usd_per_lb=high, certify=True)
    assert part.certified(CASE, low, high).is_valid
    assert not part.certified(CASE, low, high * 2).is_valid
    assert not part.certified(CASE).is_valid


def test_the_fewest_pounds_are_certified():
    """A lot that no plan can do without: its last step, and where its supply begins."""
    case = make_instance(14, 4, 1, "plain")
    leanest = max(case.usable_lots(), key=lambda lot: lot.lean)
    lots = tuple(lot for lot in case.lots if lot.lean < 0.7 or lot == leanest)
    product = min(case.products, key=lambda each: each.target_lean)
    small = replace(product, min_lb=100.0, max_lb=100.0, target_lean=0.8)
    case = replace(case, lots=lots, products=(small,), rules=())
    demand = demand_curve(case, leanest.lot_id, certify=True)
    supply = supply_curve(case, leanest.lot_id, certify=True)
    assert demand.steps[-1].pounds_lb > 1 and supply.needed_lb > 1
    for curve in (demand, supply):
        assert curve.certified(case).is_valid
        uncertified = replace(curve, certificate=replace(curve.certificate, fewest=None))
        assert not uncertified.certified(case).is_valid


def test_a_curve_of_other_pounds_is_certified_for_those():
    free = demand_curve(CASE, DEMAND.lot_id, available_lb=math.inf, certify=True)
    assert free.certified(CASE).is_valid
    assert not replace(free, available_lb=CASE.lot(DEMAND.lot_id).max_lb).certified(CASE).is_valid


@FEW
@given(cases(max_lots=5, max_products=2), st.data())
def test_curves_of_any_case_are_accepted_and_a_moved_step_is_not(case, data):
    assume(case.usable_lots())
    lot_id = data.draw(st.sampled_from(case.usable_lots())).lot_id
    try:
        open_case(case)
        demand = demand_curve(case, lot_id, certify=True)
        supply = supply_curve(case, lot_id, certify=True)
    except (NoPlan, InputRefused):
        assume(False)
    for curve in (demand, supply):
        certified = curve.certified(case)
        assert certified.is_valid, certified.faults
    at = data.draw(st.integers(0, len(demand.steps) - 1))
    by = data.draw(st.sampled_from((-5.0, -0.5, 0.5, 5.0)))
    pounds = demand.steps[at].pounds_lb + by
    assert not _step(demand, at, pounds_lb=pounds).certified(case).is_valid
    rest = demand.steps[at].rest_usd + by
    assert not _step(demand, at, rest_usd=rest).certified(case).is_valid
