"""Batches: the finished pounds can be run in batches that fill the blender rightly."""

from __future__ import annotations

import numpy as np

from blend.core.layout import Layout
from blend.core.programme import Columns, Rows
from blend.domain.requirements import Family, Requirement


def add(layout: Layout, columns: Columns, rows: Rows) -> None:
    finished = columns["finished"]
    together = np.flatnonzero(layout.blends.batch == 0)
    counts = columns.add("batches", len(together), whole=True)
    count_of = dict(zip(together.tolist(), counts.tolist(), strict=True))
    for blend, product_index in enumerate(layout.blends.product):
        product = layout.products[product_index]
        requirement = Requirement(Family.BATCH_FILL, product.product_id)
        made = (finished[blend], 1.0)
        least_lb, most_lb = product.blender_least_lb, product.blender_most_lb
        if blend in count_of:
            count = count_of[blend]
            rows.add(requirement, [made, (count, -least_lb)], lower=0.0)
            rows.add(requirement, [made, (count, -most_lb)], upper=0.0)
        else:
            rows.add(requirement, [made], lower=least_lb, upper=most_lb)
