"""Certificate of a map of two lots' prices: who uses what at which prices.

The least cost of a plan is concave in the delivered prices of two lots: a minimum of planes, one
for each plan. So a region is right all over as soon as it is right at its corners: its plan is
feasible and uses the pounds reported, so the cost lies nowhere above its plane; dual prices at each
corner show that it lies no lower there, and between corners a concave cost lies above what it is at
them, which is the plane.

The map is complete when its regions are convex, do not overlap and add up to the window: in floats,
to `_NEAR_SHARE` and `_UNCOVERED_SHARE` of the window.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import combinations

from blend.check.curves import used_lb
from blend.check.findings import Findings
from blend.check.statement import Statement
from blend.domain.case import Case
from blend.domain.certificates import Certified, PlanPounds, Region, RegionCertificate
from blend.domain.exact import at_delivered_price, with_weights
from blend.domain.prices import DualPrices

_NEAR_SHARE = 1e-6
"""Of the window, how far a corner may lie from where it should."""
_UNCOVERED_SHARE = 1e-7
"""Of the window, what may be left between regions; a tenth of it more for each corner."""

Point = tuple[float, float]


def certify_regions(
    case: Case,
    lot_ids: tuple[str, str],
    regions: Sequence[Region],
    certificates: Sequence[RegionCertificate],
    *,
    min_usd_per_lb: Point,
    max_usd_per_lb: Point,
) -> Certified:
    """Check a map against the case, over the window of delivered prices that was asked for."""
    found = Findings()
    complete = len(certificates) == len(regions) and all(
        len(each.corners) == len(region.corners_usd_per_lb)
        for each, region in zip(certificates, regions, strict=True)
    )
    found.fault(lot_ids[0] == lot_ids[1], "a map needs two lots")
    found.fault(not regions, "the map has no region")
    found.fault(not complete, "a region has no certificate")
    if not found.faults:
        _check_cover(regions, (min_usd_per_lb, max_usd_per_lb), found)
    if not found.faults:
        checked = _Map(case, lot_ids, regions, found)
        for region, each in zip(regions, certificates, strict=True):
            checked.region(region, each)
    return found.certified(len(regions))


class _Map:
    def __init__(
        self, case: Case, lot_ids: tuple[str, str], regions: Sequence[Region], found: Findings
    ) -> None:
        self.case, self.lot_ids, self.found = with_weights(case), lot_ids, found
        self.statement = Statement(self.case)
        self.pounds_at: dict[Point, list[Point]] = {}
        """By corner: pounds of the regions that meet there."""
        for region in regions:
            for corner in region.corners_usd_per_lb:
                self.pounds_at.setdefault(corner, []).append(region.pounds_lb)
        self.bounds: dict[Point, tuple[DualPrices, Fraction]] = {}

    def at(self, usd_per_lb: Point) -> Case:
        """The case with both lots at a delivered price."""
        price_of = dict(zip(self.lot_ids, usd_per_lb, strict=True))
        lots = tuple(
            at_delivered_price(lot, price_of[lot.lot_id]) if lot.lot_id in price_of else lot
            for lot in self.case.lots
        )
        return replace(self.case, lots=lots)

    def region(self, region: Region, certificate: RegionCertificate) -> None:
        """Its plan is feasible and costs what is reported, and no plan costs less at a corner."""
        self._plan(region, certificate.pounds)
        pounds = tuple(map(Fraction, region.pounds_lb))
        for corner, prices in zip(region.corners_usd_per_lb, certificate.corners, strict=True):
            cost = Fraction(region.rest_usd)
            cost += sum(lb * Fraction(usd) for lb, usd in zip(pounds, corner, strict=True))
            # the corner may be off by a hair, which moves the cost by what pounds change there
            turns = (
                sum(abs(Fraction(a) - b) for a, b in zip(other, pounds, strict=True))
                for other in self.pounds_at[corner]
            )
            where = " and ".join(f"{usd * 100:.4f}" for usd in corner)
            text = f"the cost of {_name(region)} at {where} $/cwt is not certified"
            self.found.meet(cost, self._bound(corner, prices), Fraction(1 + max(turns)), text)

    def _plan(self, region: Region, plan: PlanPounds) -> None:
        used = {lot_id: used_lb(plan, lot_id) for lot_id in self.lot_ids}
        bought = replace(plan, take_lb={**plan.take_lb, **used})
        primal = self.statement.primal(self.at((0.0, 0.0)), bought)
        name = _name(region)
        self.found.fault(not primal.is_feasible, f"{name} breaks a limit: {primal.worst}")
        for lot_id, reported in zip(self.lot_ids, map(Fraction, region.pounds_lb), strict=True):
            text = f"{name} does not use those pounds"
            self.found.same_pounds(reported, Fraction(used[lot_id]), text)
        depends = Fraction(2 + sum(map(Fraction, region.pounds_lb)))
        text = f"{name} does not cost what is reported"
        self.found.meet(Fraction(region.rest_usd), primal.cost, depends, text)

    def _bound(self, corner: Point, prices: DualPrices) -> Fraction:
        """Regions that meet have the corner and its prices in common."""
        if corner not in self.bounds or self.bounds[corner][0] != prices:
            bound = self.statement.dual(self.at(corner), prices).bound
            self.bounds[corner] = prices, bound
        return self.bounds[corner][1]


def _name(region: Region) -> str:
    return "the region of {:,.1f} and {:,.1f} lb".format(*region.pounds_lb)


# Cover ------------------------------------------------------------------------------------------


def _check_cover(regions: Sequence[Region], window: tuple[Point, Point], found: Findings) -> None:
    """Convex regions inside the window, none over another, make up its area."""
    (low_x, low_y), (high_x, high_y) = window
    covered, polygons = 0.0, []
    for region in regions:
        polygon = [
            ((x - low_x) / (high_x - low_x), (y - low_y) / (high_y - low_y))
            for x, y in region.corners_usd_per_lb
        ]
        is_inside = all(
            -_NEAR_SHARE <= share <= 1 + _NEAR_SHARE for corner in polygon for share in corner
        )
        hull = _area(_hull(polygon))
        # wound once, counter-clockwise, each corner on the hull
        is_convex = 0 < hull <= _area(polygon) + _NEAR_SHARE
        text = f"{_name(region)} is no convex polygon in the window"
        found.fault(not (is_inside and is_convex), text)
        covered += hull
        polygons.append(polygon)
    for one, other in combinations(range(len(regions)), 2):
        sides = (polygons[one], polygons[other]), (polygons[other], polygons[one])
        text = f"{_name(regions[one])} and {_name(regions[other])} overlap"
        found.fault(not any(_are_adjacent(*pair) for pair in sides), text)
    allowed = _UNCOVERED_SHARE * (1 + sum(map(len, polygons)) / 10)
    found.fault(abs(1 - covered) > allowed, "the regions do not add up to the window")


def _are_adjacent(one: Sequence[Point], other: Sequence[Point]) -> bool:
    """Whether a side of the first has all corners of the other beyond it, or very near."""
    for begin, end in zip(one, [*one[1:], *one[:1]], strict=True):
        across, up = end[0] - begin[0], end[1] - begin[1]
        near = _NEAR_SHARE * max(abs(across), abs(up))
        if all(across * (y - begin[1]) - up * (x - begin[0]) <= near for x, y in other):
            return True
    return False


def _area(polygon: Sequence[Point]) -> float:
    sides = zip(polygon, [*polygon[1:], *polygon[:1]], strict=True)
    return sum(x1 * y2 - y1 * x2 for (x1, y1), (x2, y2) in sides) / 2


def _hull(points: Sequence[Point]) -> list[Point]:
    """The convex hull, counter-clockwise (Andrew's monotone chain, 1979, from memory)."""

    def chain(ordered: Sequence[Point]) -> list[Point]:
        kept: list[Point] = []
        for point in ordered:
            while len(kept) > 1 and _area([kept[-2], kept[-1], point]) <= 0:
                kept.pop()
            kept.append(point)
        return kept[:-1]

    ordered = sorted(set(points))
    return chain(ordered) + chain(ordered[::-1])
