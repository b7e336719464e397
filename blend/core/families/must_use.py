"""Must use: so many pounds of the selected lots go into blends, all of them if not stated."""

from __future__ import annotations

import numpy as np

from blend.core.layout import Layout
from blend.core.programme import Columns, Rows
from blend.domain.requirements import Family, Requirement
from blend.domain.rules import RuleKind


def add(layout: Layout, columns: Columns, rows: Rows) -> None:
    use = columns["use"]
    for rule in layout.case.binding_rules():
        if rule.kind is not RuleKind.MUST_USE:
            continue
        chosen = layout.chosen(rule.lots)
        governed = np.array([rule.governs(product) for product in layout.products], bool)
        in_question = chosen[layout.pair_lot] & governed[layout.blends.product[layout.pair_blend]]
        least_lb = layout.lot_most_lb[chosen].sum() if rule.least_lb is None else rule.least_lb
        rows.add(
            Requirement(Family.MUST_USE, rule_id=rule.rule_id),
            [(use[in_question], 1.0)],
            lower=least_lb,
        )
