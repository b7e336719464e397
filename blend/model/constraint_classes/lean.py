"""Lean: the finished blend lands within tolerance of its target, and fat within its rules.

Fat balance is by mass after losses: finished lean over finished lean and fat.
"""

from __future__ import annotations

import numpy as np

from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import RuleKind
from blend.model.arrays import Columns, Rows
from blend.model.sets import IndexSets


def add(sets: IndexSets, columns: Columns, rows: Rows) -> None:
    finished, use = columns["finished"], columns["use"]
    fat_rules = [rule for rule in sets.case.binding_rules() if rule.kind is RuleKind.FAT]
    for blend, product_index in enumerate(sets.blends.product):
        product = sets.products[product_index]
        pairs = sets.pairs_of(blend)
        lean = (use[pairs], sets.kept_lean[pairs])
        fat = (use[pairs], sets.kept_mass[pairs] - sets.kept_lean[pairs])

        def share_of_finished(
            part, constraint_class, share, *, blend=blend, product=product, rule_id=""
        ):
            at_least = constraint_class in (ConstraintClass.LEAN_MIN, ConstraintClass.FAT_MIN)
            rows.add(
                Requirement(constraint_class, product.product_id, rule_id=rule_id),
                [part, (finished[blend], -share)],
                lower=0.0 if at_least else -np.inf,
                upper=np.inf if at_least else 0.0,
            )

        share_of_finished(lean, ConstraintClass.LEAN_MIN, product.min_lean)
        share_of_finished(lean, ConstraintClass.LEAN_MAX, product.max_lean)
        for rule in fat_rules:
            if not rule.governs(product):
                continue
            if rule.min_share is not None:
                share_of_finished(
                    fat, ConstraintClass.FAT_MIN, rule.min_share, rule_id=rule.rule_id
                )
            if rule.max_share is not None:
                share_of_finished(
                    fat, ConstraintClass.FAT_MAX, rule.max_share, rule_id=rule.rule_id
                )
