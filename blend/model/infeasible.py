"""Why no plan exists: the requirements that clash, and the least change that frees a plan.

Every requirement gets room to give way, measured in its own rows' unit. Those that must give
way are held fast one after another until nothing gives any more: they hold a clash, which is
then thinned until none of it can be spared (elastic and deletion filters: J. W. Chinneck,
Feasibility and Infeasibility in Optimization, 2008, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import replace
from time import perf_counter

import numpy as np

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.plan import Change, InfeasibleSubset
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import RuleKind
from blend.errors import SolverTrouble
from blend.model.arrays import Model, SparseColumns
from blend.model.build import model_of
from blend.model.sets import IndexSets, lay_out
from blend.model.solver import Answer, Outcome, solve_whole

_GIVES_LB = 1e-6
_STEP_TIME_S = 5.0
"""Time for one question to the solver; nearly all of them are small."""
_WHOLE_TIME_S = 60.0
"""Time for all questions."""
_MAX_LOTS_OFFERED = 8
"""More supply is offered lot by lot for no more lots than this, those of the best worth."""
_SUPPLY = Requirement(ConstraintClass.SUPPLY)
"""All lots' supply together: more of one lot is as good as of another like it."""
_CAP = Requirement(ConstraintClass.MASS)
"""Bookkeeping: what a share gives is a share of the pounds made."""

_SHARE_CONSTRAINT_CLASSES = {
    ConstraintClass.LEAN_MIN,
    ConstraintClass.LEAN_MAX,
    ConstraintClass.FAT_MIN,
    ConstraintClass.FAT_MAX,
    ConstraintClass.SHARE_MIN,
    ConstraintClass.SHARE_MAX,
}
_POUND_CONSTRAINT_CLASSES = {
    ConstraintClass.VOLUME_MIN,
    ConstraintClass.VOLUME_MAX,
    ConstraintClass.MUST_USE,
    ConstraintClass.SUPPLY,
}
_COUNT_CONSTRAINT_CLASSES = {ConstraintClass.MAX_LOTS}
_STEP_OF_SHARE = 1e-4
"""Shares are told to a hundredth of a point, pounds and counts whole."""


def explain_infeasibility(
    case: Case, *, whole: bool, progress: Callable[[str], None] | None = None
) -> InfeasibleSubset:
    """Explain why a case has no plan; `whole` when only whole numbers rule one out.

    Raises nothing for a hard case: where time runs out, or Ctrl-C comes, the clash is merely
    less thin and changes may be missing.
    """
    say = progress or (lambda text: None)
    if not whole:
        case = case.divisible()
    sets = replace(lay_out(case), limits_give=True)
    elastic = _Elastic(model_of(sets, whole=whole))
    say("which requirements clash")
    infeasible_sets = _thin(elastic, _hold_fast(elastic))
    say("the least change that frees a plan")
    named = _name_lots(elastic, infeasible_sets)
    changes = [
        change
        for requirement in _value_changing(named)
        if (change := _change_alone(elastic, requirement)) is not None
    ]
    changes.sort(key=_makes_less_then_cost)
    together = () if changes else _change_together(elastic)
    kept_out = _kept_out(sets, named)
    return InfeasibleSubset(
        tuple(named), tuple(changes), together, needs_whole=whole, kept_out=kept_out
    )


def _makes_less_then_cost(change: Change) -> tuple[bool, float]:
    """A plan that makes less costs less, so those come after the ones that make it all."""
    total = math.inf if change.total_usd is None else change.total_usd
    return change.requirement.constraint_class is ConstraintClass.VOLUME_MIN, total


class _NotAnswered(Exception):
    """Time ran out over a question, or the solver failed: neither yes nor no is known."""


class _Elastic:
    """A program whose nameable requirements may give way.

    Each row of one has a column of its own for what it gives. How much there is of a lot is a
    row here, so that it can give too. What a share gives can be capped by a share of the
    pounds made, which is what easing its limit means.
    """

    def __init__(self, model: Model) -> None:
        self.sets = model.sets
        self._ends_at = perf_counter() + _WHOLE_TIME_S
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
        give_row = np.concatenate((upward, downward, supply_rows)).astype(int)
        give_sign = np.array([1.0] * len(upward) + [-1.0] * (len(downward) + len(limited)))
        supply = [
            Requirement(ConstraintClass.SUPPLY, lot_id=self.sets.lots[lot].lot_id)
            for lot in limited.tolist()
        ]
        self.first = len(model.cost)
        self.size = self.first + len(give_row)
        give = np.arange(self.first, self.size)
        self.columns_of: dict[Requirement, list[int]] = {}
        for column, row in zip(give.tolist(), give_row.tolist(), strict=True):
            asked = (*model.requirements, *supply)[row]
            self.columns_of.setdefault(asked, []).append(column)
        self.made_of = self._made_columns(model)
        shared = np.array(sorted(self.made_of), int)
        made = np.array([self.made_of[column] for column in shared.tolist()], int)
        cap_rows = count + len(limited) + np.arange(len(shared))
        self.cap_row = dict(zip(shared.tolist(), cap_rows.tolist(), strict=True))
        upper = model.upper.copy()
        upper[take] = np.inf
        zeros = np.zeros(len(give))
        matrix = model.matrix
        ones = np.ones(len(limited) + len(shared))
        self.model = replace(
            model,
            cost=np.concatenate((model.cost, zeros)),
            lower=np.concatenate((model.lower, zeros)),
            upper=np.concatenate((upper, zeros)),
            whole=np.concatenate((model.whole, zeros.astype(bool))),
            matrix=SparseColumns.of_entries(
                np.concatenate((matrix.row, give_row, supply_rows, cap_rows, cap_rows)),
                np.concatenate((matrix.column, give, take[limited], shared, made)),
                np.concatenate((matrix.value, give_sign, ones, -np.ones(len(shared)))),
                self.size,
            ),
            row_lower=np.append(model.row_lower, np.full(len(ones), -np.inf)),
            row_upper=np.concatenate(
                (model.row_upper, model.upper[take[limited]], np.full(len(shared), np.inf))
            ),
            requirements=(*model.requirements, *supply, *[_CAP] * len(shared)),
        )

    def _made_columns(self, model: Model) -> dict[int, int]:
        """The column of pounds made that each giving column of a share is a share of."""
        finished = np.arange(self.first)[model.names["finished"]]
        blends = {
            product.product_id: self.sets.blends_of(index)
            for index, product in enumerate(self.sets.products)
        }
        return {
            column: int(made)
            for asked, columns in self.columns_of.items()
            if asked.constraint_class in _SHARE_CONSTRAINT_CLASSES
            for column, made in zip(columns, finished[blends[asked.product_id]], strict=True)
        }

    def groups(self) -> list[Requirement]:
        """Requirements to hold fast one by one; the supply of all lots counts as one."""
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

    def give(self, may_give: Iterable[Requirement]) -> Answer:
        """Let some requirements give way, as little as can be."""
        columns = [column for requirement in may_give for column in self.columns(requirement)]
        cost, upper = np.zeros(self.size), self.model.upper.copy()
        cost[columns], upper[columns] = 1.0, np.inf
        return self._solve(replace(self.model, cost=cost, upper=upper))

    def can_give(self, may_give: Iterable[Requirement]) -> bool:
        """Whether there is a plan when some requirements give way."""
        columns = [column for requirement in may_give for column in self.columns(requirement)]
        upper = self.model.upper.copy()
        upper[columns] = np.inf
        free = replace(self.model, cost=np.zeros(self.size), upper=upper)
        return bool(len(self._solve(free).x))

    def ease(self, requirement: Requirement, by: float, *, at_cost: bool) -> Answer:
        """Ease one requirement as its table would, at least cost or for any plan at all."""
        columns = self.columns(requirement)
        changed = self.model
        upper = changed.upper.copy()
        if requirement.constraint_class in _SHARE_CONSTRAINT_CLASSES:
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
            raise _NotAnswered
        try:
            answer = solve_whole(model, gap_share=1e-4, time_limit_s=time_s)
        except SolverTrouble:
            # That there is no plan is known already; only a way out of it is not.
            raise _NotAnswered from None
        except KeyboardInterrupt:
            self._ends_at = 0.0
            raise _NotAnswered from None
        if answer.was_interrupted:
            self._ends_at = 0.0
        if answer.outcome is Outcome.STOPPED and not len(answer.x):
            raise _NotAnswered
        return answer

    def given(self, answer: Answer, requirement: Requirement) -> float:
        return float(answer.x[self.columns(requirement)].sum())


def _hold_fast(elastic: _Elastic) -> list[Requirement]:
    """Requirements that together leave no plan: whatever gives way is held, until it breaks."""
    groups = elastic.groups()
    held: list[Requirement] = []
    while True:
        try:
            answer = elastic.give([group for group in groups if group not in held])
        except _NotAnswered:
            return groups  # all of them clash, that much is proved
        if not len(answer.x):
            return held
        giving = [group for group in groups if elastic.given(answer, group) > _GIVES_LB]
        if not giving:
            return held
        held += giving


def _thin(elastic: _Elastic, held: list[Requirement]) -> list[Requirement]:
    """Leave out each requirement without which the rest still clash."""
    groups = elastic.groups()
    kept = list(held)
    for requirement in held:
        rest = [other for other in kept if other != requirement]
        with suppress(_NotAnswered):
            if not elastic.can_give([group for group in groups if group not in rest]):
                kept = rest
    return kept


def _name_lots(elastic: _Elastic, infeasible_sets: list[Requirement]) -> list[Requirement]:
    """The clash with the supply of all lots replaced by that of the lots that would help."""
    if _SUPPLY not in infeasible_sets:
        return infeasible_sets
    others = [requirement for requirement in infeasible_sets if requirement != _SUPPLY]
    free = [group for group in elastic.groups() if group not in infeasible_sets]
    lots = []
    for requirement in elastic.columns_of:
        if requirement.constraint_class is not ConstraintClass.SUPPLY:
            continue
        try:
            need = elastic.give([*free, requirement])
        except _NotAnswered:
            return infeasible_sets
        if len(need.x):
            lots.append((elastic.given(need, requirement), requirement))
    lots.sort(key=lambda pair: pair[0])
    return others + [requirement for _, requirement in lots] if lots else [*others, _SUPPLY]


def _kept_out(sets: IndexSets, named: list[Requirement]) -> tuple[Requirement, ...]:
    """What keeps every usable lot out of a product of the clash: its species and programs,
    rules against lots, or both. Empty where some lot may go in, or no lot is usable at all."""
    has_lots = set(sets.blends.product[sets.pair_blend].tolist())
    infeasible_sets = {requirement.product_id for requirement in named}
    kept_out: list[Requirement] = []
    for index, product in enumerate(sets.products):
        if product.product_id in infeasible_sets and index not in has_lots:
            kept_out += _bars(sets, product)
    return tuple(kept_out)


def _bars(sets: IndexSets, product: Product) -> list[Requirement]:
    """The fewest requirements that together bar every lot from a product; rules are spared
    first, so that where no lot is of its species and programs only that is told."""
    barred: dict[Requirement, set[int]] = {}
    for rule in sets.case.binding_rules():
        if rule.kind is RuleKind.MUST_NOT_USE and rule.governs(product):
            asked = Requirement(
                ConstraintClass.MUST_NOT_USE, product.product_id, rule_id=rule.rule_id
            )
            barred[asked] = {i for i, lot in enumerate(sets.lots) if rule.lots.holds(lot)}
    barred[Requirement(ConstraintClass.MAY_HOLD, product.product_id)] = {
        index
        for index, lot in enumerate(sets.lots)
        if lot.species not in product.species or not product.label_claims <= lot.label_claims
    }
    kept = list(barred)
    for asked in barred:
        rest = [other for other in kept if other != asked]
        if len(set().union(*(barred[other] for other in rest))) == len(sets.lots):
            kept = rest
    return kept[::-1]


def _value_changing(named: list[Requirement]) -> list[Requirement]:
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
    """The least change of one requirement that frees a plan with all others as they are; None
    where there is none, or none was found in time."""
    try:
        return _min_change(elastic, requirement)
    except _NotAnswered:
        return None


def _min_change(elastic: _Elastic, requirement: Requirement) -> Change | None:
    minimum = elastic.give([requirement])
    if not len(minimum.x):
        return None
    steps = _steps(elastic, requirement, minimum)
    if steps is None:
        costed = elastic.ease(requirement, math.inf, at_cost=True)
        return _change(elastic, requirement, None, costed)
    fewest = _fewest(elastic, requirement, steps)
    size = _step_size(requirement)
    return _change(
        elastic, requirement, fewest, elastic.ease(requirement, fewest * size, at_cost=True)
    )


def _fewest(elastic: _Elastic, requirement: Requirement, steps: int) -> int:
    """The fewest steps that free a plan. Where pounds given are least, a share need not be:
    with more made it can be less."""

    def frees(count: int) -> bool:
        by = count * _step_size(requirement)
        return bool(len(elastic.ease(requirement, by, at_cost=False).x))

    if not frees(steps):
        return steps + 1
    low, high, middle = 0, steps, steps - 1
    while high - low > 1:
        low, high = (low, middle) if frees(middle) else (middle, high)
        middle = (low + high) // 2
    return high


def _change_together(elastic: _Elastic) -> tuple[Change, ...]:
    """The changes that free a plan when no single one does: as little as can be in all."""
    groups = list(elastic.columns_of)
    try:
        minimum = elastic.give(groups)
    except _NotAnswered:
        return ()
    if not len(minimum.x):
        return ()
    giving = [group for group in groups if elastic.given(minimum, group) > _GIVES_LB]
    return tuple(_change(elastic, group, _steps(elastic, group, minimum), None) for group in giving)


def _step_size(requirement: Requirement) -> float:
    return _STEP_OF_SHARE if requirement.constraint_class in _SHARE_CONSTRAINT_CLASSES else 1.0


def _steps(elastic: _Elastic, requirement: Requirement, answer: Answer) -> int | None:
    """What a requirement gives way by, in steps and rounded outward to what a sheet would
    hold; None where it can only be dropped. Each row of it must have enough."""
    columns = elastic.columns(requirement)
    given = answer.x[columns]
    if requirement.constraint_class in _SHARE_CONSTRAINT_CLASSES:
        made_lb = answer.x[[elastic.made_of[column] for column in columns]]
        given = given / np.maximum(made_lb, _GIVES_LB)
    elif requirement.constraint_class not in _POUND_CONSTRAINT_CLASSES | _COUNT_CONSTRAINT_CLASSES:
        return None
    return max(1, math.ceil(float(given.max()) / _step_size(requirement) - 1e-6))


def _change(
    elastic: _Elastic, requirement: Requirement, steps: int | None, costed: Answer | None
) -> Change:
    """A change in the words of the sheet, with what the plan then costs."""
    total = costed.objective if costed is not None and len(costed.x) else None
    if steps is None:
        return Change(requirement, math.nan, math.nan, "drop", total)
    case = elastic.sets.case
    constraint_class = requirement.constraint_class
    if constraint_class in _SHARE_CONSTRAINT_CLASSES:
        was, sign = _share_now(case, requirement)
        return Change(
            requirement, was, round(was + sign * steps * _STEP_OF_SHARE, 6), "share", total
        )
    if constraint_class in _POUND_CONSTRAINT_CLASSES:
        was, sign = _pounds_now(case, requirement)
        return Change(requirement, was, was + sign * steps, "lb", total)
    rule = next(rule for rule in case.binding_rules() if rule.rule_id == requirement.rule_id)
    return Change(requirement, float(rule.max_count), float(rule.max_count + steps), "count", total)


def _share_now(case: Case, requirement: Requirement) -> tuple[float, float]:
    """A share limit, or the tolerance beside a target, and which way eases it."""
    product: Product = case.product(requirement.product_id)
    match requirement.constraint_class:
        case ConstraintClass.LEAN_MIN:
            return product.tolerance_below_share, 1.0
        case ConstraintClass.LEAN_MAX:
            return product.tolerance_above_share, 1.0
    rule = next(rule for rule in case.binding_rules() if rule.rule_id == requirement.rule_id)
    if requirement.constraint_class in (ConstraintClass.FAT_MIN, ConstraintClass.SHARE_MIN):
        return rule.min_share, -1.0
    return rule.max_share, 1.0


def _pounds_now(case: Case, requirement: Requirement) -> tuple[float, float]:
    """A limit in pounds, and which way eases it."""
    match requirement.constraint_class:
        case ConstraintClass.VOLUME_MIN:
            return case.product(requirement.product_id).min_lb, -1.0
        case ConstraintClass.VOLUME_MAX:
            return case.product(requirement.product_id).max_lb, 1.0
        case ConstraintClass.SUPPLY:
            lot: Lot = case.lot(requirement.lot_id)
            return lot.max_lb, 1.0
    rule = next(rule for rule in case.binding_rules() if rule.rule_id == requirement.rule_id)
    if rule.min_lb is not None:
        return rule.min_lb, -1.0
    return sum(lot.max_lb for lot in case.usable_lots() if rule.lots.holds(lot)), -1.0
