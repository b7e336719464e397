"""Replacement value: the cheapest mix of the other items that does what an item does.

Equal lean and equal weight after losses, in the core's own program: the item is the product,
with its lean as the target and no tolerance. Pounds on offer do not count: the question is
what the market charges, not how much of it there is. Without rules and losses the value is
that of the lower convex hull of the others, over lean, at the item's lean.
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
from blend.domain.rules import Loss, kept_per_lb
from blend.model.prices import dual_prices
from blend.model.solve import LinearPlan, solve_linear

_REPLACED_LB = 100.0
_MIN_SHARE = 1e-9


def replacement_values(
    lots: Sequence[Lot],
    losses: Iterable[Loss] = (),
    rules: ReplacementRules = ANY_MIX,
) -> tuple[Replacement, ...]:
    """For every lot the cheapest mix of the others at equal lean, at delivered prices.

    Losses that only some products suffer are left out: a replacement is for any of them.
    """
    general = tuple(loss for loss in losses if not loss.products)
    return tuple(_replacement(lot, lots, general, rules) for lot in lots)


def _replacement(
    item: Lot, lots: Sequence[Lot], losses: tuple[Loss, ...], rules: ReplacementRules
) -> Replacement:
    case = _case_of(item, lots, losses, rules)
    plan = solve_linear(case)
    if not math.isfinite(plan.objective_usd):
        return Replacement(item.lot_id, item.delivered_usd_per_lb, None, ())
    put_in_lb = _REPLACED_LB / sum(kept_per_lb(item, case.products[0], losses))
    mix = [
        MixPart(lot_id, lb / put_in_lb)
        for lot_id, lb in plan.take_lb.items()
        if lb / put_in_lb > _MIN_SHARE
    ]
    return Replacement(
        item.lot_id,
        item.delivered_usd_per_lb,
        plan.objective_usd / put_in_lb,
        tuple(sorted(mix, key=lambda part: -part.lb_per_lb)),
        _lean_and_fat(plan, case.products[0]),
    )


def _lean_and_fat(plan: LinearPlan, product: Product) -> LeanAndFat:
    """What a finished pound of each earns at the dual prices: a pound made, and by how much it
    leans to one side of the target."""
    prices, lean = dual_prices(plan), product.target_lean
    made = prices.finished[product.product_id]
    leaner = prices.lean_min[product.product_id] - prices.lean_max[product.product_id]
    return LeanAndFat(made + leaner * (1 - lean), made - leaner * lean)


def _case_of(
    item: Lot, lots: Sequence[Lot], losses: tuple[Loss, ...], rules: ReplacementRules
) -> Case:
    """The item as a product to be made of the others."""
    product = Product(
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
    lean, fat = kept_per_lb(item, product, losses)
    product = replace(product, target_lean=lean / (lean + fat))
    settings = Settings(plan_on=date.min)
    others = [
        _without_limit_but(rules.max_share, lot, product, losses)
        for lot in lots
        if lot.lot_id != item.lot_id and rules.among.holds(lot)
    ]
    return Case(settings, tuple(others), (product,), losses=losses)


def _without_limit_but(
    max_share: float, lot: Lot, product: Product, losses: tuple[Loss, ...]
) -> Lot:
    """The lot as the market has it: any amount, on any day. As the pounds made are given, the
    most share of the mix is a most weight."""
    kept = sum(kept_per_lb(lot, product, losses))
    quantity_lb = max_share * _REPLACED_LB / kept if max_share < 1 else None
    return replace(
        lot,
        quantity_lb=quantity_lb,
        salvage_value_usd_per_lb=0.0,
        available_on=None,
        use_by=None,
    )


def lots_of(quotations: Iterable[Quotation]) -> tuple[Lot, ...]:
    """Quotations as lots without limit, delivered at the price quoted."""
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
