"""The cases between two cases, each with its optimum and what a pound of the item is worth there.

An item is worth what its next pound is: the saving from one more pound of its meat,
which is its price where it is partly used, more where it is used up, less where none is used.
The last pound there is comes with it: where the two differ the optimum is degenerate.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from blend.domain.case import Case
from blend.domain.certificates import NEXT_POUND, Between, Certificate
from blend.domain.lots import Lot
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import RuleKind
from blend.errors import NoPlan, refusal
from blend.model.certificates import certificate
from blend.model.infeasible import explain_infeasibility
from blend.model.solve import open_linear
from blend.model.solver import Answer, Outcome, WarmLinear
from blend.reporter.mixed import PLAN_DRIVERS, Driver, TwoCases
from blend.reporter.recipes import Bill, bill_of

_POUND = 1.0
"""How far the item's pounds are moved to read a rate on one side."""
_MIN_LB = 1e-6


def one_by_one(drivers: Sequence[Driver]) -> Iterator[frozenset[Driver]]:
    """Every set of drivers, each differing from the last by one (Gray's order), the first
    drivers moved most often: by measurement half the work of the solver's other orders."""
    for number in range(2 ** len(drivers)):
        code = number ^ (number >> 1)
        yield frozenset(driver for place, driver in enumerate(drivers) if code >> place & 1)


@dataclass(frozen=True)
class Valued:
    """The optimum of one case between."""

    objective_usd: float
    next_usd_per_lb: float
    last_usd_per_lb: float
    bill: Bill
    certificates: tuple[Certificate, ...] = ()
    """Of the optimum, with a pound more and, where the last pound was read, with one less."""


class PlansBetween:
    """The optima of the cases between two cases, each solved once.

    Programs that differ in prices and pounds alone are solved warm one after the other.
    """

    def __init__(self, two: TwoCases, certify: bool = False) -> None:
        self.two = two
        self._certify = certify
        self.reference = _reference(two)
        self._next = replace(
            self.reference,
            lot_id=self.reference.lot_id + NEXT_POUND,
            quantity_lb=_POUND,
            price_usd_per_lb=0.0,
            freight_usd_per_lb=0.0,
            salvage_value_usd_per_lb=0.0,
            min_purchase_lb=0.0,
        )
        self._linears: dict[frozenset[Driver], WarmLinear] = {}
        self.solved: dict[Case, Valued] = {}
        """By case: a driver that did not move leaves the case as it was."""
        self._known: dict[frozenset[Driver], Valued] = {}

    def at(self, moved: frozenset[Driver]) -> Valued:
        if moved not in self._known:
            case = self.two.mixed(moved)
            if case not in self.solved:
                self.solved[case] = self._solve(moved, case)
            self._known[moved] = self.solved[case]
        return self._known[moved]

    def _solve(self, moved: frozenset[Driver], case: Case) -> Valued:
        linear = self._opened(moved, case)
        _set_to(linear, case)
        answer = linear.solve()
        if answer.outcome is not Outcome.OPTIMAL:
            # a warm part may lack the columns it would need: the whole program decides
            linear = WarmLinear(linear.model)
            _set_to(linear, case)
            answer = linear.solve()
        if answer.outcome is not Outcome.OPTIMAL:
            self._refuse(moved, case, answer.outcome)
        more, less = self._with_next(linear), self._without_last(linear, case, answer)
        following = last = max(0.0, _pound_saves(linear, self._next, more))
        if less is not None:
            lot = case.lot(self.reference.lot_id)
            last = max(following, lot.delivered_usd_per_lb + _pound_saves(linear, lot, less))
        optima = (answer, more) if less is None else (answer, more, less)
        return Valued(
            objective_usd=answer.objective,
            next_usd_per_lb=following,
            last_usd_per_lb=last,
            bill=bill_of(linear, case, answer),
            certificates=tuple(certificate(linear.model, each) for each in optima)
            if self._certify
            else (),
        )

    def certified(self) -> dict[frozenset[str], Between]:
        """By set of drivers; equal cases share one entry."""
        known: dict[Case, Between] = {}
        for case, valued in self.solved.items():
            optimum, following, *last = valued.certificates
            known[case] = Between(
                case,
                optimum,
                valued.objective_usd,
                following,
                valued.next_usd_per_lb,
                last[0] if last else None,
                valued.last_usd_per_lb,
            )
        return {
            frozenset[str](moved): known[self.two.mixed(moved)]
            for moved in one_by_one(PLAN_DRIVERS)
        }

    def _opened(self, moved: frozenset[Driver], case: Case) -> WarmLinear:
        """The program that has room for every price and quantity of the two cases."""
        key = moved & ({Driver.ORDERS, Driver.RULES} | self.two.recast)
        if key not in self._linears:
            roomy = tuple(replace(lot, quantity_lb=self._max_lb(lot.lot_id)) for lot in case.lots)
            self._linears[key] = open_linear(self._with_next_pound(replace(case, lots=roomy)))
        return self._linears[key]

    def _with_next_pound(self, case: Case) -> Case:
        reference_id, next_id = self.reference.lot_id, self._next.lot_id
        rules = tuple(
            replace(
                rule,
                excess_heat_btu_per_lb=(
                    *rule.excess_heat_btu_per_lb,
                    (next_id, dict(rule.excess_heat_btu_per_lb)[reference_id]),
                ),
            )
            if rule.kind is RuleKind.MAX_TEMP
            else rule
            for rule in case.rules
        )
        return replace(case, lots=(*case.lots, self._next), rules=rules)

    def _max_lb(self, lot_id: str) -> float | None:
        was, now = (lot.quantity_lb for lot in self.two.sides(lot_id))
        return None if was is None or now is None else max(was, now)

    def _with_next(self, linear: WarmLinear) -> Answer:
        """The optimum with one more pound of the reference meat."""
        column = _take_column(linear, self._next.lot_id)
        linear.set_column_bounds(column, 0.0, _POUND)
        answer = linear.solve()
        linear.set_column_bounds(column, 0.0, 0.0)
        return answer

    def _without_last(self, linear: WarmLinear, case: Case, answer: Answer) -> Answer | None:
        """The optimum with one pound less of the reference lot; None where none of it is used,
        or where no plan does without the pound."""
        lot = case.lot(self.reference.lot_id)
        column = _take_column(linear, lot.lot_id)
        if lot.max_lb <= _POUND or answer.x[column] <= _MIN_LB:
            return None
        upper = float(linear.upper[column])
        linear.set_column_bounds(column, 0.0, upper - _POUND)
        without = linear.solve()
        linear.set_column_bounds(column, 0.0, upper)
        return without if without.outcome is Outcome.OPTIMAL else None

    def _refuse(self, moved: frozenset[Driver], case: Case, outcome: Outcome) -> None:
        if outcome is Outcome.UNBOUNDED:
            read = "products and lots without a limit: the profit is unbounded"
            raise refusal("products", "max_lb", read, "a largest volume")
        infeasible = explain_infeasibility(case, whole=False)
        if moved in (frozenset(), frozenset(PLAN_DRIVERS)):
            raise NoPlan(infeasible)
        orders = {
            requirement.product_id
            for requirement in infeasible.requirements
            if requirement.constraint_class
            in (ConstraintClass.VOLUME_MIN, ConstraintClass.MUST_USE)
        } - {""}
        read = f"no plan for the case with {_listed(moved)} as after and the rest as before"
        allowed = "two cases whose every mixture has a plan"
        names = ", ".join(sorted(orders)) or "the products"
        hint = f"Let {names} fall short: shortage_penalty_usd_per_lb in products, or --shortage."
        raise refusal("before and after", None, read, allowed, hint)


def _listed(moved: frozenset[Driver]) -> str:
    return ", ".join(driver for driver in PLAN_DRIVERS if driver in moved)


def _reference(two: TwoCases) -> Lot:
    """The largest lot of the item: after, or before where none is left."""
    for side in (1, 0):
        lots = [two.sides(lot_id)[side] for lot_id in sorted(two.own_ids)]
        there = [lot for lot in lots if lot.max_lb > 0]
        if there:
            return max(there, key=lambda lot: lot.max_lb)
    allowed = "conditions that some usable lot meets, such as item=fresh 90s"
    raise refusal("lots", None, f"no lot with {two.item}", allowed)


def _set_to(linear: WarmLinear, case: Case) -> None:
    """Give an open program the prices and pounds of a case; the next pound stays out."""
    model, sets = linear.model, linear.model.sets
    is_next = np.array([lot.lot_id.endswith(NEXT_POUND) for lot in sets.lots])
    lots = [
        lot if out else case.lot(lot.lot_id) for lot, out in zip(sets.lots, is_next, strict=True)
    ]
    price = np.array([lot.delivered_usd_per_lb for lot in lots])
    left_over = np.array([lot.salvage_value_usd_per_lb for lot in lots])
    maximum = np.where(is_next, 0.0, [lot.max_lb for lot in lots])
    take = np.arange(model.take.start, model.take.stop)
    use = np.arange(model.use.start, model.use.stop)
    linear.set_cost(take, price - left_over)
    linear.set_cost(use, left_over[sets.pair_lot])
    moved = np.flatnonzero(linear.upper[take] != maximum)
    if len(moved):
        linear.set_columns_bounds(take[moved], 0.0, maximum[moved])
    rules = {rule.rule_id: rule for rule in case.binding_rules()}
    for row, requirement in enumerate(model.requirements):
        if requirement.constraint_class is ConstraintClass.MUST_USE:
            rule = rules[requirement.rule_id]
            if rule.min_lb is None:
                chosen = sets.chosen(rule.lots)
                linear.set_row_bounds(row, float(maximum[chosen].sum()), np.inf)


def _pound_saves(linear: WarmLinear, lot: Lot, answer: Answer) -> float:
    """What one more pound of a lot saves after its price."""
    return -float(answer.column_dual[_take_column(linear, lot.lot_id)])


def _take_column(linear: WarmLinear, lot_id: str) -> int:
    return linear.model.take.start + linear.model.sets.lot_index[lot_id]
