"""Equal recipe: every batch of a product holds the same pounds of each lot.

Where a product is blended as one, its batches share the recipe by construction.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from blend.core.layout import Layout
from blend.core.programme import Columns, Rows
from blend.domain.requirements import Family, Requirement
from blend.domain.rules import RuleKind


def add(layout: Layout, columns: Columns, rows: Rows) -> None:
    use = columns["use"]
    for rule in layout.case.binding_rules():
        if rule.kind is not RuleKind.EQUAL_RECIPE:
            continue
        for index, product in enumerate(layout.products):
            if not rule.governs(product):
                continue
            requirement = Requirement(Family.EQUAL_RECIPE, product.product_id, rule_id=rule.rule_id)
            batches = [use[layout.pairs_of(blend)] for blend in layout.blends_of(index)]
            for first, other in pairwise(batches):
                rows.add_block(
                    [requirement] * len(first),
                    [(np.arange(len(first)), first, 1.0), (np.arange(len(first)), other, -1.0)],
                    lower=0.0,
                    upper=0.0,
                )
