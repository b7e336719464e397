"""The check of chance constraints in a finished plan, in exact fractions.

A batch is on the right side of a limit with probability Φ(distance / spread), both in pounds of
lean: distance is what the batch holds over the limit's share, spread the standard deviation of
it. The constraint is met when distance² >= quantile² × spread² and distance is not negative,
which needs no root. The pounds of a lot are taken to come from as few containers as can hold
them, since fewer and larger pieces spread most; loose meat counts as one piece.

Errors are taken as normal (common practice); real meat has heavier tails. What lots share, such
as a supplier's bias, adds up over them before it is squared; all else is independent.
The test's error counts in full, as if one test decided over the batch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction
from math import sqrt
from statistics import NormalDist

from blend.domain.case import Case
from blend.domain.exact import exact, lean_limits
from blend.domain.lots import Lot
from blend.domain.plan import BatchRun
from blend.domain.products import Product
from blend.domain.rules import Loss, RuleKind
from blend.domain.uncertainty import ChanceCheck, ChanceConstraint, LeanUncertainty, Sides

_QUANTILE_DIGITS = 10
"""Of the quantile, rounded up: more confidence than asked, never less."""


def check_chance_constraints(
    case: Case,
    runs: Iterable[BatchRun],
    uncertainty: Mapping[str, LeanUncertainty],
    chance_constraints: Iterable[ChanceConstraint],
) -> tuple[ChanceCheck, ...]:
    """Check each side of each chance constraint in every recipe of its product.

    A lot without an entry in `uncertainty` is a KeyError.
    """
    recipes: dict[str, list[BatchRun]] = {}
    for run in runs:
        recipes.setdefault(run.product_id, []).append(run)
    return tuple(
        _check(case, chance_constraint, side, number, run, uncertainty)
        for chance_constraint in chance_constraints
        for number, run in enumerate(recipes.get(chance_constraint.product_id, ()), 1)
        for side in chance_constraint.each_side
    )


def _check(
    case: Case,
    chance_constraint: ChanceConstraint,
    side: Sides,
    number: int,
    run: BatchRun,
    uncertainty: Mapping[str, LeanUncertainty],
) -> ChanceCheck:
    product = case.product(chance_constraint.product_id)
    limit = limit_of(case, product, side)
    lean_lb = mass = variance = Fraction(0)
    shared: dict[int, Fraction] = {}
    for each in run.ingredients:
        lot, pounds = case.lot(each.lot_id), exact(each.pounds_lb)
        kept_lean, kept_fat = retained(lot, product, case.losses)
        lean = exact(lot.lean)
        lean_lb += pounds * kept_lean * lean
        mass += pounds * (kept_lean * lean + kept_fat * (1 - lean))
        gain = kept_lean * (1 - limit) + kept_fat * limit
        variance += gain**2 * _variance_lb2(lot, pounds, uncertainty[lot.lot_id])
        for at, loading in enumerate(uncertainty[lot.lot_id].shared_error):
            shared[at] = shared.get(at, Fraction(0)) + gain * pounds * exact(loading)
    variance += sum((each**2 for each in shared.values()), Fraction(0))
    batch = chance_constraint.batch
    off_share2 = exact(batch.mixing_sd_share) ** 2 + exact(batch.test_error) ** 2
    variance += off_share2 * mass**2
    over = lean_lb - limit * mass
    distance = over if side is Sides.BELOW else -over
    quantile = _quantile(chance_constraint)
    spread = sqrt(variance)
    return ChanceCheck(
        product_id=chance_constraint.product_id,
        run=number,
        side=side,
        limit_share=float(limit),
        lean=float(lean_lb / mass),
        sd_share=spread / float(mass),
        margin_share=float(distance / mass),
        needed_share=float(quantile) * spread / float(mass),
        confidence=_confidence(distance, spread),
        asked=1 - chance_constraint.max_out_of_side_share,
        is_kept=distance >= 0 and distance**2 >= quantile**2 * variance,
    )


def limit_of(case: Case, product: Product, side: Sides) -> Fraction:
    """The tightest limit on a side: the product's tolerance, or a binding rule on its fat."""
    minimum, maximum = lean_limits(product)
    for rule in case.binding_rules():
        if rule.kind is not RuleKind.FAT or not rule.governs(product):
            continue
        if rule.max_share is not None:
            minimum = max(minimum, 1 - exact(rule.max_share))
        if rule.min_share is not None:
            maximum = min(maximum, 1 - exact(rule.min_share))
    return minimum if side is Sides.BELOW else maximum


def retained(lot: Lot, product: Product, losses: Iterable[Loss]) -> tuple[Fraction, Fraction]:
    """What steps leave of a pound of the lot's lean and of its fat."""
    lean = fat = Fraction(1)
    for loss in losses:
        if loss.concerns(lot, product):
            lean *= 1 - exact(loss.lean_loss_share)
            fat *= 1 - exact(loss.fat_loss_share)
    return lean, fat


def _variance_lb2(lot: Lot, pounds: Fraction, spread: LeanUncertainty) -> Fraction:
    """Of the lean pounds of so many pounds of a lot: its own error, beyond what lots share, and its
    containers'."""
    container_lb = pounds if lot.container_lb is None else exact(lot.container_lb)
    full, rest = divmod(pounds, container_lb) if container_lb else (0, Fraction(0))
    squares = full * container_lb**2 + rest**2
    error, container = exact(spread.standard_error_share), exact(spread.container_sd_share)
    return error**2 * pounds**2 + container**2 * squares


def _quantile(chance_constraint: ChanceConstraint) -> Fraction:
    """Standard deviations of the normal curve, a hair above the true number."""
    step = Fraction(1, 10**_QUANTILE_DIGITS)
    number = NormalDist().inv_cdf(1 - chance_constraint.max_out_of_side_share)
    if number <= 0:
        return Fraction(0)
    return (int(Fraction(number) / step) + 1) * step


def _confidence(distance: Fraction, spread: float) -> float:
    if spread > 0:
        return NormalDist().cdf(float(distance) / spread)
    return 1.0 if distance >= 0 else 0.0
