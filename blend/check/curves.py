"""Certificates of break-even curves: pounds by price, and cost by pounds on offer.

The least cost of a plan is concave in the delivered price of a lot (a minimum of lines, one for
each plan) and convex in its pounds on offer. So a curve is right everywhere as soon as it is right
where its steps meet:

- demand: each step is a feasible plan that uses the pounds reported, so the cost lies nowhere above
  its line; at each end of a step dual prices show that it lies nowhere below; between two ends a
  concave cost lies above the chord, which is the line. Beyond the last end the cost rises by the
  fewest pounds with which there is a plan.
- supply: the dual prices of each step are a line below the cost for any pounds on offer; at each
  end a plan costs what the line says; between two ends a convex cost lies below the chord.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from blend.check.findings import NEAR_POUNDS, NEAR_POUNDS_SHARE, Findings
from blend.check.statement import Statement
from blend.domain.case import Case
from blend.domain.certificates import (
    Certified,
    CurveCertificate,
    DemandStep,
    PlanPounds,
    SupplyStep,
)
from blend.domain.exact import at_delivered_price, with_weights
from blend.domain.lots import Lot
from blend.domain.prices import DualPrices

_ZERO = Fraction(0)


def certify_demand(
    case: Case,
    lot_id: str,
    steps: Sequence[DemandStep],
    certificate: CurveCertificate,
    *,
    available_lb: float,
    min_usd_per_lb: float,
    max_usd_per_lb: float = math.inf,
) -> Certified:
    """Check a demand curve against the case.

    `available_lb` is the pounds on offer that the curve assumes, infinite for no limit; the two
    prices are the ends of the range that was asked for.
    """
    curve = _Curve(case, lot_id)
    ends = [step.min_usd_per_lb for step in steps] + [step.max_usd_per_lb for step in steps[-1:]]
    if not curve.has_shape(steps, certificate, ends):
        return curve.found.certified(len(steps))
    follow = all(a.max_usd_per_lb == b.min_usd_per_lb for a, b in pairwise(steps))
    curve.found.fault(not follow, "a step does not begin where the one before it ends")
    reach = ends[0] == min_usd_per_lb and ends[-1] == max_usd_per_lb
    curve.found.fault(not reach, "the curve does not cover the prices asked for")
    falls = all(a.pounds_lb > b.pounds_lb for a, b in pairwise(steps))
    curve.found.fault(not falls, "pounds do not fall from step to step")
    for step, each in zip(steps, certificate.steps, strict=True):
        curve.demand_step(step, each.pounds, available_lb)
    meeting = pairwise([None, *steps, None])
    for end, each, both in zip(ends, certificate.ends, meeting, strict=True):
        if math.isfinite(end):
            there = [step for step in both if step is not None]
            curve.demand_end(end, each.prices, there, available_lb)
    if math.isinf(ends[-1]) and steps[-1].pounds_lb > 0:
        curve.needed(steps[-1].pounds_lb, certificate.fewest, available_lb)
    return curve.found.certified(len(steps))


def certify_supply(
    case: Case,
    lot_id: str,
    steps: Sequence[SupplyStep],
    certificate: CurveCertificate,
    *,
    min_lb: float = 0.0,
    max_lb: float = math.inf,
) -> Certified:
    """Check a supply curve against the case, between the pounds it was asked for."""
    curve = _Curve(case, lot_id)
    ends = [step.min_lb for step in steps] + [step.max_lb for step in steps[-1:]]
    if not curve.has_shape(steps, certificate, ends):
        return curve.found.certified(len(steps))
    follow = all(a.max_lb == b.min_lb for a, b in pairwise(steps))
    curve.found.fault(not follow, "a step does not begin where the one before it ends")
    reach = ends[0] >= min_lb and ends[-1] == max_lb
    curve.found.fault(not reach, "the curve does not cover the pounds asked for")
    falls = all(a.next_lb_saves_usd > b.next_lb_saves_usd for a, b in pairwise(steps))
    curve.found.fault(not falls, "the value of a pound does not fall from step to step")
    if ends[0] > min_lb:
        curve.needed(ends[0], certificate.fewest, math.inf)
    for step, each in zip(steps, certificate.steps, strict=True):
        curve.supply_step(step, each.prices)
    meeting = pairwise([None, *steps, None])
    for end, each, both in zip(ends, certificate.ends, meeting, strict=True):
        for met in both if math.isfinite(end) else ():
            if met is not None:
                curve.supply_end(end, each.pounds, _usd_at(met, end))
    return curve.found.certified(len(steps))


class _Curve:
    """The case with another price or quantity of one lot, and what is found of its curve."""

    def __init__(self, case: Case, lot_id: str) -> None:
        self.case, self.lot = with_weights(case), case.lot(lot_id)
        self.statement = Statement(self.case)
        self.found = Findings()

    def with_pounds(self, pounds_lb: float, lot: Lot | None = None) -> Case:
        """The case with so many pounds of the lot on offer, infinite for no limit."""
        quantity_lb = None if math.isinf(pounds_lb) else pounds_lb
        other = replace(lot or self.lot, quantity_lb=quantity_lb)
        lots = tuple(other if each is self.lot else each for each in self.case.lots)
        return replace(self.case, lots=lots)

    def at(self, usd_per_lb: float, pounds_lb: float) -> Case:
        return self.with_pounds(pounds_lb, at_delivered_price(self.lot, usd_per_lb))

    def has_shape(
        self, steps: Sequence, certificate: CurveCertificate, ends: Sequence[float]
    ) -> bool:
        """Whether each step and end has its certificate; steps must have a width."""
        complete = len(certificate.steps) == len(steps) and len(certificate.ends) == len(ends)
        self.found.fault(not steps, "the curve has no step")
        self.found.fault(not complete, "a step has no certificate")
        self.found.fault(any(a >= b for a, b in pairwise(ends)), "a step has no width")
        return bool(steps) and complete

    def demand_step(self, step: DemandStep, plan: PlanPounds, available_lb: float) -> None:
        """The step's plan is feasible, uses the pounds reported and costs what is reported."""
        name, pounds = f"the step of {step.pounds_lb:,.1f} lb", Fraction(step.pounds_lb)
        used = used_lb(plan, self.lot.lot_id)
        plan = replace(plan, take_lb={**plan.take_lb, self.lot.lot_id: used})
        primal = self.statement.primal(self.at(0.0, available_lb), plan)
        self.found.fault(not primal.is_feasible, f"{name} breaks a limit: {primal.worst}")
        self.found.same_pounds(pounds, Fraction(used), f"{name} does not use those pounds")
        text = f"{name} does not cost what is reported"
        self.found.meet(Fraction(step.rest_usd), primal.cost, 1 + pounds, text)

    def demand_end(
        self, end: float, prices: DualPrices, there: Sequence[DemandStep], available_lb: float
    ) -> None:
        """No plan costs less at the price than the steps that meet there say."""
        pounds = [Fraction(step.pounds_lb) for step in there]
        costs = [
            Fraction(step.rest_usd) + lb * Fraction(end)
            for step, lb in zip(there, pounds, strict=True)
        ]
        fall = max(pounds) - (min(pounds) if len(there) > 1 else 0)
        bound = self.statement.dual(self.at(end, available_lb), prices).bound
        for cost in costs:
            text = f"the cost at {end * 100:.4f} $/cwt is not certified"
            self.found.meet(cost, bound, 1 + fall, text)

    def supply_step(self, step: SupplyStep, prices: DualPrices) -> None:
        """No plan costs less than the step's line, at either end of it."""
        name = f"the step from {step.min_lb:,.1f} lb"
        for lb in (step.min_lb, step.max_lb):
            if math.isinf(lb) and step.next_lb_saves_usd != 0:
                self.found.fault(True, f"{name} is unbounded")
                continue
            bound = self.statement.dual(self.with_pounds(lb), prices).bound
            text = f"{name} is not certified"
            self.found.meet(_usd_at(step, lb), bound, _depends_on_price(lb), text)

    def supply_end(self, pounds_lb: float, plan: PlanPounds, reported: Fraction) -> None:
        primal = self.statement.primal(self.with_pounds(pounds_lb), plan)
        name = f"the plan with {pounds_lb:,.1f} lb"
        self.found.fault(not primal.is_feasible, f"{name} breaks a limit: {primal.worst}")
        text = f"{name} does not cost what is reported"
        self.found.meet(reported, primal.cost, _depends_on_price(pounds_lb), text)

    def needed(self, pounds_lb: float, prices: DualPrices | None, available_lb: float) -> None:
        """Every plan uses these pounds: at a dollar a pound, and all else free, none is cheaper."""
        minimum = _ZERO
        if prices is not None:
            priced = _only_pounds_cost(self.at(1.0, available_lb), self.lot.lot_id)
            minimum = self.statement.dual(priced, prices).bound
        allowed_lb = NEAR_POUNDS + NEAR_POUNDS_SHARE * Fraction(pounds_lb)
        text = f"that no plan uses less than {pounds_lb:,.1f} lb is not certified"
        self.found.fault(Fraction(pounds_lb) - minimum > allowed_lb, text)


def used_lb(plan: PlanPounds, lot_id: str) -> float:
    return sum(lb for (own, _), lb in plan.use_lb.items() if own == lot_id)


def _depends_on_price(pounds_lb: float) -> Fraction:
    return 1 + (Fraction(pounds_lb) / 1000 if math.isfinite(pounds_lb) else _ZERO)


def _usd_at(step: SupplyStep, pounds_lb: float) -> Fraction:
    further = Fraction(pounds_lb) - Fraction(step.min_lb) if math.isfinite(pounds_lb) else _ZERO
    return Fraction(step.usd_at_least) - Fraction(step.next_lb_saves_usd) * further


def _only_pounds_cost(case: Case, lot_id: str) -> Case:
    """The case in which a plan costs the pounds it takes of one lot, a dollar each."""
    lots = tuple(
        replace(
            lot,
            price_usd_per_lb=1.0 if lot.lot_id == lot_id else 0.0,
            price_basis="delivered",
            freight_usd_per_lb=0.0,
            salvage_value_usd_per_lb=0.0,
        )
        for lot in case.lots
    )
    products = tuple(
        replace(
            product,
            sale_usd_per_lb=0.0,
            shortage_penalty_usd_per_lb=product.shortage_penalty_usd_per_lb and 0.0,
        )
        for product in case.products
    )
    return replace(case, lots=lots, products=products)
