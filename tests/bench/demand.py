"""A demand curve at many prices: the exact curve once, against a new model at each price.

The baseline is the readable model in plain PuLP, rebuilt and solved with CBC at each price. That
takes minutes, so by default a sample of the prices is run and the time scaled up; `all_points`
runs them all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from time import perf_counter

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.trader.curves import DemandCurve, demand_curve
from blend.trader.opening import OpenCase, open_case
from tests.bench.instances import make_instance

_ALLOWED_LB = 0.01
"""How far pounds by PuLP may lie outside the exact curve: CBC writes few digits."""
_PAST_OWN_PRICE = 1.25


@dataclass(frozen=True, slots=True)
class DemandTiming:
    """One way to 1,000 points of a demand curve. `solved` of `points` were timed; `seconds` is
    for all of them, scaled where they are fewer."""

    way: str
    points: int
    solved: int
    seconds: float
    times_exact: float
    """Seconds by those of the exact way."""


def bench_demand(
    *,
    lots: int = 200,
    products: int = 30,
    seed: int = 1,
    points: int = 1_000,
    sample: int = 10,
    all_points: bool = False,
) -> tuple[DemandTiming, ...]:
    """Time the ways to the demand curve of the lot that the plan takes most of.

    The exact way counts from the case as read to the last point: opening the program,
    finding every step, reading all points off. Raises AssertionError where the ways disagree.
    """
    case = make_instance(lots, products, seed)
    lot = max_taken(case)
    maximum = _PAST_OWN_PRICE * lot.delivered_usd_per_lb
    prices = [maximum * (index + 0.5) / points for index in range(points)]

    begin = perf_counter()
    curve = demand_curve(case, lot.lot_id)
    for price in prices:
        curve.pounds_at(price)
    exact_s = perf_counter() - begin

    begin = perf_counter()
    without_limit = demand_curve(case, lot.lot_id, available_lb=math.inf)
    for price in prices:
        without_limit.pounds_at(price)
    without_limit_s = perf_counter() - begin

    chosen = prices if all_points else spread_over(prices, sample)
    begin = perf_counter()
    opened = open_case(case)
    opening_s = perf_counter() - begin
    some = spread_over(prices, max(sample, points // 10))
    begin = perf_counter()
    warm = [_pounds_at(opened, lot.lot_id, price) for price in some]
    warm_s = opening_s + (perf_counter() - begin) * points / len(some)
    _compare(curve, some, warm)

    begin = perf_counter()
    stated = [stated_anew(case, lot.lot_id, price) for price in chosen]
    plain_s = (perf_counter() - begin) * points / len(chosen)
    _compare(curve, chosen, stated)

    return tuple(
        DemandTiming(way, points, solved, seconds, seconds / exact_s)
        for way, solved, seconds in (
            (_words(curve, "the lot as it is"), points, exact_s),
            (_words(without_limit, "as if supply had no limit"), points, without_limit_s),
            ("one LP kept warm, re-solved at each price", len(some), warm_s),
            ("PuLP and CBC, rebuilt at each price", len(chosen), plain_s),
        )
    )


def _pounds_at(opened: OpenCase, lot_id: str, usd_per_lb: float) -> float:
    opened.set_price(lot_id, usd_per_lb)
    return opened.pounds_used(opened.linear.solve(), lot_id)


def _words(curve: DemandCurve, which: str) -> str:
    return f"exact curve, {which}: {len(curve.steps)} steps from {curve.solves} solves"


def max_taken(case: Case) -> Lot:
    opened = open_case(case)
    model = opened.linear.model
    return model.sets.lots[int(opened.answer.x[model.take].argmax())]


def spread_over(prices: list[float], count: int) -> list[float]:
    """`count` of the prices, evenly spread."""
    step = len(prices) / min(count, len(prices))
    return [prices[math.floor((index + 0.5) * step)] for index in range(min(count, len(prices)))]


def stated_anew(case: Case, lot_id: str, usd_per_lb: float) -> float:
    """Pounds taken at a delivered price, by plain PuLP with CBC."""
    from tests.reference import solve_reference

    lots = tuple(
        replace(lot, price_usd_per_lb=usd_per_lb, price_basis="delivered")
        if lot.lot_id == lot_id
        else lot
        for lot in case.lots
    )
    return solve_reference(replace(case, lots=lots), relax=True, solver="cbc").take_lb[lot_id]


def _compare(curve: DemandCurve, prices: list[float], pounds: list[float]) -> None:
    for price, lb in zip(prices, pounds, strict=True):
        minimum, maximum = curve.pounds_at(price)
        assert minimum - _ALLOWED_LB <= lb <= maximum + _ALLOWED_LB, (price, lb, minimum, maximum)
