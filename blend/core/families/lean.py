"""Lean: the finished blend lands within tolerance of its target, and fat within its rules.

Fat balance is by mass after losses: finished lean over finished lean and fat.
"""

from __future__ import annotations

import numpy as np

from blend.core.layout import Layout
from blend.core.programme import Columns, Rows
from blend.domain.requirements import Family, Requirement
from blend.domain.rules import RuleKind


def add(layout: Layout, columns: Columns, rows: Rows) -> None:
    finished, use = columns["finished"], columns["use"]
    fat_rules = [rule for rule in layout.case.binding_rules() if rule.kind is RuleKind.FAT]
    for blend, product_index in enumerate(layout.blends.product):
        product = layout.products[product_index]
        pairs = layout.pairs_of(blend)
        lean = (use[pairs], layout.kept_lean[pairs])
        fat = (use[pairs], layout.kept_mass[pairs] - layout.kept_lean[pairs])

        def share_of_finished(part, family, share, *, blend=blend, product=product, rule_id=""):
            at_least = family in (Family.LEAN_LEAST, Family.FAT_LEAST)
            rows.add(
                Requirement(family, product.product_id, rule_id=rule_id),
                [part, (finished[blend], -share)],
                lower=0.0 if at_least else -np.inf,
                upper=np.inf if at_least else 0.0,
            )

        share_of_finished(lean, Family.LEAN_LEAST, product.least_lean_share)
        share_of_finished(lean, Family.LEAN_MOST, product.most_lean_share)
        for rule in fat_rules:
            if not rule.governs(product):
                continue
            if rule.least_share is not None:
                share_of_finished(fat, Family.FAT_LEAST, rule.least_share, rule_id=rule.rule_id)
            if rule.most_share is not None:
                share_of_finished(fat, Family.FAT_MOST, rule.most_share, rule_id=rule.rule_id)
