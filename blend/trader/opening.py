"""A case opened for questions: its linear program kept in the solver, solved once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.errors import InputRefused, Problem
from blend.model.infeasible import solved_linear
from blend.model.shadow_prices import pounds_used, set_price
from blend.model.solver import Answer, WarmLinear
from blend.phrases import unknown_lot
from blend.units import us_date


@dataclass(frozen=True)
class OpenCase:
    """The linear program in the solver, for one question, and its optimum at the prices and pounds
    of the case."""

    linear: WarmLinear
    answer: Answer

    def lot(self, lot_id: str) -> Lot:
        sets = self.linear.model.sets
        return sets.lots[sets.lot_index[lot_id]]

    def column(self, lot_id: str) -> int:
        """The column of the pounds taken of a lot."""
        return self.linear.model.take.start + self.linear.model.sets.lot_index[lot_id]

    def set_price(self, lot_id: str, usd_per_lb: float) -> None:
        """Change the delivered price of a lot, its salvage value falling with it."""
        set_price(self.linear, self.linear.model.sets.lot_index[lot_id], usd_per_lb)

    def pounds_used(self, answer: Answer, lot_id: str) -> float:
        """Pounds of a lot that go into blends."""
        return pounds_used(self.linear, answer, self.linear.model.sets.lot_index[lot_id])

    def set_pounds(self, lot_id: str, max_lb: float) -> None:
        """Change how much there is of a lot."""
        self.linear.set_column_bounds(self.column(lot_id), 0.0, max_lb)

    def fewest(self, lot_id: str) -> Answer:
        """The plan that takes the fewest pounds of a lot, at any cost."""
        linear, column = self.linear, self.column(lot_id)
        cost, every = linear.cost.copy(), np.arange(len(linear.cost))
        only_lot = np.zeros(len(cost))
        only_lot[column] = 1.0
        linear.set_cost(every, only_lot)
        answer = linear.solve()
        linear.set_cost(every, cost)
        return answer


def open_case(case: Case, *lot_ids: str) -> OpenCase:
    """Open a case to ask about some of its lots.

    Raises InputRefused as `check_lots` does or where profit would be unbounded, and NoPlan with
    the infeasible subset when nothing meets every requirement.
    """
    check_lots(case, *lot_ids)
    return OpenCase(*solved_linear(case))


def check_lots(case: Case, *lot_ids: str) -> None:
    """Raise InputRefused for every lot that cannot be asked about: unknown, or not usable on
    the day of the plan."""
    problems = [problem for lot_id in lot_ids if (problem := _unfit(case, lot_id)) is not None]
    if problems:
        raise InputRefused(problems)


def _unfit(case: Case, lot_id: str) -> Problem | None:
    known = [lot.lot_id for lot in case.lots]
    if lot_id not in known:
        return unknown_lot(lot_id, case)
    reason = case.lot(lot_id).reason_unusable(case.settings.plan_on)
    if reason is None:
        return None
    wrong = f"{lot_id} can't be used on {us_date(case.settings.plan_on)}: {reason}"
    return Problem("lots", None, "lot_id", wrong, "", "Choose a lot that can.")
