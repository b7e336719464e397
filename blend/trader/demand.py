"""What a lot is worth to a grinder: the pounds that the plan takes at each delivered price.

The cost of the plan is concave and piecewise linear in one price, and the pounds taken are its
slope, so the demand curve is a flight of steps that `blend.trader.envelope` finds exactly. The
linear program is meant: containers, counts and batches are divisible.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from itertools import pairwise

from blend.check.curves import CurveProof, prove_demand
from blend.domain.case import Case
from blend.domain.certificates import CurveCertificate, DemandStep
from blend.domain.lots import Lot
from blend.errors import InputRefused, Problem
from blend.model.certificates import certificate
from blend.model.solver import Outcome
from blend.trader.certified import Kept
from blend.trader.envelope import Line, trace
from blend.trader.opening import OpenCase, open_case

MIN_LB = 1e-4
"""Fewer pounds than this are the solver's rounding."""


@dataclass(frozen=True, slots=True)
class Breakpoint:
    """A delivered price at which the pounds taken change; at it, any pounds between are best."""

    usd_per_lb: float
    min_lb: float
    max_lb: float


@dataclass(frozen=True, slots=True)
class DemandCurve:
    """Pounds of one lot that the plan takes, by delivered price, all else as it is.

    `gap_usd` is the solver's: at every breakpoint the program was solved, and its cost lay no
    farther than this from the lines of the two steps that meet there. Cost being concave in
    the price, no step between can then be missing. `prove` holds the curve against the case
    without the solver.
    """

    lot_id: str
    delivered_usd_per_lb: float
    available_lb: float
    steps: tuple[DemandStep, ...]
    """From the least price up; the pounds fall from step to step."""
    solves: int
    gap_usd: float
    certificate: CurveCertificate | None = None
    """What `prove` needs; there where the curve was asked for with it."""

    @property
    def breakpoints(self) -> tuple[Breakpoint, ...]:
        return tuple(
            Breakpoint(step.max_usd_per_lb, after.pounds_lb, step.pounds_lb)
            for step, after in pairwise(self.steps)
        )

    @property
    def entry_usd_per_lb(self) -> float | None:
        """The highest delivered price at which the plan takes some of the lot.

        Infinite when there is no plan without it, None when none is taken at any price asked.
        Where the curve was asked for up to a price at which some is still taken, that price.
        """
        taken = [step for step in self.steps if step.pounds_lb > MIN_LB]
        return taken[-1].max_usd_per_lb if taken else None

    def pounds_at(self, usd_per_lb: float) -> tuple[float, float]:
        """Least and most pounds that are best at a price; they differ at a breakpoint only.

        What lies beyond an end of the curve is not known: a price at the very end may be a
        breakpoint too, as 0 is where left-over meat is worth nothing. Raises ValueError for a
        price outside the curve.
        """
        ends = [step.max_usd_per_lb for step in self.steps]
        if not self.steps[0].min_usd_per_lb <= usd_per_lb <= ends[-1]:
            raise ValueError(f"{usd_per_lb} lies outside the curve")
        first = bisect_left(ends, usd_per_lb)
        last = min(bisect_right(ends, usd_per_lb), len(ends) - 1)
        return self.steps[last].pounds_lb, self.steps[first].pounds_lb

    def plan_usd_at(self, usd_per_lb: float) -> float:
        """Cost of the plan when the lot's delivered price is this."""
        min_lb, _ = self.pounds_at(usd_per_lb)
        step = next(step for step in self.steps if step.pounds_lb == min_lb)
        return step.rest_usd + step.pounds_lb * usd_per_lb

    def prove(
        self,
        case: Case,
        min_usd_per_lb: float | None = None,
        max_usd_per_lb: float = math.inf,
    ) -> CurveProof:
        """Hold a certified curve against the case and the prices that it was asked for between."""
        if min_usd_per_lb is None:
            min_usd_per_lb = min_price(case.lot(self.lot_id), self.available_lb)
        return prove_demand(
            case,
            self.lot_id,
            self.steps,
            self.certificate,
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
    """The exact demand curve of a lot between two delivered prices.

    Pounds are those used: below the lot's left-over value that value falls with the price, as
    no sheet may state a higher one, so that none is bought only to be left over.
    It begins at 0 when no least price is given; without a limit on the pounds it begins at
    their left-over value, below which buying to leave over would pay without end.
    `available_lb` asks as if that much were on offer, infinite for no limit; None means what
    there is. `certify` keeps what `DemandCurve.prove` needs. Raises InputRefused and NoPlan as
    `open_case` does, and InputRefused where money could be made without end at the least price.
    """
    opened = open_case(case, lot_id)
    return demand_of(
        opened,
        lot_id,
        min_usd_per_lb=min_usd_per_lb,
        max_usd_per_lb=max_usd_per_lb,
        available_lb=available_lb,
        certify=certify,
    )


def demand_of(
    opened: OpenCase,
    lot_id: str,
    *,
    min_usd_per_lb: float | None = None,
    max_usd_per_lb: float = math.inf,
    available_lb: float | None = None,
    certify: bool = False,
) -> DemandCurve:
    """As `demand_curve`, on a case that is open already."""
    lot = opened.lot(lot_id)
    available = lot.max_lb if available_lb is None else available_lb
    floor = min_price(lot, available)
    low = floor if min_usd_per_lb is None else min_usd_per_lb
    high = max_usd_per_lb
    kept = Kept(opened.linear.model) if certify else None
    if low < floor:
        raise _money_without_end(lot_id, low)
    opened.set_pounds(lot_id, available)
    try:
        left = tangent_at(opened, lot_id, low, kept)
        if math.isinf(high):
            right = _tangent_far_out(opened, lot_id, available, kept)
        else:
            right = tangent_at(opened, lot_id, high, kept)
        found = trace(lambda price: tangent_at(opened, lot_id, price, kept), left, right, low, high)
    finally:
        opened.put_back(lot_id)
    steps = [
        DemandStep(begin, end, max(0.0, line.slope), line.at_zero)
        for line, (begin, end) in zip(found.lines, pairwise(found.ends), strict=True)
    ]
    return DemandCurve(
        lot_id,
        lot.delivered_usd_per_lb,
        available,
        tuple(steps),
        found.solves + 2,
        found.gap,
        None if kept is None else kept.certificate(found.lines, found.ends),
    )


def min_price(lot: Lot, available_lb: float) -> float:
    """The delivered price that a curve begins at: a limit keeps within bounds what leaving over
    could earn; without one it has no end below the left-over value."""
    return max(0.0, lot.salvage_value_usd_per_lb) if math.isinf(available_lb) else 0.0


def tangent_at(opened: OpenCase, lot_id: str, usd_per_lb: float, kept: Kept | None = None) -> Line:
    """The cost of the plan as a line in the lot's delivered price, exact at this price.

    The price stays set. Raises InputRefused where money could be made without end.
    """
    opened.set_price(lot_id, usd_per_lb)
    answer = opened.linear.solve()
    if answer.outcome is not Outcome.OPTIMAL:
        raise _money_without_end(lot_id, usd_per_lb)
    line = Line.through(usd_per_lb, answer.objective, opened.pounds_used(answer, lot_id))
    return line if kept is None else kept.keep(usd_per_lb, line, answer)


def _money_without_end(lot_id: str, usd_per_lb: float) -> InputRefused:
    read = f"{usd_per_lb:g} USD/lb for {lot_id}, at which money could be made without end"
    allowed = "a higher price, or a stated quantity of the lot"
    return InputRefused([Problem("lots", None, "price", read, allowed)])


def _tangent_far_out(opened: OpenCase, lot_id: str, available_lb: float, kept: Kept | None) -> Line:
    """The line on which the cost ends as the price grows without limit.

    It has the least pounds with which there is a plan, as a rule none.
    """
    linear = opened.linear
    opened.set_price(lot_id, opened.lot(lot_id).delivered_usd_per_lb)
    opened.set_pounds(lot_id, 0.0)
    answer = linear.solve()
    if answer.outcome is not Outcome.OPTIMAL:
        opened.set_pounds(lot_id, available_lb)
        fewest = opened.fewest(lot_id)
        if kept is not None:
            kept.fewest = certificate(linear.model, fewest).prices
        opened.set_pounds(lot_id, float(fewest.x[opened.column(lot_id)]))
        answer = linear.solve()
    opened.set_pounds(lot_id, available_lb)
    price = opened.lot(lot_id).delivered_usd_per_lb
    line = Line.through(price, answer.objective, opened.pounds_used(answer, lot_id))
    return line if kept is None else kept.keep(math.inf, line, answer)
