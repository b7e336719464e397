"""Batches: the finished pounds can be run in batches that fill the blender rightly."""

from __future__ import annotations

import numpy as np

from blend.domain.requirements import ConstraintClass, Requirement
from blend.model.arrays import Columns, Rows
from blend.model.sets import IndexSets


def add(sets: IndexSets, columns: Columns, rows: Rows) -> None:
    finished = columns["finished"]
    # a product blended as one runs any number of batches, a batch of its own is run or not
    maximum = np.where(sets.blends.batch == 0, np.inf, 1.0)
    counts = columns.add("batches", len(sets.blends), upper=maximum, whole=True)
    for blend, product_index in enumerate(sets.blends.product):
        product = sets.products[product_index]
        requirement = Requirement(ConstraintClass.BATCH_FILL, product.product_id)
        made, count = (finished[blend], 1.0), counts[blend]
        rows.add(requirement, [made, (count, -product.blender_min_lb)], lower=0.0)
        rows.add(requirement, [made, (count, -product.blender_max_lb)], upper=0.0)
