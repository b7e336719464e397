"""Warmth: the lots of a blend together bring no more heat than it may hold at its limit.

Heat is what is balanced, ice and all, so the row is linear although temperatures are not. How
much a pound of each lot brings beyond the limit is reckoned before (`blend.lean.heat`).
"""

from __future__ import annotations

import numpy as np

from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import RuleKind
from blend.model.arrays import Columns, Rows
from blend.model.sets import IndexSets


def add(sets: IndexSets, columns: Columns, rows: Rows) -> None:
    use = columns["use"]
    for rule in sets.case.binding_rules():
        if rule.kind is not RuleKind.MAX_TEMP:
            continue
        excess_by_lot = dict(rule.excess_heat_btu_per_lb)
        excess = np.array([excess_by_lot[lot.lot_id] for lot in sets.lots])
        for blend, product_index in enumerate(sets.blends.product):
            product = sets.products[product_index]
            if rule.governs(product):
                pairs = sets.pairs_of(blend)
                rows.add(
                    Requirement(ConstraintClass.MAX_TEMP, product.product_id, rule_id=rule.rule_id),
                    [(use[pairs], excess[sets.pair_lot[pairs]])],
                    upper=0.0,
                )
