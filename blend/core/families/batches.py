"""Batches: the finished pounds can be run in batches that fill the blender rightly."""

from __future__ import annotations

import numpy as np

from blend.core.layout import Layout
from blend.core.programme import Columns, Rows
from blend.domain.requirements import Family, Requirement


def add(layout: Layout, columns: Columns, rows: Rows) -> None:
    finished = columns["finished"]
    # a product blended as one runs any number of batches, a batch of its own is run or not
    most = np.where(layout.blends.batch == 0, np.inf, 1.0)
    counts = columns.add("batches", len(layout.blends), upper=most, whole=True)
    for blend, product_index in enumerate(layout.blends.product):
        product = layout.products[product_index]
        requirement = Requirement(Family.BATCH_FILL, product.product_id)
        made, count = (finished[blend], 1.0), counts[blend]
        rows.add(requirement, [made, (count, -product.blender_least_lb)], lower=0.0)
        rows.add(requirement, [made, (count, -product.blender_most_lb)], upper=0.0)
