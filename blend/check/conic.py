"""The certificate of chance constraints: dual prices and a direction for each.

A batch that keeps one has, over its limit,

    over · x >= q ‖S x‖ >= q Σ s² d x / ‖S d‖    for every direction d (Cauchy and Schwarz),

so each direction gives a linear limit that every such plan meets, and a price of that limit counts
in the dual bound of the linear program (`blend.check.certify`). The variance of a pound of a lot is
taken at the least it can be. In a batch a lot has at most B pounds: all there is, or its share, by
the limits on lean and shares, of all that the blender holds. They come from n = ⌈B / container⌉
containers at most; of b pounds from n containers the squares add up to b² / n at least.

What holds for each batch holds for their sum, as the norm of a sum is at most the sum of the norms.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction

from blend.check.certify import Key, Limit, Measure, dual, rounded_down
from blend.check.chance import check_chance_constraints, limit_of, retained
from blend.check.check import check_plan, count_money
from blend.check.statement import Statement, limit_prices
from blend.domain.case import Case
from blend.domain.certificates import Certified, ChanceCertificate, ConfidencePrice
from blend.domain.exact import exact, kept_of_lb
from blend.domain.lots import Lot
from blend.domain.plan import Plan, Verdict
from blend.domain.products import Product
from blend.domain.rules import RuleKind
from blend.domain.uncertainty import ChanceCheck, ChanceConstraint, LeanUncertainty, Sides

NEAR_USD_SHARE = 1e-6
"""Of the cost: how far the bound may lie above the plan, by what the search leaves open."""
_DIGITS = 10**12
_QUANTILE_DIGITS = 10**10
_SHARE_ROOM = Fraction(1, 10**6)
"""Above the largest share of a lot, so that a limit just met is met here too."""
_ZERO = Fraction(0)

Part = tuple[Fraction, Mapping[Key, Fraction]]
"""One independent error: its variance, and by column how much of it a pound brings."""


def cut(
    quantile: Fraction, parts: Sequence[Part], direction: Mapping[Key, Fraction]
) -> dict[Key, Fraction]:
    """By column, a linear lower bound on `quantile` standard deviations of nonnegative columns:
    the tangent in a nonnegative direction, a hair too small. (Where loadings of both signs make
    the tangent negative, it is below the norm all the same.)"""
    values = [
        sum((f * direction.get(k, _ZERO) for k, f in form.items()), _ZERO) for _, form in parts
    ]
    norm2 = sum((part[0] * v**2 for part, v in zip(parts, values, strict=True)), _ZERO)
    norm = Fraction(math.isqrt(math.ceil(norm2 * _DIGITS**2)) + 1, _DIGITS)
    distance: dict[Key, Fraction] = {}
    for (variance, form), value in zip(parts, values, strict=True):
        if variance and value:
            for key, factor in form.items():
                slope = quantile * variance * value / norm * factor
                distance[key] = distance.get(key, _ZERO) + slope
    return {key: Fraction(math.floor(each * _DIGITS), _DIGITS) for key, each in distance.items()}


def certify_chance_plan(
    case: Case,
    plan: Plan,
    checks: tuple[ChanceCheck, ...],
    uncertainty: Mapping[str, LeanUncertainty],
    chance_constraints: Iterable[ChanceConstraint],
    certificate: ChanceCertificate,
    *,
    any_plan_usd: float,
    without_usd: float,
) -> Certified:
    """Check a plan with chance constraints, and the bound reported of it, against the case.

    `without_usd` is a bound certified without them, which holds with them too. `gap_usd` of the
    result is how far the dual bound lies below the plan.
    """
    chance_constraints = tuple(chance_constraints)
    parts = case, plan.takes, plan.runs, plan.shortage_lb
    held, bounded = check_plan(*parts), plan.certificate.bound
    kept = check_chance_constraints(case, plan.runs, uncertainty, chance_constraints)
    bound = rounded_down(chance_bound(case, uncertainty, chance_constraints, certificate))
    near = NEAR_USD_SHARE * max(1.0, abs(bounded.objective_usd))
    is_exact = all(check.verdict in (Verdict.MET, Verdict.NOTE) for check in held)
    found = {
        "the checks reported are not those of the plan": held != plan.certificate.checks,
        "the money reported is not that of the plan": count_money(*parts) != plan.money,
        "the margins reported are not those of the plan": kept != checks,
        "that no plan costs less than reported is not certified": any_plan_usd
        > max(bound, without_usd),
        "the bound is above the plan": max(any_plan_usd, bounded.bound_usd)
        > bounded.objective_usd + near,
        "the gap is not that of the printed plan": bounded.printed_usd != plan.money.total_usd,
        "the bound is above the printed plan": is_exact
        and any_plan_usd > plan.money.total_usd + near,
    }
    faults = [text for text, is_one in found.items() if is_one]
    faults += [
        f"the plan breaks {check.requirement.constraint_class}"
        for check in held
        if check.verdict is Verdict.BROKEN
    ]
    faults += [
        f"lean {check.side.value} in {check.product_id} is less sure than required"
        for check in kept
        if not check.is_kept
    ]
    return Certified(len(kept), plan.money.total_usd - bound, tuple(faults))


def chance_bound(
    case: Case,
    uncertainty: Mapping[str, LeanUncertainty],
    chance_constraints: Iterable[ChanceConstraint],
    certificate: ChanceCertificate,
) -> Fraction:
    """A cost that no plan with these chance constraints goes below, whatever the prices."""
    program, y = Statement(case).program(case), limit_prices(certificate.prices)
    priced = {(each.product_id, each.side): each for each in certificate.chance_constraints}
    for constraint in chance_constraints:
        for side in constraint.each_side:
            price = priced.get((constraint.product_id, side))
            if price is None or not price.usd_per_lb > 0:
                continue
            columns = {
                lot.lot_id: key
                for lot in case.lots
                if (key := program.column_of(("use", lot.lot_id, constraint.product_id)))
                is not None
            }
            lots = tuple(lot for lot in case.lots if lot.lot_id in columns)
            by_lot = {
                columns[lot_id]: over
                for lot_id, over in _straight(case, lots, constraint, price, uncertainty)
            }
            name = "confidence", constraint.product_id, side
            measure = Measure.of(list(by_lot), list(by_lot.values()))
            program = program.with_limit(Limit(name, {name: Fraction(1)}), measure)
            y[name] = Fraction(price.usd_per_lb)
    return dual(program, y).bound


def _straight(
    case: Case,
    lots: tuple[Lot, ...],
    constraint: ChanceConstraint,
    price: ConfidencePrice,
    uncertainty: Mapping[str, LeanUncertainty],
) -> Iterator[tuple[str, Fraction]]:
    """By lot: lean over the limit that a pound put in brings, less its part of the distance that
    is kept for spread; no plan with the constraint has a sum below zero."""
    product = case.product(constraint.product_id)
    limit = limit_of(case, product, price.side)
    sign = 1 if price.side is Sides.BELOW else -1
    kept = {lot.lot_id: kept_of_lb(lot, product, case.losses) for lot in lots}
    mass = {lot_id: lean + fat for lot_id, (lean, fat) in kept.items()}
    most = _max_share(case, lots, product, kept)
    parts: list[Part] = []
    shared: dict[int, dict[str, Fraction]] = {}
    for lot in lots:
        lean, fat = retained(lot, product, case.losses)
        gain = lean * (1 - limit) + fat * limit
        errors = uncertainty.get(lot.lot_id, LeanUncertainty("", 0.0, 0.0))
        own = gain**2 * _min_variance(product, lot, mass[lot.lot_id], most[lot.lot_id], errors)
        parts.append((own, {lot.lot_id: Fraction(1)}))
        for at, loading in enumerate(errors.shared_error):
            shared.setdefault(at, {})[lot.lot_id] = gain * exact(loading)
    parts += [(Fraction(1), form) for form in shared.values()]
    batch = constraint.batch
    parts.append((exact(batch.mixing_sd_share) ** 2 + exact(batch.test_error) ** 2, mass))
    direction = {lot_id: Fraction(lb) for lot_id, lb in price.pounds_lb.items() if lot_id in kept}
    distance = cut(_quantile(constraint), parts, direction)
    for lot_id, (lean, _) in kept.items():
        yield lot_id, sign * (lean - limit * mass[lot_id]) - distance.get(lot_id, _ZERO)


def _max_share(
    case: Case,
    lots: tuple[Lot, ...],
    product: Product,
    kept: Mapping[str, tuple[Fraction, Fraction]],
) -> dict[str, Fraction]:
    """By lot, the most it can make of a blend: with x of lean l, and the rest at most the leanest
    lot's H, x l + (1 - x) H is the floor on lean at least; likewise below the ceiling. A rule on
    shares may allow less."""
    lean_of = {lot_id: lean / (lean + fat) for lot_id, (lean, fat) in kept.items() if lean + fat}
    leanest, fattest = max(lean_of.values(), default=_ZERO), min(lean_of.values(), default=_ZERO)
    floor, ceiling = (limit_of(case, product, side) for side in (Sides.BELOW, Sides.ABOVE))
    most = {}
    for lot in lots:
        lean, share = lean_of.get(lot.lot_id, floor), Fraction(1)
        if lean < floor:
            share = max(_ZERO, (leanest - floor) / (leanest - lean))
        elif lean > ceiling:
            share = max(_ZERO, (ceiling - fattest) / (lean - fattest))
        limits = (
            exact(rule.max_share)
            for rule in case.binding_rules()
            if rule.kind is RuleKind.SHARE
            and rule.max_share is not None
            and rule.governs(product)
            and rule.lots.holds(lot)
        )
        most[lot.lot_id] = min(Fraction(1), min((share, *limits)) + _SHARE_ROOM)
    return most


def _min_variance(
    product: Product, lot: Lot, mass: Fraction, max_share: Fraction, spread: LeanUncertainty
) -> Fraction:
    """Of the lean of b pounds of a lot, by b²: the least it can be, beyond what lots share."""
    containers = 1
    if lot.container_lb and mass:
        max_lb = max_share * exact(product.blender_max_lb) / mass
        if lot.quantity_lb is not None:
            max_lb = min(max_lb, exact(lot.quantity_lb))
        containers = max(1, math.ceil(max_lb / exact(lot.container_lb)))
    error, container = exact(spread.standard_error_share), exact(spread.container_sd_share)
    return error**2 + container**2 / containers


def _quantile(constraint: ChanceConstraint) -> Fraction:
    """Standard deviations of the normal curve, a hair below the true number."""
    whole = math.floor(constraint.quantile * _QUANTILE_DIGITS) - 1
    return max(_ZERO, Fraction(whole, _QUANTILE_DIGITS))
