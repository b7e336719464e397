"""Equal recipe: every batch of a product holds the same pounds of each lot.

Where a product is blended as one, its batches share the recipe by construction.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import RuleKind
from blend.model.arrays import Columns, Rows
from blend.model.sets import IndexSets


def add(sets: IndexSets, columns: Columns, rows: Rows) -> None:
    use = columns["use"]
    for rule in sets.case.binding_rules():
        if rule.kind is not RuleKind.EQUAL_RECIPE:
            continue
        for index, product in enumerate(sets.products):
            if not rule.governs(product):
                continue
            requirement = Requirement(
                ConstraintClass.EQUAL_RECIPE, product.product_id, rule_id=rule.rule_id
            )
            batches = [use[sets.pairs_of(blend)] for blend in sets.blends_of(index)]
            for first, other in pairwise(batches):
                rows.add_block(
                    [requirement] * len(first),
                    [(np.arange(len(first)), first, 1.0), (np.arange(len(first)), other, -1.0)],
                    lower=0.0,
                    upper=0.0,
                )
