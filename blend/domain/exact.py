"""The tables as exact fractions."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from fractions import Fraction
from functools import lru_cache
from math import lcm

from blend.domain.analyses import LEAN, Analysis
from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Loss, Rule, RuleKind


@lru_cache(maxsize=65536)
def exact(number: float) -> Fraction:
    """The decimal that was typed: 0.1 is one tenth, not the nearest binary number.

    A float holds any decimal of 15 digits; digits beyond them come from binary arithmetic
    (80.1 / 100 prints as 0.8009999999999999).
    """
    return Fraction(format(number, ".15g"))


def total(fractions: Iterable[Fraction]) -> Fraction:
    """Their sum over one common denominator: adding one by one would reduce every partial sum,
    which takes most of the time of a check."""
    terms = list(fractions)
    denominator = lcm(*(term.denominator for term in terms))
    numerator = sum(term.numerator * (denominator // term.denominator) for term in terms)
    return Fraction(numerator, denominator)


NEAR = Fraction(1, 1_000_000)
"""Allowed for binary rounding in products and sums, relative to the value (or to 1)."""


def is_near(stated: Fraction, figure: Fraction) -> bool:
    return abs(stated - figure) <= NEAR * max(Fraction(1), abs(figure))


def whole_if_near(pounds: Fraction, lot: Lot) -> Fraction:
    """The pounds of whole containers that `pounds`, once a product in floats, stands for;
    `pounds` itself when it stands for none."""
    container_lb = exact(lot.container_lb)
    whole = round(pounds / container_lb) * container_lb
    return whole if is_near(pounds, whole) else pounds


def kept_of(analysis: Analysis, lot: Lot, product: Product, losses: Iterable[Loss]) -> Fraction:
    """What the losses leave of an analysis, lb per lb of the lot put into the product."""
    kept = exact(analysis.of_lot(lot))
    for loss in losses:
        if loss.concerns(lot, product):
            kept *= 1 - exact(analysis.lost(loss))
    return kept


def fat_kept_of(lot: Lot, product: Product, losses: Iterable[Loss]) -> Fraction:
    """The same for fat, which is what is not lean."""
    kept = 1 - exact(lot.lean)
    for loss in losses:
        if loss.concerns(lot, product):
            kept *= 1 - exact(loss.fat_loss_share)
    return kept


def kept_of_lb(lot: Lot, product: Product, losses: Iterable[Loss]) -> tuple[Fraction, Fraction]:
    """Finished lean and fat, lb per lb of the lot put into the product."""
    own = [loss for loss in losses if loss.concerns(lot, product)]
    return kept_of(LEAN, lot, product, own), fat_kept_of(lot, product, own)


def lean_limits(product: Product) -> tuple[Fraction, Fraction]:
    target = exact(product.target_lean)
    return (
        target - exact(product.tolerance_below_share),
        target + exact(product.tolerance_above_share),
    )


def freight_usd_per_lb(lot: Lot) -> Fraction:
    return exact(lot.freight_usd_per_lb) if lot.price_basis == "fob" else Fraction(0)


def delivered_usd_per_lb(lot: Lot) -> Fraction:
    return exact(lot.price_usd_per_lb) + freight_usd_per_lb(lot)


def at_delivered_price(lot: Lot, usd_per_lb: float) -> Lot:
    """The lot at a delivered price. A salvage value above it falls with it, so that none is
    bought only to be left over."""
    return replace(
        lot,
        price_usd_per_lb=usd_per_lb,
        price_basis="delivered",
        freight_usd_per_lb=0.0,
        salvage_value_usd_per_lb=min(lot.salvage_value_usd_per_lb, usd_per_lb),
    )


def reason_barred(lot: Lot, product: Product, day: date) -> str:
    """Why the product may not hold the lot on `day`, the empty text when it may."""
    unusable = lot.reason_unusable(day)
    if unusable is not None:
        return unusable
    if lot.species not in product.species:
        return f"species {lot.species}"
    lacking = sorted(product.label_claims - lot.label_claims)
    return f"not in program {', '.join(lacking)}" if lacking else ""


def must_use_lb(rule: Rule, case: Case) -> Fraction | None:
    """Pounds that a must-use rule asks for; None where it asks for all of a lot that has no
    stated quantity, which nothing can meet."""
    if rule.min_lb is not None:
        return exact(rule.min_lb)
    quantities = [lot.quantity_lb for lot in case.usable_lots() if rule.lots.holds(lot)]
    if None in quantities:
        return None
    return sum(map(exact, quantities), Fraction(0))


def with_weights(case: Case) -> Case:
    """Rules to use up all of some lots ask for what there is today, whatever is then asked of
    the lot."""
    rules = tuple(
        replace(rule, min_lb=float(weight))
        if rule.kind is RuleKind.MUST_USE
        and rule.min_lb is None
        and (weight := must_use_lb(rule, case)) is not None
        else rule
        for rule in case.rules
    )
    return replace(case, rules=rules)
