"""Counts: how many lots meet in a blend, how little of one, and which ones never meet."""

from __future__ import annotations

import numpy as np

from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule, RuleKind
from blend.model.arrays import Columns, Rows
from blend.model.sets import IndexSets

_CONSTRAINT_CLASS = {
    RuleKind.MAX_LOTS: ConstraintClass.MAX_LOTS,
    RuleKind.MIN_IF_USED: ConstraintClass.MIN_IF_USED,
    RuleKind.KEEP_APART: ConstraintClass.KEEP_APART,
}


def add(sets: IndexSets, columns: Columns, rows: Rows) -> None:
    rules = [rule for rule in sets.case.binding_rules() if rule.kind in _CONSTRAINT_CLASS]
    if not rules:
        return
    chosen = {
        rule: sets.chosen(rule.lots)
        | (sets.chosen(rule.against) if rule.against is not None else False)
        for rule in rules
    }
    counted = np.zeros(len(sets.pair_lot), bool)
    for blend, product_index in enumerate(sets.blends.product):
        pairs = sets.pairs_of(blend)
        for rule in rules:
            if rule.governs(sets.products[product_index]):
                counted[pairs] |= chosen[rule][sets.pair_lot[pairs]]
    pairs = np.flatnonzero(counted)
    is_used = np.full(len(sets.pair_lot), -1)
    is_used[pairs] = columns.add("is_used", len(pairs), upper=1.0, whole=True)
    within = np.arange(len(pairs))
    switch = (within, is_used[pairs], -sets.max_use_lb[pairs])
    rows.add_block(
        [
            Requirement(
                ConstraintClass.MASS,
                sets.products[sets.blends.product[sets.pair_blend[pair]]].product_id,
                sets.lots[sets.pair_lot[pair]].lot_id,
            )
            for pair in pairs
        ],
        [(within, columns["use"][pairs], 1.0), switch],
        upper=0.0,
    )
    for blend, product_index in enumerate(sets.blends.product):
        product = sets.products[product_index]
        for rule in rules:
            if rule.governs(product):
                _add_rule(sets, columns, rows, rule, product, blend, is_used)


def _add_rule(
    sets: IndexSets,
    columns: Columns,
    rows: Rows,
    rule: Rule,
    product: Product,
    blend: int,
    is_used: np.ndarray,
) -> None:
    requirement = Requirement(
        _CONSTRAINT_CLASS[rule.kind], product.product_id, rule_id=rule.rule_id
    )
    pairs = sets.pairs_of(blend)
    lots = sets.pair_lot[pairs]
    ours = np.flatnonzero(sets.chosen(rule.lots)[lots]) + pairs.start
    if rule.kind is RuleKind.MAX_LOTS:
        rows.add(requirement, [(is_used[ours], 1.0)], upper=rule.max_count)
    elif rule.kind is RuleKind.MIN_IF_USED:
        # share of the blend, unless the lot is unused: then the largest blend lifts it
        ceiling_lb = rule.min_share * sets.max_blend_lb[blend]
        within = np.arange(len(ours))
        finished = np.full(len(ours), columns["finished"][blend])
        rows.add_block(
            [requirement] * len(ours),
            [
                (within, columns["use"][ours], sets.kept_mass[ours]),
                (within, finished, -rule.min_share),
                (within, is_used[ours], -ceiling_lb),
            ],
            lower=-ceiling_lb,
        )
    else:
        theirs = np.flatnonzero(sets.chosen(rule.against)[lots]) + pairs.start
        mine, other = np.meshgrid(ours, theirs, indexing="ij")
        both = mine.ravel() != other.ravel()
        mine, other = mine.ravel()[both], other.ravel()[both]
        within = np.arange(len(mine))
        rows.add_block(
            [requirement] * len(mine),
            [(within, is_used[mine], 1.0), (within, is_used[other], 1.0)],
            upper=1.0,
        )
