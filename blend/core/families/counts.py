"""Counts: how many lots meet in a blend, how little of one, and which ones never meet."""

from __future__ import annotations

import numpy as np

from blend.core.layout import Layout
from blend.core.programme import Columns, Rows
from blend.domain.products import Product
from blend.domain.requirements import Family, Requirement
from blend.domain.rules import Rule, RuleKind

_FAMILY = {
    RuleKind.MOST_LOTS: Family.MOST_LOTS,
    RuleKind.LEAST_IF_USED: Family.LEAST_IF_USED,
    RuleKind.KEEP_APART: Family.KEEP_APART,
}


def add(layout: Layout, columns: Columns, rows: Rows) -> None:
    rules = [rule for rule in layout.case.binding_rules() if rule.kind in _FAMILY]
    if not rules:
        return
    chosen = {
        rule: layout.chosen(rule.lots)
        | (layout.chosen(rule.against) if rule.against is not None else False)
        for rule in rules
    }
    counted = np.zeros(len(layout.pair_lot), bool)
    for blend, product_index in enumerate(layout.blends.product):
        pairs = layout.pairs_of(blend)
        for rule in rules:
            if rule.governs(layout.products[product_index]):
                counted[pairs] |= chosen[rule][layout.pair_lot[pairs]]
    pairs = np.flatnonzero(counted)
    is_used = np.full(len(layout.pair_lot), -1)
    is_used[pairs] = columns.add("is_used", len(pairs), upper=1.0, whole=True)
    within = np.arange(len(pairs))
    switch = (within, is_used[pairs], -layout.most_use_lb[pairs])
    rows.add_block(
        [
            Requirement(
                Family.MASS,
                layout.products[layout.blends.product[layout.pair_blend[pair]]].product_id,
                layout.lots[layout.pair_lot[pair]].lot_id,
            )
            for pair in pairs
        ],
        [(within, columns["use"][pairs], 1.0), switch],
        upper=0.0,
    )
    for blend, product_index in enumerate(layout.blends.product):
        product = layout.products[product_index]
        for rule in rules:
            if rule.governs(product):
                _add_rule(layout, columns, rows, rule, product, blend, is_used)


def _add_rule(
    layout: Layout,
    columns: Columns,
    rows: Rows,
    rule: Rule,
    product: Product,
    blend: int,
    is_used: np.ndarray,
) -> None:
    requirement = Requirement(_FAMILY[rule.kind], product.product_id, rule_id=rule.rule_id)
    pairs = layout.pairs_of(blend)
    lots = layout.pair_lot[pairs]
    ours = np.flatnonzero(layout.chosen(rule.lots)[lots]) + pairs.start
    if rule.kind is RuleKind.MOST_LOTS:
        rows.add(requirement, [(is_used[ours], 1.0)], upper=rule.most_count)
    elif rule.kind is RuleKind.LEAST_IF_USED:
        # share of the blend, unless the lot is unused: then the largest blend lifts it
        ceiling_lb = rule.least_share * layout.most_blend_lb[blend]
        within = np.arange(len(ours))
        finished = np.full(len(ours), columns["finished"][blend])
        rows.add_block(
            [requirement] * len(ours),
            [
                (within, columns["use"][ours], layout.kept_mass[ours]),
                (within, finished, -rule.least_share),
                (within, is_used[ours], -ceiling_lb),
            ],
            lower=-ceiling_lb,
        )
    else:
        theirs = np.flatnonzero(layout.chosen(rule.against)[lots]) + pairs.start
        mine, other = np.meshgrid(ours, theirs, indexing="ij")
        both = mine.ravel() != other.ravel()
        mine, other = mine.ravel()[both], other.ravel()[both]
        within = np.arange(len(mine))
        rows.add_block(
            [requirement] * len(mine),
            [(within, is_used[mine], 1.0), (within, is_used[other], 1.0)],
            upper=1.0,
        )
