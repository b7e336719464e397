"""A plan with promised confidence, held against the case in exact fractions.

The plan itself goes through `blend.check.check`, each promise through `blend.check.chance`. The
bound on every plan that keeps the promises comes from dual prices (`blend.check.bound`), with the
promises priced as rows of their own: a batch that keeps one has, over its limit,

    over · x >= q ‖S x‖ >= q Σ s² d x / ‖S d‖    for every direction d (Cauchy and Schwarz),

with the variance of a pound of a lot at the least it can be. In a batch a lot has at most B
pounds (all that the blender holds, or all there is), which come from n = ⌈B / container⌉
containers at most; of b pounds from n containers the squares add up to b² / n at least. What holds
for each batch holds for their sum, as the norm of a sum is at most the sum of the norms.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from blend.check.bound import dual_bound, rounded_down
from blend.check.chance import check_chance_constraints, limit_of, retained
from blend.check.check import check_plan, count_money
from blend.check.exact import exact
from blend.check.frame import Frame
from blend.domain.case import Case
from blend.domain.certificates import ChanceCertificate, ConfidencePrice
from blend.domain.lots import Lot
from blend.domain.plan import Plan, Verdict
from blend.domain.products import Product
from blend.domain.uncertainty import ChanceCheck, ChanceConstraint, LeanUncertainty, Sides

NEAR_USD_SHARE = 1e-6
"""Of the cost: how far the bound may lie above the plan, by what the search leaves open."""
_DIGITS = 10**12
_QUANTILE_DIGITS = 10**10
_ZERO = Fraction(0)


@dataclass(frozen=True, slots=True)
class SafeProof:
    """What exact arithmetic says of a plan with promises."""

    bound_usd: float
    """No plan that keeps the promises costs less, by the dual prices."""
    faults: tuple[str, ...]

    @property
    def is_sound(self) -> bool:
        return not self.faults


def prove_safe(
    case: Case,
    plan: Plan,
    checks: tuple[ChanceCheck, ...],
    uncertainty: Mapping[str, LeanUncertainty],
    chance_constraints: Iterable[ChanceConstraint],
    certificate: ChanceCertificate,
    *,
    any_plan_usd: float,
    without_usd: float,
) -> SafeProof:
    """Hold a plan with promises, and the bound told of it, against the case.

    `without_usd` is a bound proved of the plans without promises, which holds of these too.
    """
    chance_constraints, faults = tuple(chance_constraints), []
    parts = case, plan.takes, plan.runs, plan.shortage_lb
    held = check_plan(*parts)
    broken = [check for check in held if check.verdict is Verdict.BROKEN]
    faults += [f"the plan breaks {check.requirement.constraint_class.value}" for check in broken]
    if held != plan.proof.checks:
        faults.append("the checks told are not those of the plan")
    if count_money(*parts) != plan.money:
        faults.append("the money told is not that of the plan")
    kept = check_chance_constraints(case, plan.runs, uncertainty, chance_constraints)
    if kept != checks:
        faults.append("the margins told are not those of the plan")
    faults += [
        f"the promise of {check.product_id} on lean {check.side.value} is broken"
        for check in kept
        if not check.is_kept
    ]
    bound = rounded_down(chance_bound(case, uncertainty, chance_constraints, certificate))
    if any_plan_usd > max(bound, without_usd):
        faults.append("that no plan costs less than is told is not proved")
    search = plan.proof.bound
    room = NEAR_USD_SHARE * max(1.0, abs(search.objective_usd))
    if max(any_plan_usd, search.bound_usd) > search.objective_usd + room:
        faults.append("the bound lies above the plan")
    if search.printed_usd != plan.money.total_usd:
        faults.append("the gap is not that of the printed plan")
    is_kept_in_full = all(check.verdict in (Verdict.MET, Verdict.NOTE) for check in held)
    if is_kept_in_full and any_plan_usd > plan.money.total_usd + room:
        faults.append("the bound is above the printed plan")
    return SafeProof(bound, tuple(faults))


def chance_bound(
    case: Case,
    uncertainty: Mapping[str, LeanUncertainty],
    chance_constraints: Iterable[ChanceConstraint],
    certificate: ChanceCertificate,
) -> Fraction:
    """A cost that no plan which keeps the promises goes below, whatever the prices."""
    frame = Frame(case)
    priced = {(each.product_id, each.side): each for each in certificate.chance_constraints}
    more: dict[tuple[str, str], Fraction] = {}
    for chance_constraint in chance_constraints:
        for side in chance_constraint.each_side:
            price = priced.get((chance_constraint.product_id, side))
            if price is None or not price.usd_per_lb > 0:
                continue
            usd = Fraction(price.usd_per_lb)
            for lot_id, over in _straight(
                frame, case, chance_constraint, price, uncertainty
            ).items():
                key = lot_id, chance_constraint.product_id
                more[key] = more.get(key, _ZERO) + usd * over
    return dual_bound(frame, case, certificate.prices, more)


def _straight(
    frame: Frame,
    case: Case,
    chance_constraint: ChanceConstraint,
    price: ConfidencePrice,
    uncertainty: Mapping[str, LeanUncertainty],
) -> dict[str, Fraction]:
    """By lot: pounds of lean over the limit that a pound put in brings, less its part of the
    distance that is kept for spread; no plan with the promise has a sum below zero."""
    product = case.product(chance_constraint.product_id)
    limit = limit_of(case, product, price.side)
    sign = 1 if price.side is Sides.BELOW else -1
    pairs = {
        frame.lots[pair.lot].lot_id: (
            Fraction(pair.lean, frame.unit),
            Fraction(pair.lean + pair.fat, frame.unit),
        )
        for pair in frame.products[chance_constraint.product_id].pairs.values()
    }
    held = {lot_id: Fraction(price.pounds_lb.get(lot_id, 0.0)) for lot_id in pairs}
    variance = {
        lot_id: _min_variance(case, product, case.lot(lot_id), limit, mass, uncertainty)
        for lot_id, (_, mass) in pairs.items()
    }
    batch = chance_constraint.batch
    off_share2 = exact(batch.mixing_sd_share) ** 2 + exact(batch.test_error) ** 2
    volume = sum((held[lot_id] * mass for lot_id, (_, mass) in pairs.items()), _ZERO)
    norm2 = sum((variance[lot_id] * lb**2 for lot_id, lb in held.items()), _ZERO)
    norm2 += off_share2 * volume**2
    norm = Fraction(math.isqrt(math.ceil(norm2 * _DIGITS**2)) + 1, _DIGITS)
    distance = _quantile(chance_constraint) / norm
    return {
        lot_id: sign * (lean - limit * mass)
        - distance * (variance[lot_id] * held[lot_id] + off_share2 * volume * mass)
        for lot_id, (lean, mass) in pairs.items()
    }


def _min_variance(
    case: Case,
    product: Product,
    lot: Lot,
    limit: Fraction,
    mass: Fraction,
    uncertainty: Mapping[str, LeanUncertainty],
) -> Fraction:
    """Of the lean that b pounds of a lot bring over the limit, by b²: the least it can be."""
    spread = uncertainty.get(lot.lot_id, LeanUncertainty("", 0.0, 0.0))
    lean, fat = retained(lot, product, case.losses)
    gain = lean * (1 - limit) + fat * limit
    containers = 1
    if lot.container_lb and mass:
        max_lb = exact(product.blender_max_lb) / mass
        if lot.quantity_lb is not None:
            max_lb = min(max_lb, exact(lot.quantity_lb))
        containers = max(1, math.ceil(max_lb / exact(lot.container_lb)))
    error, container = exact(spread.standard_error_share), exact(spread.container_sd_share)
    return gain**2 * (error**2 + container**2 / containers)


def _quantile(chance_constraint: ChanceConstraint) -> Fraction:
    """Standard deviations of the normal curve, a hair below the true number."""
    whole = math.floor(chance_constraint.quantile * _QUANTILE_DIGITS) - 1
    return max(_ZERO, Fraction(whole, _QUANTILE_DIGITS))
