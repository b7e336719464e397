"""Volume: finished pounds of each product between its order and its limit.

A product may fall short of its order only where it has a shortage penalty. The shortage needs no
upper limit: no plan pays for more than the whole order.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from blend.domain.exact import NEAR, exact
from blend.domain.plan import Check
from blend.domain.plan_pounds import PlanPounds, Required, lb_text
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


def add(model: ModelBuilder) -> None:
    import numpy as np

    sets, rows = model.sets, model.rows
    sale = np.array([product.sale_usd_per_lb for product in sets.products])
    finished = model.columns.add(
        "finished", len(sets.blends), cost=-sale[sets.blends.product], keys=sets.blend_keys
    )
    rows.add_block(
        [
            Requirement(ConstraintClass.MASS, product_id=product.product_id)
            for _, product in sets.blend_products()
        ],
        [
            (sets.pair_blend, model.columns["use"], sets.kept_mass),
            (np.arange(len(finished)), finished, -1.0),
        ],
        lower=0.0,
        upper=0.0,
    )
    may_be_short = [p for p in sets.products if p.shortage_penalty_usd_per_lb is not None]
    short = model.columns.add(
        "short",
        len(may_be_short),
        cost=[product.shortage_penalty_usd_per_lb or 0.0 for product in may_be_short],
        keys=lambda: [(product.product_id,) for product in may_be_short],
    )
    short_of = {p.product_id: column for p, column in zip(may_be_short, short, strict=True)}
    for index, product in enumerate(sets.products):
        made = [(finished[sets.blends_of(index)], 1.0)]
        if product.min_lb > 0:
            product_id = product.product_id
            lacking = [(short_of[product_id], 1.0)] if product_id in short_of else []
            rows.add(
                Requirement(ConstraintClass.VOLUME_MIN, product_id),
                made + lacking,
                lower=product.min_lb,
            )
        if product.max_lb is not None:
            rows.add(
                Requirement(ConstraintClass.VOLUME_MAX, product.product_id),
                made,
                upper=product.max_lb,
            )


def check(plan: PlanPounds, product: Product) -> Iterator[Check]:
    made = plan.totals[product.product_id].finished
    order_lb = exact(product.min_lb)
    if order_lb:
        requirement = Requirement(ConstraintClass.VOLUME_MIN, product.product_id)
        short_lb = plan.shortage_lb[product.product_id]
        may_lack_lb = order_lb if product.shortage_penalty_usd_per_lb is not None else Fraction(0)
        fault, value = "", made
        if not -NEAR <= short_lb <= may_lack_lb + NEAR:
            fault = (
                f"reports {lb_text(short_lb)} short of {lb_text(order_lb)}; "
                f"max {lb_text(may_lack_lb)}"
            )
        elif short_lb > 0:
            value = replace(made, note=f"{lb_text(order_lb)} ordered, {lb_text(short_lb)} short")
        yield Required(requirement, "lb", minimum=order_lb - short_lb).check(value, fault=fault)
    if product.max_lb is not None:
        requirement = Requirement(ConstraintClass.VOLUME_MAX, product.product_id)
        yield Required(requirement, "lb", maximum=exact(product.max_lb)).check(made)
