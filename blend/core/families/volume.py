"""Volume: finished pounds of each product between its least and its most.

A shortfall counts only where the product allows one, at its stated penalty. It needs no upper
limit: no plan pays for more than the whole order, and a larger order could fall short of more.
"""

from __future__ import annotations

import numpy as np

from blend.core.layout import Layout
from blend.core.programme import Columns, Rows
from blend.domain.requirements import Family, Requirement


def add(layout: Layout, columns: Columns, rows: Rows) -> None:
    sale = np.array([product.sale_usd_per_lb for product in layout.products])
    blend_count = len(layout.blends)
    finished = columns.add("finished", blend_count, cost=-sale[layout.blends.product])
    rows.add_block(
        [
            Requirement(Family.MASS, product_id=layout.products[product].product_id)
            for product in layout.blends.product
        ],
        [
            (layout.pair_blend, columns["use"], layout.kept_mass),
            (np.arange(blend_count), finished, -1.0),
        ],
        lower=0.0,
        upper=0.0,
    )
    may_fall_short = [p for p in layout.products if p.shortfall_usd_per_lb is not None]
    short = columns.add(
        "short",
        len(may_fall_short),
        cost=[product.shortfall_usd_per_lb for product in may_fall_short],
    )
    short_of = {p.product_id: column for p, column in zip(may_fall_short, short, strict=True)}
    for index, product in enumerate(layout.products):
        made = [(finished[layout.blends_of(index)], 1.0)]
        if product.least_lb > 0:
            lacking = (
                [(short_of[product.product_id], 1.0)] if product.product_id in short_of else []
            )
            rows.add(
                Requirement(Family.VOLUME_LEAST, product.product_id),
                made + lacking,
                lower=product.least_lb,
            )
        if product.most_lb is not None:
            rows.add(
                Requirement(Family.VOLUME_MOST, product.product_id), made, upper=product.most_lb
            )
