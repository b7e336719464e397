"""Why no plan exists: an infeasible subset (IIS), and the least change that makes one possible.

Every requirement gets an elastic variable in its own rows' unit. Those that must be relaxed are
enforced one after another until nothing is relaxed any more: the elastic filter. What was enforced
is infeasible, and a deletion filter then drops each member without which the rest stays infeasible
(J. W. Chinneck, Feasibility and Infeasibility in Optimization, 2008, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from time import perf_counter

import numpy as np

from blend.domain.analyses import ANALYSES
from blend.domain.case import Case
from blend.domain.plan import Change, InfeasibleSubset
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.errors import InputRefused, NoPlan, SolverTrouble
from blend.model.arrays import Model
from blend.model.build import model_of
from blend.model.measures import measure_of
from blend.model.rules import definition_of, limit_of
from blend.model.rules.definition import Measure
from blend.model.sets import IndexSets, index_sets
from blend.model.solve import open_linear, why_unbounded
from blend.model.solver import Answer, Outcome, WarmLinear, solve_whole

_RELAXED_LB = 1e-6
_STEP_TIME_S = 5.0
"""Time for one solve; nearly all of them are small."""
_WHOLE_TIME_S = 60.0
"""Time for all solves together."""
_WHOLE_ORDER_TIME_S = 15.0
"""Time to find the largest order that fits in whole containers."""
_MAX_LOTS_OFFERED = 8
"""More supply is offered for at most so many lots, those that need the fewest pounds."""
_SUPPLY = Requirement(ConstraintClass.SUPPLY)
"""Supply of all lots together: more of one lot is as good as of another like it."""
_CAP = Requirement(ConstraintClass.MASS)
"""Bookkeeping: a share is relaxed by a share of the pounds made."""

_STEP_OF_SHARE = 1e-4
"""Shares change in hundredths of a point, pounds and counts in whole numbers."""


def solved_linear(
    case: Case, progress: Callable[[str], None] | None = None
) -> tuple[WarmLinear, Answer]:
    """The linear program of a case, kept warm in the solver, and its optimum.

    Raises NoPlan with the infeasible subset when nothing meets every requirement, InputRefused
    where the cost is unbounded.
    """
    linear = open_linear(case)
    answer = linear.solve()
    if answer.outcome is Outcome.INFEASIBLE:
        raise NoPlan(explain_infeasibility(case, whole=False, progress=progress))
    if answer.outcome is Outcome.UNBOUNDED:
        raise InputRefused(why_unbounded(case))
    return linear, answer


def explain_infeasibility(
    case: Case, *, whole: bool, progress: Callable[[str], None] | None = None
) -> InfeasibleSubset:
    """Explain why a case has no plan; `whole` when only whole numbers rule one out.

    Where time runs out, or Ctrl-C is pressed, the subset may hold more than it has to, and
    changes may be missing.
    """
    say = progress or (lambda text: None)
    as_asked = case
    if not whole:
        case = case.divisible()
    sets = replace(index_sets(case), limits_give=True)
    ends_at = perf_counter() + _WHOLE_TIME_S
    elastic = _Elastic(model_of(sets, whole=whole), ends_at)
    say("which requirements conflict")
    subset = _deletion_filter(elastic, _elastic_filter(elastic))
    say("the smallest change that makes a plan possible")
    named = _name_lots(elastic, subset)
    changes = [
        change
        for requirement in _worth_changing(named)
        if (change := _change_alone(elastic, requirement)) is not None
    ]
    if not whole:
        changes = _orders_in_whole(as_asked, changes, ends_at)
    changes.sort(key=_makes_less_then_cost)
    together = () if changes else _change_together(elastic)
    kept_out = _kept_out(sets, named)
    return InfeasibleSubset(
        tuple(named),
        tuple(changes),
        together,
        needs_whole=whole,
        kept_out=kept_out,
        was_interrupted=elastic.was_interrupted,
    )


def _orders_in_whole(case: Case, changes: list[Change], ends_at: float) -> list[Change]:
    """Orders cut to what fits in whole containers and batches, where that is found in time."""
    orders = [each for each in changes if _is_order(each)]
    if not orders:
        return changes
    sets = replace(index_sets(case), limits_give=True)
    ends_at = min(ends_at, perf_counter() + _WHOLE_ORDER_TIME_S)
    elastic = _Elastic(model_of(sets, whole=True), ends_at)
    found = {each.requirement: _order_in_whole(elastic, each) for each in orders}
    return [found.get(each.requirement, each) for each in changes]


def _order_in_whole(elastic: _Elastic, change: Change) -> Change:
    asked = change.requirement
    with suppress(_NoAnswer):
        minimum = elastic.relax([asked])
        if len(minimum.x) and (steps := _steps(elastic, asked, minimum)) is not None:
            costed = elastic.change(asked, steps, at_cost=True)
            if len(costed.x):
                return replace(_change(elastic, asked, steps, costed), is_whole=True)
    return change


def _makes_less_then_cost(change: Change) -> tuple[bool, float]:
    """A plan that makes less costs less, so those come after the ones that make it all."""
    total = math.inf if change.total_usd is None else change.total_usd
    return _is_order(change), total


def _is_order(change: Change) -> bool:
    return change.requirement.constraint_class is ConstraintClass.VOLUME_MIN


class _NoAnswer(Exception):
    """Time ran out, or the solver failed: neither yes nor no is known."""


class _Elastic:
    """The elastic relaxation of a model.

    Each row of a requirement has an elastic column. Supply is a row here, so that it can be
    relaxed too. The elastic column of a share can be capped by a share of the pounds made,
    which is what a looser limit means.
    """

    def __init__(self, model: Model, ends_at: float) -> None:
        self.sets = model.sets
        self._ends_at = ends_at
        self.was_interrupted = False
        count = len(model.requirements)
        take = np.arange(len(model.cost))[model.take]
        limited = np.flatnonzero(np.isfinite(model.upper[take]))
        supply_rows = count + np.arange(len(limited))
        upward, downward = (
            [
                row
                for row in np.flatnonzero(np.isfinite(bounds)).tolist()
                if model.requirements[row].constraint_class
                not in (ConstraintClass.MASS, ConstraintClass.SUPPLY)
            ]
            for bounds in (model.row_lower, model.row_upper)
        )
        elastic_row = np.concatenate((upward, downward, supply_rows)).astype(int)
        elastic_sign = np.array([1.0] * len(upward) + [-1.0] * (len(downward) + len(limited)))
        supply = [
            Requirement(ConstraintClass.SUPPLY, lot_id=self.sets.lots[lot].lot_id)
            for lot in limited.tolist()
        ]
        self.first = len(model.cost)
        self.size = self.first + len(elastic_row)
        elastic = np.arange(self.first, self.size)
        self.columns_of: dict[Requirement, list[int]] = {}
        for column, row in zip(elastic.tolist(), elastic_row.tolist(), strict=True):
            asked = (*model.requirements, *supply)[row]
            self.columns_of.setdefault(asked, []).append(column)
        self.made_of = self._made_columns(model)
        shared = np.array(sorted(self.made_of), int)
        made = np.array([self.made_of[column] for column in shared.tolist()], int)
        cap_rows = count + len(limited) + np.arange(len(shared))
        self.cap_row = dict(zip(shared.tolist(), cap_rows.tolist(), strict=True))
        upper = model.upper.copy()
        upper[take] = np.inf
        ones = np.ones(len(shared))
        self.model = replace(model, upper=upper).extended(
            len(elastic),
            [
                (elastic_row, elastic, elastic_sign),
                (supply_rows, take[limited], np.ones(len(limited))),
                (cap_rows, shared, ones),
                (cap_rows, made, -ones),
            ],
            upper=0.0,
            row_lower=np.full(len(limited) + len(shared), -np.inf),
            row_upper=np.append(model.upper[take[limited]], np.full(len(shared), np.inf)),
            requirements=[*supply, *[_CAP] * len(shared)],
        )

    def _made_columns(self, model: Model) -> dict[int, int]:
        """For each elastic column of a share limit: the column of its blend's finished lb."""
        finished = np.arange(self.first)[model.names["finished"]]
        blends = {
            product.product_id: self.sets.blends_of(index)
            for index, product in enumerate(self.sets.products)
        }
        return {
            column: int(made)
            for asked, columns in self.columns_of.items()
            if measure_of(asked.constraint_class) is Measure.SHARE
            for column, made in zip(columns, finished[blends[asked.product_id]], strict=True)
        }

    def groups(self) -> list[Requirement]:
        """Requirements to enforce one by one; the supply of all lots counts as one."""
        own = [r for r in self.columns_of if r.constraint_class is not ConstraintClass.SUPPLY]
        return [*own, _SUPPLY]

    def columns(self, requirement: Requirement) -> list[int]:
        if requirement != _SUPPLY:
            return self.columns_of[requirement]
        return [
            column
            for asked, columns in self.columns_of.items()
            if asked.constraint_class is ConstraintClass.SUPPLY
            for column in columns
        ]

    def relax(self, relaxed: Iterable[Requirement]) -> Answer:
        """Relax some requirements by as little as possible in all."""
        columns = [column for requirement in relaxed for column in self.columns(requirement)]
        cost, upper = np.zeros(self.size), self.model.upper.copy()
        cost[columns], upper[columns] = 1.0, np.inf
        return self._solve(replace(self.model, cost=cost, upper=upper))

    def is_feasible(self, relaxed: Iterable[Requirement]) -> bool:
        """Whether there is a plan with some requirements relaxed."""
        columns = [column for requirement in relaxed for column in self.columns(requirement)]
        upper = self.model.upper.copy()
        upper[columns] = np.inf
        free = replace(self.model, cost=np.zeros(self.size), upper=upper)
        return bool(len(self._solve(free).x))

    def change(self, requirement: Requirement, by: float, *, at_cost: bool) -> Answer:
        """Relax one requirement as its table would, at least cost or for any plan at all."""
        columns = self.columns(requirement)
        changed = self.model
        upper = changed.upper.copy()
        if measure_of(requirement.constraint_class) is Measure.SHARE:
            upper[columns] = np.inf
            caps = [self.cap_row[column] for column in columns]
            row_upper = changed.row_upper.copy()
            row_upper[caps] = 0.0
            matrix = changed.matrix
            share_of_made = (matrix.value < 0) & np.isin(matrix.row, caps)
            matrix = replace(matrix, value=np.where(share_of_made, -by, matrix.value))
            changed = replace(changed, matrix=matrix, row_upper=row_upper)
        else:
            upper[columns] = by
        cost = changed.cost if at_cost else np.zeros(self.size)
        return self._solve(replace(changed, cost=cost, upper=upper))

    def _solve(self, model: Model) -> Answer:
        time_s = min(_STEP_TIME_S, self._ends_at - perf_counter())
        if time_s <= 0:
            raise _NoAnswer
        try:
            answer = solve_whole(model, gap_share=1e-4, time_limit_s=time_s)
        except SolverTrouble:
            # that there is no plan is known already; only a way out is not
            raise _NoAnswer from None
        except KeyboardInterrupt:
            self._stop()
            raise _NoAnswer from None
        if answer.was_interrupted:
            self._stop()
        if answer.outcome is Outcome.STOPPED and not len(answer.x):
            raise _NoAnswer
        return answer

    def _stop(self) -> None:
        self._ends_at = 0.0
        self.was_interrupted = True

    def relaxed_by(self, answer: Answer, requirement: Requirement) -> float:
        return float(answer.x[self.columns(requirement)].sum())


def _elastic_filter(elastic: _Elastic) -> list[Requirement]:
    """Requirements that are infeasible together: whatever is relaxed is enforced, until
    nothing can be."""
    groups = elastic.groups()
    held: list[Requirement] = []
    while True:
        try:
            answer = elastic.relax([group for group in groups if group not in held])
        except _NoAnswer:
            return groups  # infeasible together, that much is certain
        if not len(answer.x):
            return held
        relaxing = [group for group in groups if elastic.relaxed_by(answer, group) > _RELAXED_LB]
        if not relaxing:
            return held
        held += relaxing


def _deletion_filter(elastic: _Elastic, held: list[Requirement]) -> list[Requirement]:
    """Drop each requirement without which the rest stays infeasible."""
    groups = elastic.groups()
    kept = list(held)
    for requirement in held:
        rest = [other for other in kept if other != requirement]
        with suppress(_NoAnswer):
            if not elastic.is_feasible([group for group in groups if group not in rest]):
                kept = rest
    return kept


def _name_lots(elastic: _Elastic, subset: list[Requirement]) -> list[Requirement]:
    """The subset with the supply of all lots replaced by that of the lots that would help."""
    if _SUPPLY not in subset:
        return subset
    others = [requirement for requirement in subset if requirement != _SUPPLY]
    free = [group for group in elastic.groups() if group not in subset]
    lots = []
    for requirement in elastic.columns_of:
        if requirement.constraint_class is not ConstraintClass.SUPPLY:
            continue
        try:
            need = elastic.relax([*free, requirement])
        except _NoAnswer:
            return subset
        if len(need.x):
            lots.append((elastic.relaxed_by(need, requirement), requirement))
    lots.sort(key=lambda pair: pair[0])
    return others + [requirement for _, requirement in lots] if lots else [*others, _SUPPLY]


def _kept_out(sets: IndexSets, named: list[Requirement]) -> tuple[Requirement, ...]:
    """What keeps every usable lot out of a product of the subset: its species and programs,
    rules against lots, or both. Empty where some lot may go in, or no lot is usable."""
    has_lots = set(sets.blends.product[sets.pair_blend].tolist())
    subset = {requirement.product_id for requirement in named}
    kept_out: list[Requirement] = []
    for index, product in enumerate(sets.products):
        if product.product_id in subset and index not in has_lots:
            kept_out += _excluding(sets, product)
    return tuple(kept_out)


def _excluding(sets: IndexSets, product: Product) -> list[Requirement]:
    """The fewest requirements that together keep every lot out of a product; rules are dropped
    first, so that where no lot is of its species and programs only that is reported."""
    excluded: dict[Requirement, set[int]] = {}
    for rule in sets.case.binding_rules():
        kind = definition_of(rule.kind)
        selector = kind.excluded(rule)
        if selector is not None and rule.governs(product):
            by_rule = kind.limits[0].of(rule, product)
            excluded[by_rule] = set(np.flatnonzero(sets.chosen(selector)).tolist())
    excluded[Requirement(ConstraintClass.MAY_HOLD, product.product_id)] = {
        index
        for index, lot in enumerate(sets.lots)
        if lot.species not in product.species or not product.label_claims <= lot.label_claims
    }
    kept = list(excluded)
    for asked in excluded:
        rest = [other for other in kept if other != asked]
        if len(set().union(*(excluded[other] for other in rest))) == len(sets.lots):
            kept = rest
    return kept[::-1]


def _worth_changing(named: list[Requirement]) -> list[Requirement]:
    lots = [
        requirement
        for requirement in named
        if requirement.constraint_class is ConstraintClass.SUPPLY
    ]
    others = [
        requirement
        for requirement in named
        if requirement.constraint_class is not ConstraintClass.SUPPLY
    ]
    return others + [lot for lot in lots if lot != _SUPPLY][:_MAX_LOTS_OFFERED]


def _change_alone(elastic: _Elastic, requirement: Requirement) -> Change | None:
    """The smallest change of one requirement that makes a plan possible with all others as they
    are; None where there is none, or none was found in time."""
    try:
        return _min_change(elastic, requirement)
    except _NoAnswer:
        return None


def _min_change(elastic: _Elastic, requirement: Requirement) -> Change | None:
    minimum = elastic.relax([requirement])
    if not len(minimum.x):
        return None
    steps = _steps(elastic, requirement, minimum)
    if steps is None:
        costed = elastic.change(requirement, math.inf, at_cost=True)
        return _change(elastic, requirement, None, costed)
    fewest = _fewest(elastic, requirement, steps)
    size = _step_size(requirement)
    return _change(
        elastic, requirement, fewest, elastic.change(requirement, fewest * size, at_cost=True)
    )


def _fewest(elastic: _Elastic, requirement: Requirement, steps: int) -> int:
    """The fewest steps that make a plan possible. With more pounds made the share can be smaller
    than where the pounds relaxed are fewest."""

    def is_enough(count: int) -> bool:
        by = count * _step_size(requirement)
        return bool(len(elastic.change(requirement, by, at_cost=False).x))

    if not is_enough(steps):
        return steps + 1
    low, high, middle = 0, steps, steps - 1
    while high - low > 1:
        low, high = (low, middle) if is_enough(middle) else (middle, high)
        middle = (low + high) // 2
    return high


def _change_together(elastic: _Elastic) -> tuple[Change, ...]:
    """The changes that make a plan possible together when no single one does."""
    groups = list(elastic.columns_of)
    try:
        minimum = elastic.relax(groups)
    except _NoAnswer:
        return ()
    if not len(minimum.x):
        return ()
    relaxing = [group for group in groups if elastic.relaxed_by(minimum, group) > _RELAXED_LB]
    return tuple(
        _change(elastic, group, _steps(elastic, group, minimum), None) for group in relaxing
    )


def _step_size(requirement: Requirement) -> float:
    is_share = measure_of(requirement.constraint_class) is Measure.SHARE
    return _STEP_OF_SHARE if is_share else 1.0


def _steps(elastic: _Elastic, requirement: Requirement, answer: Answer) -> int | None:
    """How far a requirement is relaxed, in steps rounded outward to what a table would hold;
    None where it can only be dropped. Each row of it must have enough."""
    columns = elastic.columns(requirement)
    given = answer.x[columns]
    if measure_of(requirement.constraint_class) is Measure.SHARE:
        made_lb = answer.x[[elastic.made_of[column] for column in columns]]
        given = given / np.maximum(made_lb, _RELAXED_LB)
    elif measure_of(requirement.constraint_class) in (Measure.NONE, Measure.HEAT):
        return None
    elif requirement.constraint_class == ConstraintClass.ADDED and len(columns) > 1:
        return None  # limited on both sides: which side is loosened is the user's to say
    return max(1, math.ceil(float(given.max()) / _step_size(requirement) - 1e-6))


def _change(
    elastic: _Elastic, requirement: Requirement, steps: int | None, costed: Answer | None
) -> Change:
    """A change of a number in the tables, with what the plan then costs."""
    total = costed.objective if costed is not None and len(costed.x) else None
    if steps is None:
        return Change(requirement, math.nan, math.nan, "drop", total)
    was, sign = _limit_now(elastic.sets.case, requirement)
    becomes = was + sign * steps * _step_size(requirement)
    measure = measure_of(requirement.constraint_class)
    if measure is Measure.SHARE:
        becomes = round(becomes, 6)
    return Change(requirement, was, becomes, str(measure), total)


def _limit_now(case: Case, requirement: Requirement) -> tuple[float, float]:
    """The number in the tables that sets the limit (for an analysis its tolerance), and which
    way relaxes it: 1 up, -1 down."""
    for analysis in ANALYSES:
        if requirement.constraint_class == analysis.min_class:
            return analysis.below(case.product(requirement.product_id)), 1.0
        if requirement.constraint_class == analysis.max_class:
            return analysis.above(case.product(requirement.product_id)), 1.0
    match requirement.constraint_class:
        case ConstraintClass.VOLUME_MIN:
            return case.product(requirement.product_id).min_lb, -1.0
        case ConstraintClass.VOLUME_MAX:
            return case.product(requirement.product_id).max_lb_or_infinite, 1.0
        case ConstraintClass.SUPPLY:
            return case.lot(requirement.lot_id).max_lb, 1.0
        case ConstraintClass.ADDED:
            added = next(each for each in case.constraints if each.name == requirement.rule_id)
            if added.maximum is not None:
                return added.maximum, 1.0
            assert added.minimum is not None
            return added.minimum, -1.0
    rule = next(rule for rule in case.binding_rules() if rule.rule_id == requirement.rule_id)
    limit = limit_of(requirement.constraint_class)
    assert limit is not None, "every other class with a number is a rule's"
    value = getattr(rule, limit.column)
    if value is None:  # all of the selected lots
        value = sum(lot.max_lb for lot in case.usable_lots() if rule.lots.holds(lot))
    return float(value), -1.0 if limit.is_min else 1.0
