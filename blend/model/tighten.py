"""Tighter big-M for counted lots, and their LP relaxation without switches.

A lot of lean l makes at most (H − m) / (H − l) of a blend whose lean is at least m, where H is the
leanest lot there is; likewise from above, and never more than a rule on its share allows. A switch
with that big-M, use <= M × switch, cuts off most of what the LP relaxation gains by splitting
switches. In the relaxation each switch is use / M, so it needs no column.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import compress

import numpy as np

from blend.domain.case import Case
from blend.domain.products import Product
from blend.domain.rules import RuleKind
from blend.model.arrays import Model, SparseColumns
from blend.model.sets import IndexSets

_ROOM = 1e-6
"""Share by which big-M stays above the limit, and so above rounding errors."""


@dataclass(frozen=True)
class Switches:
    """The switches of a model: by switch, its column, its row, and the pair that it is for."""

    columns: np.ndarray
    rows: np.ndarray
    pairs: np.ndarray
    entries: np.ndarray
    """Where the matrix holds each big-M."""


def switches(model: Model) -> Switches:
    """The switches in the order of their columns, those of pairs that nothing can be used of left
    out. Their rows come before all others that use them."""
    block, matrix = model.names.get("is_used", slice(0, 0)), model.matrix
    columns = np.arange(block.start, block.stop)
    columns = columns[matrix.start[columns] < matrix.start[columns + 1]]
    entries = matrix.start[columns]
    rows = matrix.row[entries]
    # a big-M of zero is no entry: the first one is then of another row
    is_switch = (matrix.value[entries] < 0) & (model.row_upper[rows] == 0)
    is_switch &= np.isneginf(model.row_lower[rows])
    columns, entries, rows = columns[is_switch], entries[is_switch], rows[is_switch]
    switch_of_row = np.full(len(model.row_lower), -1)
    switch_of_row[rows] = np.arange(len(rows))
    use = np.arange(model.use.start, model.use.stop)
    of_use = matrix.take(use)
    switch = switch_of_row[of_use.row]
    pairs = np.zeros(len(columns), int)
    pairs[switch[switch >= 0]] = of_use.column[switch >= 0]
    return Switches(columns, rows, pairs, entries)


def tightened(model: Model) -> Model:
    """The same whole-number program with smaller big-M. Lots that can't make the minimum share of
    a blend are left out of it by the switch's own rows."""
    found = switches(model)
    if not len(found.columns):
        return model
    sets, pairs = model.sets, found.pairs
    made_lb = sets.max_blend_lb[sets.pair_blend[pairs]] * (1 + _ROOM)
    with np.errstate(divide="ignore", invalid="ignore"):
        most_lb = max_share(sets)[pairs] * made_lb / sets.kept_mass[pairs]
    value = model.matrix.value.copy()
    value[found.entries] = np.fmax(value[found.entries], -most_lb)
    return replace(model, matrix=replace(model.matrix, value=value))


def max_share(sets: IndexSets) -> np.ndarray:
    """By pair, the most of the blend that the lot can make within the limits on lean and shares."""
    most = np.ones(len(sets.pair_lot))
    with np.errstate(divide="ignore", invalid="ignore"):
        lean = sets.kept_lean / sets.kept_mass
        for blend, product in sets.blend_products():
            pairs = sets.pairs_of(blend)
            low, high = lean_limits(sets.case, product)
            ours = lean[pairs]
            leanest, fattest = ours.max(initial=0.0), ours.min(initial=1.0)
            share = np.where(ours < low, (leanest - low) / (leanest - ours), 1.0)
            share = np.where(ours > high, (high - fattest) / (ours - fattest), share)
            most[pairs] = np.clip(share + _ROOM, 0.0, 1.0)
    for rule in sets.case.binding_rules():
        if rule.kind is RuleKind.SHARE and rule.max_share is not None:
            for blend, _ in sets.blends_under(rule):
                of_rule = sets.pairs_with(rule.lots, blend)
                most[of_rule] = np.minimum(most[of_rule], rule.max_share + _ROOM)
    return most


def lean_limits(case: Case, product: Product) -> tuple[float, float]:
    """Min and max lean of a product: its tolerance, tightened by rules on fat."""
    minimum, maximum = product.min_lean, product.max_lean
    for rule in case.binding_rules():
        if rule.kind is RuleKind.FAT and rule.governs(product):
            if rule.max_share is not None:
                minimum = max(minimum, 1 - rule.max_share)
            if rule.min_share is not None:
                maximum = min(maximum, 1 - rule.min_share)
    return minimum, maximum


def without_switches(model: Model) -> Model:
    """The LP relaxation of a tightened program with use / M in place of each switch.

    Left out are rows of switches and pounds together, which use / M keeps by itself, and rows that
    a larger switch could be needed for: fewer rows are a relaxation too.
    """
    found, matrix = switches(model), model.matrix
    if not len(found.columns):
        return replace(model, whole=np.zeros(len(model.cost), bool))
    place = np.full(len(model.cost), -1)
    place[found.columns] = np.arange(len(found.columns))
    column, value = matrix.column, matrix.value.copy()
    switch = place[column]
    is_switch = switch >= 0
    holds_use, holds_switch, is_open = np.zeros((3, len(model.row_lower)), bool)
    holds_use[matrix.row[(column >= model.use.start) & (column < model.use.stop)]] = True
    holds_switch[matrix.row[is_switch]] = True
    needs_more = np.where(value > 0, model.row_lower[matrix.row], -model.row_upper[matrix.row])
    is_open[matrix.row[is_switch & np.isfinite(needs_more)]] = True
    kept_rows = ~(holds_switch & (holds_use | is_open))
    big_m_lb = -matrix.value[found.entries]
    value[is_switch] /= np.where(big_m_lb > 0, big_m_lb, np.inf)[switch[is_switch]]
    column = np.where(is_switch, model.use.start + found.pairs[switch], column)
    kept = kept_rows[matrix.row]
    rows = (np.cumsum(kept_rows) - 1)[matrix.row[kept]]
    upper = model.upper.copy()
    upper[found.columns] = 0.0
    return replace(
        model,
        upper=upper,
        whole=np.zeros(len(model.cost), bool),
        matrix=SparseColumns.of_entries(rows, column[kept], value[kept], len(model.cost)),
        row_lower=model.row_lower[kept_rows],
        row_upper=model.row_upper[kept_rows],
        requirements=tuple(compress(model.requirements, kept_rows)),
    )
