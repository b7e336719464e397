"""Two lots at once: where in the plane of their delivered prices the plan takes which pounds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blend.core.solver import Outcome
from blend.domain.case import Case
from blend.errors import InputRefused, Problem
from blend.trade.opening import OpenCase, open_case
from blend.trade.plane import Plane, tile

MOST_SOLVES = 4_000
"""By then a map has more regions than anyone reads."""


@dataclass(frozen=True, slots=True)
class Region:
    """Prices at which the plan takes the same pounds of both lots: a convex polygon."""

    pounds_lb: tuple[float, float]
    rest_usd: float
    """Cost of the plan without what these pounds of the two lots cost."""
    corners_usd_per_lb: tuple[tuple[float, float], ...]
    """Delivered prices (of the first lot, of the second), counter-clockwise."""

    @property
    def area(self) -> float:
        """Of the polygon, USD² per lb²."""
        x, y = np.array(self.corners_usd_per_lb).T
        return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


@dataclass(frozen=True, slots=True)
class RegionMap:
    """All regions of a window of prices.

    `is_exact` tells that the programme was solved at every corner of every region and its cost
    lay no farther than `gap_usd` from the region's own, so that, the cost being concave in the
    prices, no region is missing. Where False, the solves ran out first.
    """

    lot_ids: tuple[str, str]
    delivered_usd_per_lb: tuple[float, float]
    least_usd_per_lb: tuple[float, float]
    most_usd_per_lb: tuple[float, float]
    regions: tuple[Region, ...]
    is_exact: bool
    solves: int
    gap_usd: float


def region_map(
    case: Case,
    lot_ids: tuple[str, str],
    *,
    least_usd_per_lb: tuple[float, float],
    most_usd_per_lb: tuple[float, float],
    most_solves: int = MOST_SOLVES,
) -> RegionMap:
    """The exact map of two different lots between two pairs of delivered prices.

    Raises InputRefused and NoPlan as `open_case` does, and InputRefused where money could be
    made without end at the least prices.
    """
    if lot_ids[0] == lot_ids[1]:
        raise InputRefused([Problem("lots", None, "lot_id", f"{lot_ids[0]} twice", "two lots")])
    opened = open_case(case, *lot_ids)
    try:
        tiling = tile(
            lambda prices: _tangent(opened, lot_ids, prices),
            least_usd_per_lb,
            most_usd_per_lb,
            most_solves,
        )
    finally:
        for lot_id in lot_ids:
            opened.put_back(lot_id)
    regions = [
        Region(
            (max(0.0, cell.plane.slopes[0]), max(0.0, cell.plane.slopes[1])),
            cell.plane.at_zero,
            tuple((float(first), float(second)) for first, second in cell.corners),
        )
        for cell in tiling.cells
    ]
    first, second = (opened.lot(lot_id) for lot_id in lot_ids)
    return RegionMap(
        lot_ids,
        (first.delivered_usd_per_lb, second.delivered_usd_per_lb),
        least_usd_per_lb,
        most_usd_per_lb,
        tuple(sorted(regions, key=lambda region: (*region.pounds_lb, region.rest_usd))),
        tiling.is_exact,
        tiling.solves,
        tiling.gap,
    )


def _tangent(opened: OpenCase, lot_ids: tuple[str, str], prices: tuple[float, float]) -> Plane:
    for lot_id, price in zip(lot_ids, prices, strict=True):
        opened.set_price(lot_id, float(price))
    answer = opened.linear.solve()
    if answer.outcome is not Outcome.OPTIMAL:
        read = f"{prices[0]:g} and {prices[1]:g} USD/lb, at which money could be made without end"
        raise InputRefused([Problem("lots", None, "price", read, "higher prices")])
    first, second = (opened.pounds_used(answer, lot_id) for lot_id in lot_ids)
    return Plane.through(prices, answer.objective, (first, second))
