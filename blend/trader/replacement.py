"""The cheapest mix of the other items that does what an item does.

Same lean and same weight after losses, in the plan's own linear program: the item is the product,
with its lean as the target and no tolerance. Pounds on offer do not matter; the question is what
the market charges. Without rules and losses the answer is the lower convex hull of the other
items' prices over lean, at the item's lean.

In a product, a mix may have only meat that the product may have: species, label claims, losses,
meat it must not use, meats kept apart, share limits. Where the item itself is over a share limit
(an imported item and a limit on imported meat), the mix may have as much of that meat as the item.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date

from blend.domain.case import Case, Settings
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.quotations import Quotation, labels_of
from blend.domain.replacement import (
    ANY_MIX,
    LeanAndFat,
    MixPart,
    Replacement,
    ReplacementRules,
)
from blend.domain.rules import Loss, Rule, RuleKind, kept_per_lb
from blend.model.prices import dual_prices
from blend.model.solve import LinearPlan, solve_linear

_REPLACED_LB = 100.0
_MIN_SHARE = 1e-9


def replacement_values(
    lots: Sequence[Lot],
    losses: Iterable[Loss] = (),
    rules: ReplacementRules = ANY_MIX,
) -> tuple[Replacement, ...]:
    """For every lot the cheapest mix of the others at equal lean, at what each costs today.

    Losses of single products are left out: the mix is for any of them.
    """
    general = tuple(loss for loss in losses if not loss.products)
    return tuple(_replacement(item, _any_product(item, rules), lots, general, rules)
                 for item in lots)  # fmt: skip


def replacements_in(
    case: Case, product: Product, lots: Sequence[Lot], rules: ReplacementRules = ANY_MIX
) -> tuple[Replacement, ...]:
    """For every lot that the product may have, the cheapest mix that it may have instead."""
    own = [rule for rule in case.binding_rules() if rule.governs(product)]
    allowed = [lot for lot in lots if may_have(product, lot, own)]
    found = []
    for item in allowed:
        blend = replace(_any_product(item, rules), product_id=product.product_id,
                        label_claims=product.label_claims)  # fmt: skip
        shares = [_at_least_as(item, rule) for rule in own if rule.kind == RuleKind.SHARE]
        choices = [
            _replacement(item, blend, among, case.losses, rules, shares)
            for among in _kept_apart(item, allowed, own)
        ]
        found.append(min(choices, key=lambda each: (each.usd_per_lb is None, each.usd_per_lb)))
    return tuple(found)


def may_have(product: Product, lot: Lot, rules: Iterable[Rule]) -> bool:
    """Whether the product may have the lot at all, by its species, claims and own `rules`."""
    barred = any(rule.kind == RuleKind.MUST_NOT_USE and rule.lots.holds(lot) for rule in rules)
    return (
        lot.species in product.species and product.label_claims <= lot.label_claims and not barred
    )


def _at_least_as(item: Lot, rule: Rule) -> Rule:
    """A share limit, loosened to what the item itself has of that meat: all or none."""
    if rule.lots.holds(item):
        return replace(rule, max_share=None)
    return replace(rule, min_share=None)


def _kept_apart(item: Lot, lots: Sequence[Lot], rules: Iterable[Rule]) -> list[list[Lot]]:
    """Sets of lots without two meats that the product keeps apart; a mix comes from one set."""
    choices = [list(lots)]
    for rule in rules:
        if rule.kind != RuleKind.KEEP_APART or rule.against is None:
            continue
        sides = (rule.lots, rule.against)
        gone = [side for side, other in (sides, sides[::-1]) if not side.holds(item)]
        choices = [
            [lot for lot in choice if not side.holds(lot)] for choice in choices for side in gone
        ]
    return choices


def _replacement(
    item: Lot,
    product: Product,
    lots: Sequence[Lot],
    losses: Sequence[Loss],
    rules: ReplacementRules,
    shares: Sequence[Rule] = (),
) -> Replacement:
    """The item as a product to be made of the others; all rules are those of the product."""
    losses = tuple(losses)
    lean, fat = kept_per_lb(item, product, losses)
    product = replace(product, target_lean=lean / (lean + fat))
    others = [
        _without_limit_but(rules.max_share, lot, product, losses)
        for lot in lots
        if rules.may_stand_in(lot, item)
    ]
    own = tuple(
        replace(rule, products=())
        for rule in shares
        if rule.min_share is not None or rule.max_share is not None
    )
    plan = solve_linear(
        Case(Settings(plan_on=date.min), tuple(others), (product,), own, losses=losses)
    )
    if not math.isfinite(plan.objective_usd):
        return Replacement(item.lot_id, item.market_usd_per_lb, None, ())
    put_in_lb = _REPLACED_LB / (lean + fat)
    mix = [
        MixPart(lot_id, lb / put_in_lb)
        for lot_id, lb in plan.take_lb.items()
        if lb / put_in_lb > _MIN_SHARE
    ]
    return Replacement(
        item.lot_id,
        item.market_usd_per_lb,
        plan.objective_usd / put_in_lb,
        tuple(sorted(mix, key=lambda part: -part.lb_per_lb)),
        _lean_and_fat(plan, product),
    )


def _lean_and_fat(plan: LinearPlan, product: Product) -> LeanAndFat:
    """What a finished pound of each is worth at the dual prices."""
    prices, lean = dual_prices(plan), product.target_lean
    made = prices.finished[product.product_id]
    leaner = prices.lean_min[product.product_id] - prices.lean_max[product.product_id]
    return LeanAndFat(made + leaner * (1 - lean), made - leaner * lean)


def _any_product(item: Lot, rules: ReplacementRules) -> Product:
    """A product of the item's species and, unless the rules say otherwise, its label claims."""
    return Product(
        product_id=item.lot_id,
        name=item.item,
        species=frozenset((item.species,)),
        target_lean=item.lean,
        tolerance_below_share=0.0,
        tolerance_above_share=0.0,
        min_lb=_REPLACED_LB,
        max_lb=_REPLACED_LB,
        batch_lb=_REPLACED_LB,
        blender_min_lb=0.0,
        blender_max_lb=_REPLACED_LB,
        label_claims=item.label_claims if rules.keep_label_claims else frozenset(),
    )


def _without_limit_but(
    max_share: float, lot: Lot, product: Product, losses: tuple[Loss, ...]
) -> Lot:
    """The lot as the market has it: any amount, on any day, at what it costs to buy today. As the
    pounds made are given, a max share of the mix is a max weight."""
    kept = sum(kept_per_lb(lot, product, losses))
    quantity_lb = max_share * _REPLACED_LB / kept if max_share < 1 else None
    return replace(
        lot,
        price_usd_per_lb=lot.market_usd_per_lb,
        price_basis="delivered",
        quantity_lb=quantity_lb,
        salvage_value_usd_per_lb=0.0,
        available_on=None,
        use_by=None,
    )


def lots_of(quotations: Iterable[Quotation]) -> tuple[Lot, ...]:
    """Quotations as lots of any amount, delivered at the price quoted."""
    quotations = tuple(quotations)
    return tuple(
        Lot(
            lot_id=label,
            item=quotation.item,
            species=quotation.species,
            lean=quotation.lean,
            price_usd_per_lb=quotation.usd_per_lb,
            quantity_lb=None,
            fresh_or_frozen=quotation.fresh_or_frozen,
        )
        for quotation, label in zip(quotations, labels_of(quotations), strict=True)
    )
