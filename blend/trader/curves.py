"""Exact break-even curves of lots, from the LP relaxation of the plan.

The least cost of a plan is concave in delivered prices, with the pounds used as its slopes, and
convex in the pounds on offer, with minus the value of a pound as its slope. So pounds by price
(demand), value by pounds (supply) and pounds by two prices (regions) all come from one engine,
`blend.trader.parametric`. Combos, counts and batches are taken as if they could be split.

Each curve can keep an optimum for every step and breakpoint, by which `certify` checks it
against the case without the solver.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise

import numpy as np

from blend.check.curves import certify_demand, certify_supply
from blend.check.regions import certify_regions
from blend.domain.case import Case
from blend.domain.certificates import (
    Certificate,
    Certified,
    CurveCertificate,
    DemandStep,
    Region,
    RegionCertificate,
    SupplyStep,
)
from blend.domain.lots import Lot
from blend.domain.prices import DualPrices
from blend.errors import InputRefused, refusal
from blend.model.certificates import certificate
from blend.model.solver import Answer, Outcome
from blend.trader.opening import OpenCase, open_case
from blend.trader.parametric import SAME_PLACE, Cell, Envelope, Place, Tangent, tile, trace

MIN_LB = 1e-4
"""Fewer pounds than this are the solver's rounding."""
MAX_SOLVES = 4_000
"""By then a map has more regions than anyone reads."""


# Optima found on the way -------------------------------------------------------------------------


@dataclass
class _Optimum:
    place: Place
    tangent: Tangent
    answer: Answer


@dataclass
class _Optima:
    """Every optimum a curve was traced from; with their certificates where `certify` asks."""

    opened: OpenCase
    certify: bool
    found: list[_Optimum] = field(default_factory=list)
    fewest: DualPrices | None = None

    def keep(self, place: Place, tangent: Tangent, answer: Answer) -> Tangent:
        self.found.append(_Optimum(place, tangent, answer))
        return tangent

    def at_prices(self, lot_ids: Sequence[str], place: Place) -> Tangent:
        """The least cost at delivered prices of some lots; the prices stay set. Raises
        InputRefused where profit would be unbounded."""
        for lot_id, price in zip(lot_ids, place, strict=True):
            self.opened.set_price(lot_id, price)
        answer = self.opened.linear.solve()
        if answer.outcome is not Outcome.OPTIMAL:
            raise unbounded(lot_ids, place)
        pounds = tuple(self.opened.pounds_used(answer, lot_id) for lot_id in lot_ids)
        return self.keep(place, Tangent.through(place, answer.objective, pounds), answer)

    def at_pounds(self, lot_id: str, pounds_lb: float, answer: Answer | None = None) -> Tangent:
        """Minus the least cost, with so many pounds of a lot on offer. A pound that may be left
        on offer is never worth less than nothing."""
        answer = answer or self.with_pounds(lot_id, pounds_lb)
        value = max(0.0, -float(answer.column_dual[self.opened.column(lot_id)]))
        place = (pounds_lb,)
        if math.isinf(pounds_lb):
            tangent = Tangent(-answer.objective, (0.0,))
        else:
            tangent = Tangent.through(place, -answer.objective, (value,))
        return self.keep(place, tangent, answer)

    def with_pounds(self, lot_id: str, pounds_lb: float) -> Answer:
        self.opened.set_pounds(lot_id, pounds_lb)
        answer = self.opened.linear.solve()
        if answer.outcome is Outcome.UNBOUNDED:
            wrong = f"with {pounds_lb:g} lb of {lot_id} profit would be unbounded"
            raise refusal("lots", "quantity_lb", wrong, "", "Enter fewer.")
        return answer

    def fewest_lb(self, lot_id: str, available_lb: float) -> float:
        """The fewest pounds of a lot with which there is a plan."""
        self.opened.set_pounds(lot_id, available_lb)
        answer = self.opened.fewest(lot_id)
        if self.certify:
            self.fewest = certificate(self.opened.linear.model, answer).prices
        return float(answer.x[self.opened.column(lot_id)])

    def nearest(self, place: Sequence[float]) -> _Optimum:
        """To be asked once nothing more is kept."""
        return self.found[int(np.abs(self._places - np.array(place)).max(axis=1).argmin())]

    @cached_property
    def _places(self) -> np.ndarray:
        return np.array([each.place for each in self.found])

    def _certificate(self, optimum: _Optimum) -> Certificate:
        return certificate(self.opened.linear.model, optimum.answer)

    def curve_certificate(self, envelope: Envelope) -> CurveCertificate | None:
        """An optimum for each piece, and for each end the one found nearest to it."""
        if not self.certify:
            return None
        of_tangent = {id(each.tangent): each for each in self.found}
        steps = [self._certificate(of_tangent[id(each)]) for each in envelope.tangents]
        ends = [
            self._certificate(self.nearest((end,))) if math.isfinite(end) else steps[-1]
            for end in envelope.ends
        ]
        return CurveCertificate(tuple(steps), tuple(ends), self.fewest)

    def region_certificate(self, cell: Cell) -> RegionCertificate:
        """The cell's own plan, and at each corner the dual prices found nearest to it."""
        own = next(each for each in self.found if each.tangent is cell.tangent)
        prices = (self._certificate(self.nearest(corner)).prices for corner in cell.corners)
        return RegionCertificate(self._certificate(own).pounds, tuple(prices))

    def corners(self, cell: Cell, size: np.ndarray) -> tuple[tuple[float, float], ...]:
        """A cell's corners, those where the program was solved to the last bit: cells that meet
        have them in common, while cutting leaves each its own last bit."""
        corners = []
        for corner in cell.corners:
            solved = np.array(self.nearest(corner).place)
            same = bool((np.abs(solved - corner) <= SAME_PLACE * size).all())
            first, second = (solved if same else corner).tolist()
            corners.append((first, second))
        return tuple(corners)


def unbounded(lot_ids: Sequence[str], place: Place) -> InputRefused:
    at = " and ".join(f"{price:g}" for price in place)
    wrong = f"at {at} USD/lb for {' and '.join(lot_ids)} profit would be unbounded"
    enter = "Enter a higher price, or a quantity of the lot."
    return refusal("lots", "price", wrong, "", enter)


# Pounds by price ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Breakpoint:
    """A delivered price at which the pounds used change; at it, any pounds between are optimal."""

    usd_per_lb: float
    min_lb: float
    max_lb: float


@dataclass(frozen=True, slots=True)
class DemandCurve:
    """Pounds of one lot the plan uses, by delivered price, all else unchanged.

    `gap_usd` is the solver's: at every breakpoint the program was solved, and its cost differed
    by no more than this from the two steps that meet there. As cost is concave in the price, no
    step between can be missing.
    """

    lot_id: str
    delivered_usd_per_lb: float
    available_lb: float
    steps: tuple[DemandStep, ...]
    """From the lowest price up; the pounds fall from step to step."""
    solves: int
    gap_usd: float
    certificate: CurveCertificate | None = None

    @property
    def breakpoints(self) -> tuple[Breakpoint, ...]:
        return tuple(
            Breakpoint(step.max_usd_per_lb, after.pounds_lb, step.pounds_lb)
            for step, after in pairwise(self.steps)
        )

    @property
    def entry_usd_per_lb(self) -> float | None:
        """The break-even price: the highest delivered price at which the plan uses some.

        Infinite when there is no plan without it, None when none is used at any price of the
        curve. Where some is still used at the curve's highest price, that price.
        """
        used = [step for step in self.steps if step.pounds_lb > MIN_LB]
        return used[-1].max_usd_per_lb if used else None

    def pounds_at(self, usd_per_lb: float) -> tuple[float, float]:
        """Fewest and most pounds that are optimal at a price; they differ at a breakpoint only.

        Beyond the ends of the curve nothing is known: a price at the very end may be a breakpoint
        too. Raises ValueError for a price outside the curve.
        """
        ends = [step.max_usd_per_lb for step in self.steps]
        if not self.steps[0].min_usd_per_lb <= usd_per_lb <= ends[-1]:
            raise ValueError(f"{usd_per_lb} is outside the curve")
        first = bisect_left(ends, usd_per_lb)
        last = min(bisect_right(ends, usd_per_lb), len(ends) - 1)
        return self.steps[last].pounds_lb, self.steps[first].pounds_lb

    def plan_usd_at(self, usd_per_lb: float) -> float:
        """Cost of the plan when this is the lot's delivered price."""
        min_lb, _ = self.pounds_at(usd_per_lb)
        step = next(step for step in self.steps if step.pounds_lb == min_lb)
        return step.rest_usd + step.pounds_lb * usd_per_lb

    def certified(
        self,
        case: Case,
        min_usd_per_lb: float | None = None,
        max_usd_per_lb: float = math.inf,
    ) -> Certified:
        """Check a certified curve against the case and the prices it was asked for between."""
        if min_usd_per_lb is None:
            min_usd_per_lb = min_price(case.lot(self.lot_id), self.available_lb)
        return certify_demand(
            case,
            self.lot_id,
            self.steps,
            _certified(self.certificate),
            available_lb=self.available_lb,
            min_usd_per_lb=min_usd_per_lb,
            max_usd_per_lb=max_usd_per_lb,
        )


def demand_curve(
    case: Case,
    lot_id: str,
    *,
    min_usd_per_lb: float | None = None,
    max_usd_per_lb: float = math.inf,
    available_lb: float | None = None,
    certify: bool = False,
) -> DemandCurve:
    """The exact pounds of a lot used at every delivered price between two.

    Pounds are those that go into blends: below the lot's salvage value that value falls with the
    price, so that none is bought only to be left over. The curve begins at 0 unless a price is
    given; without a limit on the pounds it begins at the salvage value, below which buying to
    leave over would be unbounded profit. `available_lb` is how much is on offer, infinite for no
    limit; None means what the lot states. Raises InputRefused and NoPlan as `open_case` does, and
    InputRefused where profit is unbounded at the lowest price.
    """
    opened = open_case(case, lot_id)
    lot = opened.lot(lot_id)
    available = lot.max_lb if available_lb is None else available_lb
    floor = min_price(lot, available)
    low = floor if min_usd_per_lb is None else min_usd_per_lb
    high = max_usd_per_lb
    if low < floor:
        raise unbounded([lot_id], (low,))
    optima = _Optima(opened, certify)

    def tangent(price: float) -> Tangent:
        return optima.at_prices([lot_id], (price,))

    opened.set_pounds(lot_id, available)
    left = tangent(low)
    far_out = _far_out(optima, lot, available) if math.isinf(high) else tangent(high)
    found = trace(tangent, left, far_out, low, high)
    steps = [
        DemandStep(begin, end, max(0.0, each.slope), each.at_zero)
        for each, (begin, end) in zip(found.tangents, pairwise(found.ends), strict=True)
    ]
    return DemandCurve(
        lot_id,
        lot.delivered_usd_per_lb,
        available,
        tuple(steps),
        found.solves + 2,
        found.gap,
        optima.curve_certificate(found),
    )


def min_price(lot: Lot, available_lb: float) -> float:
    """The delivered price a curve begins at: with a limit on the pounds, what leaving over could
    earn is bounded; without one it is unbounded below the salvage value."""
    return max(0.0, lot.salvage_value_usd_per_lb) if math.isinf(available_lb) else 0.0


def _far_out(optima: _Optima, lot: Lot, available_lb: float) -> Tangent:
    """The piece on which the cost ends as the price grows: with the fewest pounds with which there
    is a plan, usually none."""
    opened, lot_id, price = optima.opened, lot.lot_id, lot.delivered_usd_per_lb
    opened.set_price(lot_id, price)
    opened.set_pounds(lot_id, 0.0)
    answer = opened.linear.solve()
    if answer.outcome is not Outcome.OPTIMAL:
        opened.set_pounds(lot_id, optima.fewest_lb(lot_id, available_lb))
        answer = opened.linear.solve()
    opened.set_pounds(lot_id, available_lb)
    used = opened.pounds_used(answer, lot_id)
    return optima.keep((math.inf,), Tangent.through((price,), answer.objective, (used,)), answer)


# Value by pounds ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SupplyCurve:
    """Cost of the plan by pounds of one lot on offer, at its delivered price; `gap_usd` as for
    `DemandCurve`."""

    lot_id: str
    delivered_usd_per_lb: float
    offered_lb: float
    steps: tuple[SupplyStep, ...]
    """From the fewest pounds up; the value of a pound falls from step to step."""
    solves: int
    gap_usd: float
    certificate: CurveCertificate | None = None

    @property
    def needed_lb(self) -> float:
        """With fewer pounds than these there is no plan."""
        return self.steps[0].min_lb

    def plan_usd_at(self, pounds_lb: float) -> float:
        """Cost of the plan with these pounds on offer; raises ValueError outside the curve."""
        step = self._steps_at(pounds_lb)[-1]
        return step.usd_at_least - step.next_lb_saves_usd * (pounds_lb - step.min_lb)

    def value_at(self, pounds_lb: float) -> tuple[float, float]:
        """What one more pound saves and one less would cost, USD per lb (right-hand and left-hand
        shadow price). They differ at a breakpoint only; at `needed_lb` one less leaves no plan."""
        touching = self._steps_at(pounds_lb)
        is_fewest = pounds_lb == self.needed_lb and self.needed_lb > 0
        less = math.inf if is_fewest else touching[0].next_lb_saves_usd
        return touching[-1].next_lb_saves_usd, less

    def certified(self, case: Case, min_lb: float = 0.0, max_lb: float = math.inf) -> Certified:
        """Check a certified curve against the case and the pounds it was asked for between."""
        kept = _certified(self.certificate)
        return certify_supply(case, self.lot_id, self.steps, kept, min_lb=min_lb, max_lb=max_lb)

    def _steps_at(self, pounds_lb: float) -> list[SupplyStep]:
        touching = [step for step in self.steps if step.min_lb <= pounds_lb <= step.max_lb]
        if not touching:
            raise ValueError(f"{pounds_lb} lb is outside the curve")
        return touching


def supply_curve(
    case: Case,
    lot_id: str,
    *,
    min_lb: float = 0.0,
    max_lb: float = math.inf,
    certify: bool = False,
) -> SupplyCurve:
    """The exact cost of the plan by pounds of a lot on offer, from `min_lb` (or the fewest with
    which there is a plan, where those are more) to `max_lb`.

    Raises InputRefused and NoPlan as `open_case` does, and InputRefused where profit is unbounded
    with that many pounds.
    """
    opened = open_case(case, lot_id)
    lot, optima = opened.lot(lot_id), _Optima(opened, certify)
    left_lb, answer = min_lb, optima.with_pounds(lot_id, min_lb)
    if answer.outcome is not Outcome.OPTIMAL:
        left_lb = optima.fewest_lb(lot_id, lot.max_lb)
        answer = optima.with_pounds(lot_id, left_lb)
    left = optima.at_pounds(lot_id, left_lb, answer)
    right = optima.at_pounds(lot_id, max_lb)
    found = trace(lambda lb: optima.at_pounds(lot_id, lb), left, right, left_lb, max_lb)
    steps = [
        SupplyStep(begin, end, each.slope + 0.0, -each.at(begin))
        for each, (begin, end) in zip(found.tangents, pairwise(found.ends), strict=True)
    ]
    return SupplyCurve(
        lot_id,
        lot.delivered_usd_per_lb,
        lot.max_lb,
        tuple(steps),
        found.solves + 2,
        found.gap,
        optima.curve_certificate(found),
    )


# Pounds by two prices ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RegionMap:
    """The critical regions of a window of two prices; within one the plan uses the same pounds.

    Where `is_exact`, the program was solved at every corner of every region and its cost was
    within `gap_usd` of the region's own; cost is concave in the prices, so no region is missing.
    Otherwise the limit on solves came first.
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

    def certified(self, case: Case) -> Certified:
        """Check a certified map against the case and its window."""
        return certify_regions(
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

    Raises InputRefused and NoPlan as `open_case` does, and InputRefused where profit is unbounded
    at the lowest prices, or where the window has no width (a lot without a price).
    """
    if lot_ids[0] == lot_ids[1]:
        twice = f"{lot_ids[0]} twice"
        raise refusal("lots", "lot_id", twice, "", "Enter two lots.")
    for lot_id, minimum, maximum in zip(lot_ids, min_usd_per_lb, max_usd_per_lb, strict=True):
        if minimum >= maximum:
            wrong = f"no prices of {lot_id} between {minimum:g} and {maximum:g} USD/lb"
            enter = "Enter a price above 0."
            raise refusal("lots", "price", wrong, "", enter)
    opened = open_case(case, *lot_ids)
    optima = _Optima(opened, certify)
    tiling = tile(
        lambda prices: optima.at_prices(lot_ids, prices),
        min_usd_per_lb,
        max_usd_per_lb,
        max_solves,
    )
    cells = sorted(tiling.cells, key=lambda cell: (*_pounds(cell), cell.tangent.at_zero))
    size = np.subtract(max_usd_per_lb, min_usd_per_lb)
    first, second = (opened.lot(lot_id).delivered_usd_per_lb for lot_id in lot_ids)
    return RegionMap(
        lot_ids,
        (first, second),
        min_usd_per_lb,
        max_usd_per_lb,
        tuple(
            Region(_pounds(cell), float(cell.tangent.at_zero), optima.corners(cell, size))
            for cell in cells
        ),
        tiling.is_exact,
        tiling.solves,
        tiling.gap,
        tuple(map(optima.region_certificate, cells)) if certify else (),
    )


def _pounds(cell: Cell) -> tuple[float, float]:
    first, second = cell.tangent.slopes
    return max(0.0, first), max(0.0, second)


def _certified(kept: CurveCertificate | None) -> CurveCertificate:
    if kept is None:
        raise ValueError("the curve was traced without certificates")
    return kept
