"""What the pounds of a lot are worth: the cost of the plan against how many there are.

The cost is convex and piecewise linear in the pounds on offer, and it falls by what the next
pound is worth, so the worth is a flight of steps, found as the demand curve is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from blend.check.curves import CurveProof, prove_supply
from blend.domain.case import Case
from blend.domain.certificates import CurveCertificate, SupplyStep
from blend.errors import InputRefused, Problem
from blend.model.certificates import certificate
from blend.model.solver import Answer, Outcome
from blend.trader.certified import Kept
from blend.trader.envelope import Line, trace
from blend.trader.opening import OpenCase, open_case


@dataclass(frozen=True, slots=True)
class SupplyCurve:
    """Cost of the plan against pounds of one lot on offer, at its delivered price.

    `gap_usd` is the solver's, as for `blend.trader.demand.DemandCurve`; so is `prove`.
    """

    lot_id: str
    delivered_usd_per_lb: float
    offered_lb: float
    steps: tuple[SupplyStep, ...]
    """From the fewest pounds up; the worth falls from step to step."""
    solves: int
    gap_usd: float
    certificate: CurveCertificate | None = None
    """What `prove` needs; there where the curve was asked for with it."""

    @property
    def needed_lb(self) -> float:
        """With fewer pounds than these there is no plan."""
        return self.steps[0].min_lb

    def plan_usd_at(self, pounds_lb: float) -> float:
        """Cost of the plan with these pounds on offer; raises ValueError outside the curve."""
        step = self._steps_at(pounds_lb)[-1]
        return step.usd_at_least - step.next_lb_saves_usd * (pounds_lb - step.min_lb)

    def value_at(self, pounds_lb: float) -> tuple[float, float]:
        """What a pound more saves and a pound less would cost, USD per lb.

        They differ at a breakpoint only; at `needed_lb` a pound less leaves no plan.
        """
        touching = self._steps_at(pounds_lb)
        at_least = pounds_lb == self.needed_lb and self.needed_lb > 0
        less = math.inf if at_least else touching[0].next_lb_saves_usd
        return touching[-1].next_lb_saves_usd, less

    def prove(self, case: Case, min_lb: float = 0.0, max_lb: float = math.inf) -> CurveProof:
        """Hold a certified curve against the case and the pounds that it was asked for between."""
        return prove_supply(
            case, self.lot_id, self.steps, self.certificate, min_lb=min_lb, max_lb=max_lb
        )

    def _steps_at(self, pounds_lb: float) -> list[SupplyStep]:
        touching = [step for step in self.steps if step.min_lb <= pounds_lb <= step.max_lb]
        if not touching:
            raise ValueError(f"{pounds_lb} lb lies outside the curve")
        return touching


def supply_curve(
    case: Case,
    lot_id: str,
    *,
    min_lb: float = 0.0,
    max_lb: float = math.inf,
    certify: bool = False,
) -> SupplyCurve:
    """The exact cost of the plan against pounds of a lot, from `min_lb` (or the fewest with
    which there is a plan, where those are more) to `max_lb`. `certify` keeps what
    `SupplyCurve.prove` needs.

    Raises InputRefused and NoPlan as `open_case` does, and InputRefused where money could be
    made without end with that many pounds.
    """
    opened = open_case(case, lot_id)
    lot = opened.lot(lot_id)
    kept = Kept(opened.linear.model) if certify else None

    def tangent(pounds_lb: float) -> Line:
        answer = _solve_with(opened, lot_id, pounds_lb)
        return _tangent(opened, lot_id, pounds_lb, answer, kept)

    try:
        left_lb, answer = _fewest(opened, lot_id, min_lb, kept)
        left = _tangent(opened, lot_id, left_lb, answer, kept)
        right = tangent(max_lb)
        found = trace(
            tangent,
            left,
            right,
            left_lb,
            max_lb,
        )
    finally:
        opened.put_back(lot_id)
    steps = [
        SupplyStep(begin, end, line.slope + 0.0, -line.at(begin))
        for line, (begin, end) in zip(found.lines, pairwise(found.ends), strict=True)
    ]
    return SupplyCurve(
        lot_id,
        lot.delivered_usd_per_lb,
        lot.max_lb,
        tuple(steps),
        found.solves + 2,
        found.gap,
        None if kept is None else kept.certificate(found.lines, found.ends),
    )


def _fewest(
    opened: OpenCase, lot_id: str, min_lb: float, kept: Kept | None
) -> tuple[float, Answer]:
    answer = _solve_with(opened, lot_id, min_lb)
    if answer.outcome is Outcome.OPTIMAL:
        return min_lb, answer
    opened.set_pounds(lot_id, opened.lot(lot_id).max_lb)
    fewest = opened.fewest(lot_id)
    if kept is not None:
        kept.fewest = certificate(opened.linear.model, fewest).prices
    pounds_lb = float(fewest.x[opened.column(lot_id)])
    return pounds_lb, _solve_with(opened, lot_id, pounds_lb)


def _solve_with(opened: OpenCase, lot_id: str, pounds_lb: float) -> Answer:
    opened.set_pounds(lot_id, pounds_lb)
    answer = opened.linear.solve()
    if answer.outcome is Outcome.UNBOUNDED:
        read = f"{pounds_lb:g} lb of {lot_id}, with which money could be made without end"
        raise InputRefused([Problem("lots", None, "quantity_lb", read, "fewer pounds")])
    return answer


def _tangent(
    opened: OpenCase, lot_id: str, pounds_lb: float, answer: Answer, kept: Kept | None
) -> Line:
    """Minus the cost, which is concave, as a line in the pounds; its slope is their worth.

    A pound that may be left on offer is never worth less than nothing.
    """
    value = max(0.0, -float(answer.column_dual[opened.column(lot_id)]))
    if math.isinf(pounds_lb):
        line = Line(-answer.objective, 0.0)
    else:
        line = Line.through(pounds_lb, -answer.objective, value)
    return line if kept is None else kept.keep(pounds_lb, line, answer)
