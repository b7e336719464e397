"""Why no plan exists: the requirements that clash, and the least change that frees a plan.

Every requirement gets room to give way, measured in its own rows' unit. Those that must give
way are held fast one after another until nothing gives any more: they hold a clash, which is
then thinned until none of it can be spared (elastic and deletion filters: J. W. Chinneck,
Feasibility and Infeasibility in Optimization, 2008, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np

from blend.core.build import build_programme
from blend.core.programme import Programme, SparseColumns
from blend.core.solver import Answer, solve_whole
from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.plan import Change, Clash
from blend.domain.products import Product
from blend.domain.requirements import Family, Requirement
from blend.domain.rules import WholeContainers

_GIVES_LB = 1e-6
_STEP_TIME_S = 5.0
"""Time for one question to the solver; all of them are small."""
_MOST_LOTS_OFFERED = 8
"""More supply is offered lot by lot for no more lots than this, those of the best worth."""
_SUPPLY = Requirement(Family.SUPPLY)
"""All lots' supply together: more of one lot is as good as of another like it."""

_SHARE_FAMILIES = {
    Family.LEAN_LEAST,
    Family.LEAN_MOST,
    Family.FAT_LEAST,
    Family.FAT_MOST,
    Family.SHARE_LEAST,
    Family.SHARE_MOST,
}
_POUND_FAMILIES = {Family.VOLUME_LEAST, Family.VOLUME_MOST, Family.MUST_USE, Family.SUPPLY}
_COUNT_FAMILIES = {Family.MOST_LOTS}


def explain_clash(
    case: Case, *, whole: bool, progress: Callable[[str], None] | None = None
) -> Clash:
    """Explain why a case has no plan; `whole` when only whole numbers rule one out.

    Raises nothing for a hard case: where time runs out, the clash is merely less thin and
    changes may be missing.
    """
    say = progress or (lambda text: None)
    if not whole:
        divisible = replace(case.settings, whole_containers=WholeContainers.NO)
        case = replace(case, settings=divisible)
    elastic = _Elastic(build_programme(case, whole=whole))
    say("which requirements clash")
    clashing = _thin(elastic, _hold_fast(elastic))
    say("the least change that frees a plan")
    named = _name_lots(elastic, clashing)
    changes = [
        change
        for requirement in _worth_changing(elastic, named)
        if (change := _change_alone(elastic, requirement)) is not None
    ]
    changes.sort(key=_makes_less_then_cost)
    together = () if changes else _change_together(elastic)
    return Clash(tuple(named), tuple(changes), together, needs_whole=whole)


def _makes_less_then_cost(change: Change) -> tuple[bool, float]:
    """A plan that makes less costs less, so those come after the ones that make it all."""
    total = math.inf if change.total_usd is None else change.total_usd
    return change.requirement.family is Family.VOLUME_LEAST, total


class _Elastic:
    """A programme whose nameable requirements may give way."""

    def __init__(self, programme: Programme) -> None:
        self.programme = programme
        named = [
            row
            for row, requirement in enumerate(programme.requirements)
            if requirement.family not in (Family.MASS, Family.SUPPLY)
        ]
        downward = [row for row in named if np.isfinite(programme.row_upper[row])]
        upward = [row for row in named if np.isfinite(programme.row_lower[row])]
        limited = np.flatnonzero(np.isfinite(programme.upper[programme.take]))
        self.lots = programme.layout.lots
        first = len(programme.cost)
        give_rows = np.array(upward + downward, int)
        give_sign = np.array([1.0] * len(upward) + [-1.0] * len(downward))
        self.gives: list[tuple[Requirement, int]] = [
            (programme.requirements[row], first + index) for index, row in enumerate(give_rows)
        ]
        # more supply enters as pounds that come from nowhere into the lot's supply row
        more = first + len(give_rows) + np.arange(len(limited))
        self.gives += [
            (Requirement(Family.SUPPLY, lot_id=self.lots[lot].lot_id), column)
            for lot, column in zip(limited.tolist(), more.tolist(), strict=True)
        ]
        supply_row = {
            requirement.lot_id: row
            for row, requirement in enumerate(programme.requirements)
            if requirement.family is Family.SUPPLY
        }
        rows = np.concatenate(
            (give_rows, [supply_row[self.lots[lot].lot_id] for lot in limited])
        ).astype(int)
        signs = np.concatenate((give_sign, np.full(len(limited), -1.0)))
        matrix = programme.matrix
        self.matrix = SparseColumns(
            np.concatenate((matrix.start, matrix.start[-1] + 1 + np.arange(len(rows)))),
            np.concatenate((matrix.row, rows)),
            np.concatenate((matrix.value, signs)),
        )
        lots_price = [self.lots[lot].delivered_usd_per_lb for lot in limited]
        self.real_cost = np.concatenate((programme.cost, np.zeros(len(give_rows)), lots_price))
        self.columns_of: dict[Requirement, list[int]] = {}
        for requirement, column in self.gives:
            self.columns_of.setdefault(requirement, []).append(column)
        self.size = len(self.real_cost)
        self.first = first

    def groups(self) -> list[Requirement]:
        """Requirements to hold fast one by one; the supply of all lots counts as one."""
        own = [r for r in self.columns_of if r.family is not Family.SUPPLY]
        return [*own, _SUPPLY]

    def columns(self, requirement: Requirement) -> list[int]:
        if requirement != _SUPPLY:
            return self.columns_of[requirement]
        return [c for r, c in self.gives if r.family is Family.SUPPLY]

    def solve(
        self, may_give: Iterable[Requirement], *, at_cost: bool = False, most: float = math.inf
    ) -> Answer:
        """Let some requirements give way, up to `most`, as little as can be, or at least cost."""
        upper = np.zeros(self.size)
        upper[: self.first] = self.programme.upper
        cost = self.real_cost.copy() if at_cost else np.zeros(self.size)
        for requirement in may_give:
            columns = self.columns(requirement)
            upper[columns] = most
            if not at_cost:
                cost[columns] = 1.0
        whole = np.zeros(self.size, bool)
        whole[: self.first] = self.programme.whole
        lower = np.zeros(self.size)
        lower[: self.first] = self.programme.lower
        widened = replace(
            self.programme, cost=cost, lower=lower, upper=upper, whole=whole, matrix=self.matrix
        )
        return solve_whole(widened, gap_share=1e-4, time_limit_s=_STEP_TIME_S)

    def given(self, answer: Answer, requirement: Requirement) -> float:
        return float(answer.x[self.columns(requirement)].sum())


def _hold_fast(elastic: _Elastic) -> list[Requirement]:
    """Requirements that together leave no plan: whatever gives way is held, until it breaks."""
    groups = elastic.groups()
    held: list[Requirement] = []
    while True:
        answer = elastic.solve([group for group in groups if group not in held])
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
        if not len(elastic.solve([group for group in groups if group not in rest]).x):
            kept = rest
    return kept


def _name_lots(elastic: _Elastic, clashing: list[Requirement]) -> list[Requirement]:
    """The clash with the supply of all lots replaced by that of the lots that would help."""
    if _SUPPLY not in clashing:
        return clashing
    others = [requirement for requirement in clashing if requirement != _SUPPLY]
    free = [group for group in elastic.groups() if group not in clashing]
    lots = []
    for requirement in elastic.columns_of:
        if requirement.family is not Family.SUPPLY:
            continue
        need = elastic.solve([*free, requirement])
        if len(need.x):
            lots.append((elastic.given(need, requirement), requirement))
    lots.sort(key=lambda pair: pair[0])
    return others + [requirement for _, requirement in lots] if lots else [*others, _SUPPLY]


def _worth_changing(elastic: _Elastic, named: list[Requirement]) -> list[Requirement]:
    lots = [requirement for requirement in named if requirement.family is Family.SUPPLY]
    others = [requirement for requirement in named if requirement.family is not Family.SUPPLY]
    return others + [lot for lot in lots if lot != _SUPPLY][:_MOST_LOTS_OFFERED]


def _change_alone(elastic: _Elastic, requirement: Requirement) -> Change | None:
    """The least change of one requirement that frees a plan with all others as they are."""
    least = elastic.solve([requirement])
    if not len(least.x):
        return None
    given = elastic.given(least, requirement)
    most = given * (1 + 1e-6) + _GIVES_LB
    costed = elastic.solve([requirement], at_cost=True, most=most)
    total = costed.objective if len(costed.x) else None
    return _change(elastic, requirement, given, least, total)


def _change_together(elastic: _Elastic) -> tuple[Change, ...]:
    """The changes that free a plan when no single one does: as little as can be in all."""
    groups = list(elastic.columns_of)
    least = elastic.solve(groups)
    if not len(least.x):
        return ()
    giving = [group for group in groups if elastic.given(least, group) > _GIVES_LB]
    return tuple(
        _change(elastic, group, elastic.given(least, group), least, None) for group in giving
    )


def _change(
    elastic: _Elastic, requirement: Requirement, given: float, answer: Answer, total: float | None
) -> Change:
    """A change in the words of the sheet, rounded outward to what a sheet would hold."""
    layout = elastic.programme.layout
    case = layout.case
    family = requirement.family
    if family in _SHARE_FAMILIES:
        made_lb = sum(
            float(answer.x[elastic.programme.names["finished"]][blend])
            for blend, index in enumerate(layout.blends.product)
            if layout.products[index].product_id == requirement.product_id
        )
        share = math.ceil(given / max(made_lb, _GIVES_LB) * 1e4 - 1e-6) / 1e4
        was, sign = _share_now(case, requirement)
        return Change(requirement, was, round(was + sign * share, 6), "share", total)
    if family in _POUND_FAMILIES:
        pounds = math.ceil(given - 1e-6)
        was, sign = _pounds_now(case, requirement)
        return Change(requirement, was, was + sign * pounds, "lb", total)
    if family in _COUNT_FAMILIES:
        rule = next(rule for rule in case.binding_rules() if rule.rule_id == requirement.rule_id)
        was = float(rule.most_count)
        return Change(requirement, was, was + math.ceil(given - 1e-6), "count", total)
    return Change(requirement, math.nan, math.nan, "drop", total)


def _share_now(case: Case, requirement: Requirement) -> tuple[float, float]:
    """A share limit, or the tolerance beside a target, and which way eases it."""
    product: Product = case.product(requirement.product_id)
    match requirement.family:
        case Family.LEAN_LEAST:
            return product.tolerance_below_share, 1.0
        case Family.LEAN_MOST:
            return product.tolerance_above_share, 1.0
    rule = next(rule for rule in case.binding_rules() if rule.rule_id == requirement.rule_id)
    if requirement.family in (Family.FAT_LEAST, Family.SHARE_LEAST):
        return rule.least_share, -1.0
    return rule.most_share, 1.0


def _pounds_now(case: Case, requirement: Requirement) -> tuple[float, float]:
    """A limit in pounds, and which way eases it."""
    match requirement.family:
        case Family.VOLUME_LEAST:
            return case.product(requirement.product_id).least_lb, -1.0
        case Family.VOLUME_MOST:
            return case.product(requirement.product_id).most_lb, 1.0
        case Family.SUPPLY:
            lot: Lot = case.lot(requirement.lot_id)
            return lot.most_lb, 1.0
    rule = next(rule for rule in case.binding_rules() if rule.rule_id == requirement.rule_id)
    if rule.least_lb is not None:
        return rule.least_lb, -1.0
    return sum(lot.most_lb for lot in case.usable_lots() if rule.lots.holds(lot)), -1.0
