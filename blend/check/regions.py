"""A map of two lots' prices held against the case, in exact fractions and outside the solver.

The least cost of a plan is concave in the delivered prices of two lots: a least of planes, one for
each plan. So a region is right all over as soon as it is right where it has corners:

- its plan keeps every requirement and uses the pounds told, so that the cost lies nowhere above
  its plane;
- at each corner dual prices prove that the cost lies no lower; between corners a concave cost lies
  above what it is at them, which is the plane.

A map is complete when its regions cover the window. They do where each is convex and inside it,
no two of them overlap, and their areas add up to that of the window.

A price where regions meet may be off by `NEAR_USD_PER_LB`, as for curves, so a cost by that times
the pounds by which they differ. Places are compared to `_NEAR_SHARE` of the window.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations
from math import lcm

from blend.check.bound import dual_bound
from blend.check.curves import (
    MIN_USD,
    NEAR_COST_SHARE,
    NEAR_POUNDS,
    NEAR_POUNDS_SHARE,
    NEAR_USD_PER_LB,
)
from blend.check.exact import at_delivered_price, with_weights
from blend.check.frame import Frame
from blend.check.linear import put_on_scales
from blend.domain.case import Case
from blend.domain.certificates import PlanPounds, Region, RegionCertificate
from blend.domain.prices import DualPrices

_NEAR_SHARE = Fraction(1, 10**6)
"""Of the window, how far a corner may lie from where it should."""
_UNCOVERED_SHARE = Fraction(1, 10**7)
"""Of the window, what may be left between regions; a tenth of it more for each corner told."""

_Place = tuple[Fraction, Fraction]
_Point = tuple[int, int]


@dataclass(frozen=True, slots=True)
class MapProof:
    """What exact arithmetic says of a map of two prices."""

    regions: int
    corners: int
    gap_usd: float
    """The most that the cost of a plan can differ from the map, at any prices in a region."""
    faults: tuple[str, ...]
    """What is wrong, in words of the tables; empty when the map is right."""

    @property
    def is_sound(self) -> bool:
        return not self.faults


def prove_regions(
    case: Case,
    lot_ids: tuple[str, str],
    regions: Sequence[Region],
    certificates: Sequence[RegionCertificate],
    *,
    min_usd_per_lb: tuple[float, float],
    max_usd_per_lb: tuple[float, float],
) -> MapProof:
    """Hold a map against the case it is of, over the window of delivered prices asked for."""
    return _Map(case, lot_ids).prove(regions, certificates, (min_usd_per_lb, max_usd_per_lb))


class _Map:
    def __init__(self, case: Case, lot_ids: tuple[str, str]) -> None:
        self.case, self.lot_ids = with_weights(case), lot_ids
        self.frame = Frame(self.case)
        self.faults: list[str] = []
        self.gap_usd = Fraction(0)
        self.bounds: dict[tuple[tuple[float, float], int], Fraction] = {}

    def fault(self, is_one: bool, text: str) -> None:
        if is_one:
            self.faults.append(text)

    def meet(self, told: Fraction, found: Fraction, allowed: Fraction, text: str) -> None:
        self.gap_usd = max(self.gap_usd, abs(told - found))
        self.fault(abs(told - found) > allowed, text)

    def at(self, prices: tuple[float, float]) -> Case:
        """The case with both lots at a delivered price."""
        price_of = dict(zip(self.lot_ids, prices, strict=True))
        lots = tuple(
            at_delivered_price(lot, price_of[lot.lot_id]) if lot.lot_id in price_of else lot
            for lot in self.case.lots
        )
        return replace(self.case, lots=lots)

    def prove(
        self,
        regions: Sequence[Region],
        certificates: Sequence[RegionCertificate],
        window: tuple[tuple[float, float], tuple[float, float]],
    ) -> MapProof:
        self.fault(self.lot_ids[0] == self.lot_ids[1], "a map is of two lots")
        complete = len(certificates) == len(regions) and all(
            len(each.corners) == len(region.corners_usd_per_lb)
            for each, region in zip(certificates, regions, strict=True)
        )
        self.fault(not regions, "the map has no region")
        self.fault(not complete, "a region has no certificate")
        if self.faults:
            return self.proof(regions)
        tiles = _Tiles([region.corners_usd_per_lb for region in regions], window)
        for number in tiles.not_convex():
            self.fault(True, f"{_name(regions[number])} is no convex polygon inside the window")
        for one, other in tiles.overlapping():
            self.fault(True, f"{_name(regions[one])} and {_name(regions[other])} overlap")
        self.fault(tiles.uncovered_share() > tiles.allowed_share(), "the window is not covered")
        if self.faults:
            return self.proof(regions)
        free = self.at((0.0, 0.0))
        for number, (region, each) in enumerate(zip(regions, certificates, strict=True)):
            self._plan(free, region, each.pounds)
            for place, prices in enumerate(each.corners):
                touching = [regions[other] for other in tiles.touching(number, place)]
                self._corner(region, region.corners_usd_per_lb[place], prices, touching)
        return self.proof(regions)

    def _plan(self, free: Case, region: Region, plan: PlanPounds) -> None:
        """The region's plan keeps everything, uses the pounds told and costs what is told."""
        used_lb = {
            own: sum(lb for (lot_id, _), lb in plan.use_lb.items() if lot_id == own)
            for own in self.lot_ids
        }
        bought = replace(plan, take_lb={**plan.take_lb, **used_lb})
        scales = put_on_scales(self.frame, free, bought)
        self.fault(not scales.keeps_all, f"{_name(region)} breaks a limit: {scales.worst}")
        near_usd = Fraction(0)
        for lot_id, told_lb in zip(self.lot_ids, map(Fraction, region.pounds_lb), strict=True):
            off_lb = abs(scales.used_lb.get(lot_id, Fraction(0)) - told_lb)
            allowed_lb = NEAR_POUNDS + NEAR_POUNDS_SHARE * told_lb
            self.fault(off_lb > allowed_lb, f"{_name(region)} does not use those pounds")
            near_usd += NEAR_USD_PER_LB * (1 + told_lb)
        rest = Fraction(region.rest_usd)
        text = f"{_name(region)} does not cost what is told"
        self.meet(rest, scales.cost_usd, near_usd + _near(rest), text)

    def _corner(
        self,
        region: Region,
        corner: tuple[float, float],
        prices: DualPrices,
        touching: Sequence[Region],
    ) -> None:
        """No plan costs less at the corner than the region says."""
        told = Fraction(region.rest_usd) + sum(
            Fraction(lb) * Fraction(usd) for lb, usd in zip(region.pounds_lb, corner, strict=True)
        )
        turn = max(
            sum(abs(Fraction(a) - Fraction(b)) for a, b in zip(*pounds, strict=True))
            for pounds in ((region.pounds_lb, other.pounds_lb) for other in touching)
        )
        bound = self._bound(corner, prices)
        at = " and ".join(f"{usd * 100:.4f}" for usd in corner)
        text = f"the cost of {_name(region)} at {at} USD/cwt is not proved"
        self.meet(told, bound, NEAR_USD_PER_LB * (1 + turn) + _near(told), text)

    def _bound(self, corner: tuple[float, float], prices: DualPrices) -> Fraction:
        """Regions that meet have the corner and its prices in common."""
        key = corner, id(prices)
        if key not in self.bounds:
            self.bounds[key] = dual_bound(self.frame, self.at(corner), prices)
        return self.bounds[key]

    def proof(self, regions: Sequence[Region]) -> MapProof:
        corners = sum(len(region.corners_usd_per_lb) for region in regions)
        return MapProof(len(regions), corners, float(self.gap_usd), tuple(self.faults))


def _name(region: Region) -> str:
    return "the region of {:,.1f} and {:,.1f} lb".format(*region.pounds_lb)


def _near(usd: Fraction) -> Fraction:
    return MIN_USD + NEAR_COST_SHARE * abs(usd)


class _Tiles:
    """Polygons in a window, as whole numbers: the window is a square of `side` each way."""

    def __init__(
        self,
        polygons: Sequence[Sequence[tuple[float, float]]],
        window: tuple[tuple[float, float], tuple[float, float]],
    ) -> None:
        low, high = (tuple(map(Fraction, corner)) for corner in window)
        size = tuple(maximum - minimum for minimum, maximum in zip(low, high, strict=True))

        def share(corner: tuple[float, float]) -> _Place:
            first, second = (
                (Fraction(at) - minimum) / whole
                for at, minimum, whole in zip(corner, low, size, strict=True)
            )
            return first, second

        shares = [[share(corner) for corner in polygon] for polygon in polygons]
        self.side = lcm(*(at.denominator for each in shares for place in each for at in place))
        self.polygons: list[list[_Point]] = [
            [(int(first * self.side), int(second * self.side)) for first, second in each]
            for each in shares
        ]
        self.near = self.side * _NEAR_SHARE
        self.boxes = [
            tuple((min(axis), max(axis)) for axis in zip(*polygon, strict=True))
            for polygon in self.polygons
        ]

    def not_convex(self) -> Iterator[int]:
        """Polygons that turn right somewhere, have no area, or lie outside the window."""
        for number, polygon in enumerate(self.polygons):
            inside = all(
                -self.near <= at <= self.side + self.near for corner in polygon for at in corner
            )
            # each corner on the left of each side: convex, and wound round once
            turns_left = all(
                _depth(side, corner) >= -self.near for side in _sides(polygon) for corner in polygon
            )
            if not (inside and turns_left and _twice_area(polygon) > 0):
                yield number

    def overlapping(self) -> Iterator[tuple[int, int]]:
        """Pairs of polygons that no side of either keeps apart."""
        for one, other in combinations(range(len(self.polygons)), 2):
            if self._boxes_meet(one, other) and not (
                self._is_apart(one, other) or self._is_apart(other, one)
            ):
                yield one, other

    def _boxes_meet(self, one: int, other: int) -> bool:
        return all(
            low < other_high and other_low < high
            for (low, high), (other_low, other_high) in zip(
                self.boxes[one], self.boxes[other], strict=True
            )
        )

    def _is_apart(self, one: int, other: int) -> bool:
        """Whether a side of the first has all corners of the other beyond it, or very near."""
        return any(
            all(_depth(side, corner) <= self.near for corner in self.polygons[other])
            for side in _sides(self.polygons[one])
        )

    def uncovered_share(self) -> Fraction:
        """Of the window, by which the areas do not add up to it, too little or too much."""
        area = Fraction(sum(map(_twice_area, self.polygons)), 2)
        return abs(1 - area / self.side**2)

    def allowed_share(self) -> Fraction:
        return _UNCOVERED_SHARE * (1 + Fraction(sum(map(len, self.polygons)), 10))

    def touching(self, number: int, place: int) -> list[int]:
        """The polygons, itself too, that a corner lies in or very near to."""
        corner = self.polygons[number][place]
        return [
            other
            for other, (polygon, box) in enumerate(zip(self.polygons, self.boxes, strict=True))
            if other == number
            or (
                all(
                    low - self.near <= at <= high + self.near
                    for at, (low, high) in zip(corner, box, strict=True)
                )
                and all(_depth(side, corner) >= -self.near for side in _sides(polygon))
            )
        ]


_Side = tuple[_Point, _Point]


def _sides(polygon: Sequence[_Point]) -> list[_Side]:
    return list(zip(polygon, [*polygon[1:], *polygon[:1]], strict=True))


def _depth(side: _Side, corner: _Point) -> Fraction:
    """How far to the left of a side a corner lies, within a factor of √2; below zero: right."""
    (x1, y1), (x2, y2) = side
    across = (x2 - x1) * (corner[1] - y1) - (y2 - y1) * (corner[0] - x1)
    return Fraction(across, max(abs(x2 - x1), abs(y2 - y1), 1))


def _twice_area(polygon: Sequence[_Point]) -> int:
    return sum(x1 * y2 - y1 * x2 for (x1, y1), (x2, y2) in _sides(polygon))
