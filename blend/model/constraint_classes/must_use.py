"""Must use: so many pounds of the selected lots go into blends, all of them if not stated."""

from __future__ import annotations

import numpy as np

from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import RuleKind
from blend.model.arrays import Columns, Rows
from blend.model.sets import IndexSets


def add(sets: IndexSets, columns: Columns, rows: Rows) -> None:
    use = columns["use"]
    for rule in sets.case.binding_rules():
        if rule.kind is not RuleKind.MUST_USE:
            continue
        chosen = sets.chosen(rule.lots)
        governed = np.array([rule.governs(product) for product in sets.products], bool)
        in_question = chosen[sets.pair_lot] & governed[sets.blends.product[sets.pair_blend]]
        min_lb = sets.lot_max_lb[chosen].sum() if rule.min_lb is None else rule.min_lb
        rows.add(
            Requirement(ConstraintClass.MUST_USE, rule_id=rule.rule_id),
            [(use[in_question], 1.0)],
            lower=min_lb,
        )
