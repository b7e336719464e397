"""Two lots at once: where in the plane of their delivered prices the plan takes which pounds."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from blend.check.regions import MapProof, prove_regions
from blend.domain.case import Case
from blend.domain.certificates import Certificate, Region, RegionCertificate
from blend.errors import InputRefused, Problem
from blend.model.arrays import Model
from blend.model.certificates import certificate
from blend.model.solver import Answer, Outcome
from blend.trader.opening import OpenCase, open_case
from blend.trader.plane import SAME_PLACE, Cell, Plane, tile

MAX_SOLVES = 4_000
"""By then a map has more regions than anyone reads."""


@dataclass(frozen=True, slots=True)
class RegionMap:
    """All regions of a window of prices.

    `is_exact` tells that the program was solved at every corner of every region and its cost
    lay no farther than `gap_usd` from the region's own, so that, the cost being concave in the
    prices, no region is missing. Where False, the solves ran out first. `prove` holds the map
    against the case without the solver.
    """

    lot_ids: tuple[str, str]
    delivered_usd_per_lb: tuple[float, float]
    min_usd_per_lb: tuple[float, float]
    max_usd_per_lb: tuple[float, float]
    regions: tuple[Region, ...]
    is_exact: bool
    solves: int
    gap_usd: float
    certificates: tuple[RegionCertificate, ...] = ()
    """What `prove` needs, one for each region; there where the map was asked for with them."""

    def prove(self, case: Case) -> MapProof:
        """Hold a certified map against the case and its window."""
        return prove_regions(
            case,
            self.lot_ids,
            self.regions,
            self.certificates,
            min_usd_per_lb=self.min_usd_per_lb,
            max_usd_per_lb=self.max_usd_per_lb,
        )


def region_map(
    case: Case,
    lot_ids: tuple[str, str],
    *,
    min_usd_per_lb: tuple[float, float],
    max_usd_per_lb: tuple[float, float],
    max_solves: int = MAX_SOLVES,
    certify: bool = False,
) -> RegionMap:
    """The exact map of two different lots between two pairs of delivered prices.

    `certify` keeps what `RegionMap.prove` needs. Raises InputRefused and NoPlan as `open_case`
    does, and InputRefused where money could be made without end at the least prices, or where
    the window has no width (a lot at no price).
    """
    if lot_ids[0] == lot_ids[1]:
        raise InputRefused([Problem("lots", None, "lot_id", f"{lot_ids[0]} twice", "two lots")])
    for lot_id, minimum, maximum in zip(lot_ids, min_usd_per_lb, max_usd_per_lb, strict=True):
        if minimum >= maximum:
            read = f"no prices of {lot_id} between {minimum:g} and {maximum:g} USD/lb"
            raise InputRefused([Problem("lots", None, "price", read, "a price above 0")])
    opened = open_case(case, *lot_ids)
    kept = _Kept(opened.linear.model if certify else None)
    try:
        tiling = tile(
            lambda prices: _tangent(opened, lot_ids, prices, kept),
            min_usd_per_lb,
            max_usd_per_lb,
            max_solves,
        )
    finally:
        for lot_id in lot_ids:
            opened.put_back(lot_id)
    cells = sorted(tiling.cells, key=lambda cell: (*_pounds(cell.plane), cell.plane.at_zero))
    size = np.subtract(max_usd_per_lb, min_usd_per_lb)
    first, second = (opened.lot(lot_id) for lot_id in lot_ids)
    return RegionMap(
        lot_ids,
        (first.delivered_usd_per_lb, second.delivered_usd_per_lb),
        min_usd_per_lb,
        max_usd_per_lb,
        tuple(
            Region(_pounds(cell.plane), float(cell.plane.at_zero), kept.corners(cell, size))
            for cell in cells
        ),
        tiling.is_exact,
        tiling.solves,
        tiling.gap,
        tuple(kept.certificate(cell) for cell in cells) if certify else (),
    )


@dataclass
class _Found:
    """An optimum that a map was found from."""

    prices: tuple[float, float]
    plane: Plane
    certificate: Certificate | None


@dataclass
class _Kept:
    """Every optimum that a map was found from; without a program, not what proves them."""

    model: Model | None
    found: list[_Found] = field(default_factory=list)

    def keep(self, prices: tuple[float, float], plane: Plane, answer: Answer) -> None:
        proving = None if self.model is None else certificate(self.model, answer)
        self.found.append(_Found(prices, plane, proving))

    def corners(self, cell: Cell, size: np.ndarray) -> tuple[tuple[float, float], ...]:
        """Those of a cell where the program was solved, so that cells that meet have them in
        common; cutting leaves each a last bit of its own."""
        corners = []
        for corner in cell.corners:
            solved = np.array(self._nearest(corner).prices)
            same = bool((np.abs(solved - corner) <= SAME_PLACE * size).all())
            first, second = (solved if same else corner).tolist()
            corners.append((first, second))
        return tuple(corners)

    def certificate(self, cell: Cell) -> RegionCertificate:
        """The cell's own plan, and at each corner the dual prices found nearest to it."""
        own = next(each for each in self.found if each.plane is cell.plane)
        prices = (self._nearest(corner).certificate.prices for corner in cell.corners)
        return RegionCertificate(own.certificate.pounds, tuple(prices))

    @cached_property
    def _places(self) -> np.ndarray:
        """Asked for once nothing more is kept."""
        return np.array([each.prices for each in self.found])

    def _nearest(self, corner: np.ndarray) -> _Found:
        return self.found[int(np.abs(self._places - corner).max(axis=1).argmin())]


def _pounds(plane: Plane) -> tuple[float, float]:
    return max(0.0, plane.slopes[0]), max(0.0, plane.slopes[1])


def _tangent(
    opened: OpenCase, lot_ids: tuple[str, str], prices: tuple[float, float], kept: _Kept
) -> Plane:
    for lot_id, price in zip(lot_ids, prices, strict=True):
        opened.set_price(lot_id, float(price))
    answer = opened.linear.solve()
    if answer.outcome is not Outcome.OPTIMAL:
        read = f"{prices[0]:g} and {prices[1]:g} USD/lb, at which money could be made without end"
        raise InputRefused([Problem("lots", None, "price", read, "higher prices")])
    first, second = (opened.pounds_used(answer, lot_id) for lot_id in lot_ids)
    plane = Plane.through(prices, answer.objective, (first, second))
    kept.keep(prices, plane, answer)
    return plane
