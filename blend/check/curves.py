"""Demand and supply curves held against the case, in exact fractions and outside the solver.

The least cost of a plan is concave in the delivered price of a lot (a least of lines, one for
each plan) and convex in its pounds on offer. So a curve is right everywhere as soon as it is
right where its pieces meet:

- demand: each step is a plan that keeps every requirement and uses the pounds told, so that the
  cost lies nowhere above its line; at each end of a step dual prices prove that it lies nowhere
  below; between two ends a concave cost lies above the chord, which is the line.
  Beyond the last end the cost rises by the fewest pounds with which there is a plan.
- supply: the dual prices of each step are a line below the cost for any pounds on offer; at each
  end a plan costs what the line says; between two ends a convex cost lies below the chord.

A price where two steps meet may be off by `NEAR_USD_PER_LB` (0.0001 USD/cwt, the last figure that
is shown), so a cost by that times the pounds by which they differ; beside it stands what adding
up a cost in floats loses, a ten-billionth of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

from blend.check.bound import dual_bound
from blend.check.exact import at_delivered_price, with_weights
from blend.check.frame import Frame
from blend.check.linear import put_on_scales
from blend.domain.case import Case
from blend.domain.certificates import CurveCertificate, DemandStep, PlanPounds, SupplyStep
from blend.domain.lots import Lot
from blend.domain.prices import DualPrices

NEAR_USD_PER_LB = Fraction(1, 10**6)
NEAR_COST_SHARE = Fraction(1, 10**10)
NEAR_POUNDS_SHARE = Fraction(1, 10**8)
NEAR_POUNDS = Fraction(1, 10_000)
MIN_USD = Fraction(1, 100_000)


@dataclass(frozen=True, slots=True)
class CurveProof:
    """What exact arithmetic says of a curve."""

    steps: int
    gap_usd: float
    """The most that the cost of a plan can differ from the curve, at any price or pounds."""
    faults: tuple[str, ...]
    """What is wrong, in words of the tables; empty when the curve is right."""

    @property
    def is_sound(self) -> bool:
        return not self.faults


def prove_demand(
    case: Case,
    lot_id: str,
    steps: Sequence[DemandStep],
    certificate: CurveCertificate,
    *,
    available_lb: float,
    min_usd_per_lb: float,
    max_usd_per_lb: float = math.inf,
) -> CurveProof:
    """Hold a demand curve against the case it is of.

    `available_lb` is how much it takes to be on offer, infinite for no limit; the two prices
    are those between which it was asked for.
    """
    return _Demand(case, lot_id, available_lb).prove(
        steps, certificate, min_usd_per_lb, max_usd_per_lb
    )


def prove_supply(
    case: Case,
    lot_id: str,
    steps: Sequence[SupplyStep],
    certificate: CurveCertificate,
    *,
    min_lb: float = 0.0,
    max_lb: float = math.inf,
) -> CurveProof:
    """Hold a supply curve against the case it is of, between the pounds it was asked for."""
    return _Supply(case, lot_id).prove(steps, certificate, min_lb, max_lb)


class _Curve:
    """What both curves are held against: the case with another price or quantity of the lot."""

    def __init__(self, case: Case, lot_id: str) -> None:
        self.case, self.lot = with_weights(case), case.lot(lot_id)
        self.frame = Frame(self.case)
        self.faults: list[str] = []
        self.gap_usd = Fraction(0)

    def fault(self, is_one: bool, text: str) -> None:
        if is_one:
            self.faults.append(text)

    def with_lot(self, lot: Lot) -> Case:
        """The case with another lot in the place of its own."""
        lots = tuple(lot if each is self.lot else each for each in self.case.lots)
        return replace(self.case, lots=lots)

    def meet(self, stated: Fraction, found: Fraction, allowed: Fraction, text: str) -> None:
        """One of the two is a cost told, the other what the certificate proves of it."""
        self.gap_usd = max(self.gap_usd, abs(stated - found))
        self.fault(abs(stated - found) > allowed, text)

    def prices_bound(self, case: Case, prices: DualPrices) -> Fraction:
        return dual_bound(self.frame, case, prices)

    def shape(self, steps: Sequence, certificate: CurveCertificate, ends: Sequence[float]) -> bool:
        """Whether there is one optimum for each step and end, and the steps follow on each
        other."""
        complete = len(certificate.steps) == len(steps) and len(certificate.ends) == len(ends)
        self.fault(not steps, "the curve has no step")
        self.fault(not complete, "a step has no certificate")
        self.fault(any(a >= b for a, b in pairwise(ends)), "a step is of no width")
        return bool(steps) and complete

    def proof(self, steps: Sequence) -> CurveProof:
        return CurveProof(len(steps), float(self.gap_usd), tuple(self.faults))


class _Demand(_Curve):
    def __init__(self, case: Case, lot_id: str, available_lb: float) -> None:
        super().__init__(case, lot_id)
        self.quantity_lb = None if math.isinf(available_lb) else available_lb

    def at(self, usd_per_lb: float) -> Case:
        """The lot at a delivered price, and as much of it as is asked about."""
        lot = at_delivered_price(self.lot, usd_per_lb)
        return self.with_lot(replace(lot, quantity_lb=self.quantity_lb))

    def prove(
        self,
        steps: Sequence[DemandStep],
        certificate: CurveCertificate,
        min_usd_per_lb: float,
        max_usd_per_lb: float,
    ) -> CurveProof:
        ends = [step.min_usd_per_lb for step in steps] + [
            step.max_usd_per_lb for step in steps[-1:]
        ]
        if not self.shape(steps, certificate, ends):
            return self.proof(steps)
        follow = all(a.max_usd_per_lb == b.min_usd_per_lb for a, b in pairwise(steps))
        self.fault(not follow, "a step does not begin where the one before it ends")
        reach = ends[0] == min_usd_per_lb and ends[-1] == max_usd_per_lb
        self.fault(not reach, "the curve does not reach the prices asked for")
        falls = all(a.pounds_lb > b.pounds_lb for a, b in pairwise(steps))
        self.fault(not falls, "pounds do not fall from step to step")
        for step, each in zip(steps, certificate.steps, strict=True):
            self._step(step, each.pounds)
        beside = pairwise([None, *steps, None])
        for end, each, (below, above) in zip(ends, certificate.ends, beside, strict=True):
            if math.isfinite(end):
                self._end(end, each.prices, below, above)
        if math.isinf(ends[-1]) and steps[-1].pounds_lb > 0:
            self._fewest(steps[-1].pounds_lb, certificate.fewest)
        return self.proof(steps)

    def _step(self, step: DemandStep, plan: PlanPounds) -> None:
        """The step's plan keeps everything, uses the pounds told and costs what is told."""
        used = sum(lb for (lot_id, _), lb in plan.use_lb.items() if lot_id == self.lot.lot_id)
        take = {**plan.take_lb, self.lot.lot_id: used}
        scales = put_on_scales(self.frame, self.at(0.0), replace(plan, take_lb=take))
        name = f"the step of {step.pounds_lb:,.1f} lb"
        self.fault(not scales.keeps_all, f"{name} breaks a limit: {scales.worst}")
        pounds = Fraction(step.pounds_lb)
        off_lb = abs(scales.used_lb.get(self.lot.lot_id, Fraction(0)) - pounds)
        allowed_lb = NEAR_POUNDS + NEAR_POUNDS_SHARE * pounds
        self.fault(off_lb > allowed_lb, f"{name} does not use those pounds")
        rest = Fraction(step.rest_usd)
        near_price = NEAR_USD_PER_LB * (1 + pounds)
        text = f"{name} does not cost what is told"
        self.meet(rest, scales.cost_usd, near_price + self._near(rest), text)

    def _end(
        self, end: float, prices: DualPrices, below: DemandStep | None, above: DemandStep | None
    ) -> None:
        """No plan costs less at the price than the steps that meet there say."""
        there = [step for step in (below, above) if step is not None]
        told = [Fraction(s.rest_usd) + Fraction(s.pounds_lb) * Fraction(end) for s in there]
        between = sorted(Fraction(step.pounds_lb) for step in there)
        fall = between[-1] - (between[0] if len(there) > 1 else 0)
        allowed = NEAR_USD_PER_LB * (1 + fall) + self._near(told[0])
        self.fault(
            max(told) - min(told) > allowed, f"two steps do not meet at {end * 100:.4f} USD/cwt"
        )
        bound = self.prices_bound(self.at(end), prices)
        text = f"the cost at {end * 100:.4f} USD/cwt is not proved"
        self.meet(max(told), bound, allowed, text)

    def _near(self, usd: Fraction) -> Fraction:
        return MIN_USD + NEAR_COST_SHARE * abs(usd)

    def _fewest(self, pounds_lb: float, prices: DualPrices | None) -> None:
        """Every plan uses the pounds of the last step: paid a dollar for each and for nothing
        else, none comes cheaper."""
        minimum = Fraction(0)
        if prices is not None:
            minimum = dual_bound(
                self.frame, _only_pounds_cost(self.at(1.0), self.lot.lot_id), prices
            )
        allowed_lb = NEAR_POUNDS + NEAR_POUNDS_SHARE * Fraction(pounds_lb)
        text = f"that no plan does with less than {pounds_lb:,.1f} lb is not proved"
        self.fault(Fraction(pounds_lb) - minimum > allowed_lb, text)


class _Supply(_Curve):
    def at(self, pounds_lb: float) -> Case:
        quantity_lb = None if math.isinf(pounds_lb) else pounds_lb
        return self.with_lot(replace(self.lot, quantity_lb=quantity_lb))

    def prove(
        self,
        steps: Sequence[SupplyStep],
        certificate: CurveCertificate,
        min_lb: float,
        max_lb: float,
    ) -> CurveProof:
        ends = [step.min_lb for step in steps] + [step.max_lb for step in steps[-1:]]
        if not self.shape(steps, certificate, ends):
            return self.proof(steps)
        follow = all(a.max_lb == b.min_lb for a, b in pairwise(steps))
        self.fault(not follow, "a step does not begin where the one before it ends")
        reach = ends[0] >= min_lb and ends[-1] == max_lb
        self.fault(not reach, "the curve does not reach the pounds asked for")
        falls = all(a.next_lb_saves_usd > b.next_lb_saves_usd for a, b in pairwise(steps))
        self.fault(not falls, "the worth of a pound does not fall from step to step")
        if ends[0] > min_lb:
            self._needed(ends[0], certificate.fewest)
        for step, each in zip(steps, certificate.steps, strict=True):
            self._step(step, each.prices)
        beside = pairwise([None, *steps, None])
        for end, each, both in zip(ends, certificate.ends, beside, strict=True):
            for step in both if math.isfinite(end) else ():
                if step is not None:
                    self._end(end, each.pounds, _usd_at(step, end))
        return self.proof(steps)

    def _step(self, step: SupplyStep, prices: DualPrices) -> None:
        """No plan costs less than the step's line, at either end of it."""
        name = f"the step from {step.min_lb:,.1f} lb"
        for lb in (step.min_lb, step.max_lb):
            if math.isinf(lb) and step.next_lb_saves_usd != 0:
                self.fault(True, f"{name} saves money without end")
                continue
            told = _usd_at(step, lb)
            bound = self.prices_bound(self.at(lb), prices)
            self.meet(told, bound, self._near(told, lb), f"{name} is not proved")

    def _end(self, pounds_lb: float, plan: PlanPounds, told: Fraction) -> None:
        scales = put_on_scales(self.frame, self.at(pounds_lb), plan)
        name = f"the plan with {pounds_lb:,.1f} lb"
        self.fault(not scales.keeps_all, f"{name} breaks a limit: {scales.worst}")
        allowed = self._near(told, pounds_lb)
        self.meet(told, scales.cost_usd, allowed, f"{name} does not cost what is told")

    def _near(self, usd: Fraction, pounds_lb: float) -> Fraction:
        finite_lb = Fraction(pounds_lb) if math.isfinite(pounds_lb) else Fraction(0)
        return MIN_USD + NEAR_COST_SHARE * abs(usd) + NEAR_USD_PER_LB * (1 + finite_lb / 1000)

    def _needed(self, pounds_lb: float, prices: DualPrices | None) -> None:
        """No plan takes fewer pounds, however many there are."""
        minimum = Fraction(0)
        if prices is not None:
            minimum = dual_bound(
                self.frame, _only_pounds_cost(self.at(math.inf), self.lot.lot_id), prices
            )
        text = f"that no plan does with less than {pounds_lb:,.1f} lb is not proved"
        allowed_lb = NEAR_POUNDS + NEAR_POUNDS_SHARE * Fraction(pounds_lb)
        self.fault(Fraction(pounds_lb) - minimum > allowed_lb, text)


def _usd_at(step: SupplyStep, pounds_lb: float) -> Fraction:
    further = Fraction(0)
    if math.isfinite(pounds_lb):
        further = Fraction(pounds_lb) - Fraction(step.min_lb)
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
            shortage_penalty_usd_per_lb=None
            if product.shortage_penalty_usd_per_lb is None
            else 0.0,
        )
        for product in case.products
    )
    return replace(case, lots=lots, products=products)
