"""Volume: finished pounds of each product between its least and its most.

A shortfall counts only where the product allows one, at its stated penalty. It needs no upper
limit: no plan pays for more than the whole order, and a larger order could fall short of more.
"""

from __future__ import annotations

import numpy as np

from blend.domain.requirements import ConstraintClass, Requirement
from blend.model.arrays import Columns, Rows
from blend.model.sets import IndexSets


def add(sets: IndexSets, columns: Columns, rows: Rows) -> None:
    sale = np.array([product.sale_usd_per_lb for product in sets.products])
    blend_count = len(sets.blends)
    finished = columns.add("finished", blend_count, cost=-sale[sets.blends.product])
    rows.add_block(
        [
            Requirement(ConstraintClass.MASS, product_id=sets.products[product].product_id)
            for product in sets.blends.product
        ],
        [
            (sets.pair_blend, columns["use"], sets.kept_mass),
            (np.arange(blend_count), finished, -1.0),
        ],
        lower=0.0,
        upper=0.0,
    )
    may_fall_short = [p for p in sets.products if p.shortage_penalty_usd_per_lb is not None]
    short = columns.add(
        "short",
        len(may_fall_short),
        cost=[product.shortage_penalty_usd_per_lb for product in may_fall_short],
    )
    short_of = {p.product_id: column for p, column in zip(may_fall_short, short, strict=True)}
    for index, product in enumerate(sets.products):
        made = [(finished[sets.blends_of(index)], 1.0)]
        if product.min_lb > 0:
            lacking = (
                [(short_of[product.product_id], 1.0)] if product.product_id in short_of else []
            )
            rows.add(
                Requirement(ConstraintClass.VOLUME_MIN, product.product_id),
                made + lacking,
                lower=product.min_lb,
            )
        if product.max_lb is not None:
            rows.add(
                Requirement(ConstraintClass.VOLUME_MAX, product.product_id),
                made,
                upper=product.max_lb,
            )
