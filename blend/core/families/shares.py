"""Shares: selected lots make between a least and a most of the finished blend."""

from __future__ import annotations

import numpy as np

from blend.core.layout import Layout
from blend.core.programme import Columns, Rows
from blend.domain.requirements import Family, Requirement
from blend.domain.rules import RuleKind


def add(layout: Layout, columns: Columns, rows: Rows) -> None:
    finished, use = columns["finished"], columns["use"]
    for rule in layout.case.binding_rules():
        if rule.kind is not RuleKind.SHARE:
            continue
        chosen = layout.chosen(rule.lots)
        for blend, product_index in enumerate(layout.blends.product):
            product = layout.products[product_index]
            if not rule.governs(product):
                continue
            pairs = layout.pairs_of(blend)
            held = np.flatnonzero(chosen[layout.pair_lot[pairs]]) + pairs.start
            part = (use[held], layout.kept_mass[held])
            if rule.least_share is not None:
                rows.add(
                    Requirement(Family.SHARE_LEAST, product.product_id, rule_id=rule.rule_id),
                    [part, (finished[blend], -rule.least_share)],
                    lower=0.0,
                )
            if rule.most_share is not None:
                rows.add(
                    Requirement(Family.SHARE_MOST, product.product_id, rule_id=rule.rule_id),
                    [part, (finished[blend], -rule.most_share)],
                    upper=0.0,
                )
