"""Shares: selected lots make between a least and a most of the finished blend."""

from __future__ import annotations

import numpy as np

from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import RuleKind
from blend.model.arrays import Columns, Rows
from blend.model.sets import IndexSets


def add(sets: IndexSets, columns: Columns, rows: Rows) -> None:
    finished, use = columns["finished"], columns["use"]
    for rule in sets.case.binding_rules():
        if rule.kind is not RuleKind.SHARE:
            continue
        chosen = sets.chosen(rule.lots)
        for blend, product_index in enumerate(sets.blends.product):
            product = sets.products[product_index]
            if not rule.governs(product):
                continue
            pairs = sets.pairs_of(blend)
            held = np.flatnonzero(chosen[sets.pair_lot[pairs]]) + pairs.start
            part = (use[held], sets.kept_mass[held])
            if rule.min_share is not None:
                rows.add(
                    Requirement(
                        ConstraintClass.SHARE_MIN, product.product_id, rule_id=rule.rule_id
                    ),
                    [part, (finished[blend], -rule.min_share)],
                    lower=0.0,
                )
            if rule.max_share is not None:
                rows.add(
                    Requirement(
                        ConstraintClass.SHARE_MAX, product.product_id, rule_id=rule.rule_id
                    ),
                    [part, (finished[blend], -rule.max_share)],
                    upper=0.0,
                )
