"""A case stated as a model: index sets, then columns and rows, constraint by constraint."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from blend.domain.case import Case
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule
from blend.model import constraints
from blend.model.arrays import Columns, Model, Rows
from blend.model.days import DayColumns, DayRows
from blend.model.rules import RuleDefinition, definition_of
from blend.model.sets import IndexSets, index_sets


@dataclass
class ModelBuilder:
    """A model while it is being stated."""

    sets: IndexSets
    columns: Columns | DayColumns
    rows: Rows | DayRows
    is_used: np.ndarray = field(default_factory=lambda: np.zeros(0, int))
    """By pair: the 0-1 column that is 1 when any of it is used, -1 where no rule needs one."""


def build_model(case: Case, *, whole: bool = False) -> Model:
    """The case as sparse arrays.

    The LP relaxation splits containers, counts and batches freely; `whole` adds the
    constraints that need whole numbers.
    """
    return model_of(index_sets(case), whole=whole)


def model_of(sets: IndexSets, *, whole: bool = False) -> Model:
    columns, rows = Columns(), Rows()
    model = ModelBuilder(sets, columns, rows)
    for constraint in constraints.LINEAR:
        constraint.add(model)
    add_rules(model, lambda kind: not kind.is_whole)
    if whole:
        for constraint in constraints.WHOLE:
            constraint.add(model)
        add_rules(model, lambda kind: kind.is_whole)
    constraints.added.add(model)
    return Model.of(sets, columns, rows)


def add_rules(model: ModelBuilder, wanted: Callable[[RuleDefinition], bool]) -> None:
    """State the binding rules of the kinds wanted, kind by kind."""
    rules = [(definition_of(rule.kind), rule) for rule in model.sets.case.binding_rules()]
    rules = sorted((each for each in rules if wanted(each[0])), key=lambda each: each[0].name)
    add_switches(model, rules)
    for kind, rule in rules:
        kind.rows(rule, model)


def add_switches(model: ModelBuilder, rules: list[tuple[RuleDefinition, Rule]]) -> None:
    """A 0-1 column for each pair that a rule counts, 1 when any of it is used (big-M rows)."""
    sets = model.sets
    counted = np.zeros(len(sets.pair_lot), bool)
    for kind, rule in rules:
        for selector in kind.switched(rule):
            for blend, _ in sets.blends_under(rule):
                counted[sets.pairs_with(selector, blend)] = True
    pairs = np.flatnonzero(counted)
    if not len(pairs):
        return
    model.is_used = np.full(len(counted), -1)
    model.is_used[pairs] = model.columns.add(
        "is_used", len(pairs), upper=1.0, whole=True, keys=lambda: sets.pair_keys(pairs)
    )
    within = np.arange(len(pairs))
    model.rows.add_block(
        [
            Requirement(ConstraintClass.MASS, product.product_id, lot.lot_id)
            for product, lot in zip(sets.products_of(pairs), sets.lots_of(pairs), strict=True)
        ],
        [
            (within, model.columns["use"][pairs], 1.0),
            (within, model.is_used[pairs], -sets.max_use_lb[pairs]),
        ],
        upper=0.0,
    )
