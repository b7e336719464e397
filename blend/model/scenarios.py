"""One case solved again and again under other prices, supplies and orders, warm.

Every scenario begins from a basis that does not depend on which scenarios were solved before it,
how many workers there are, or how the work was dealt among them: the same numbers to the last
bit. Where several plans cost the same, it is the one that the solver reaches from there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import RuleKind
from blend.model.build import model_of
from blend.model.sets import index_sets
from blend.model.shadow_prices import next_cwts_usd
from blend.model.solver import Outcome, Start, WarmLinear

_STAND_IN_LB = 1.0
"""For empty lots and orders, so that they have rows and columns; the true pounds are set before
anything is solved."""


@dataclass(frozen=True)
class ScenarioAnswer:
    """What one scenario comes to; everything but the outcome is NaN where there is no plan."""

    outcome: Outcome
    objective_usd: float
    finished_lb: float
    short_lb: float
    taken_lb: np.ndarray
    """By lot, in the order of `WarmCase.lot_ids`."""
    next_cwt_usd: np.ndarray
    """By product, in the order of the case: what one more finished cwt would cost; infinite where
    no plan would be left."""


class WarmCase:
    """The linear program of a case, ready to be solved under changed numbers."""

    def __init__(self, case: Case) -> None:
        self._case = case
        self._sets = index_sets(_with_every_row(case))
        self._model = model_of(self._sets)
        self._must_use = [
            rule
            for rule in case.binding_rules()
            if rule.kind is RuleKind.MUST_USE and rule.min_lb is None
        ]
        self._lots = [case.lot(lot.lot_id) for lot in self._sets.lots]
        self._linear = WarmLinear(self._model)
        self._orders = {p.product_id: (p.min_lb, p.max_lb) for p in case.products}
        self._set({lot.lot_id: lot for lot in self._lots}, self._orders)
        self._linear.solve()
        self._start = self._linear.start()

    @property
    def lot_ids(self) -> tuple[str, ...]:
        """Lots that can be used on the day, or could if there were any of them."""
        return tuple(lot.lot_id for lot in self._lots)

    def solve(
        self,
        lots: Mapping[str, Lot],
        orders: Mapping[str, tuple[float, float | None]],
        start: Start | None = None,
    ) -> ScenarioAnswer:
        """The optimum with some lots and orders (least, most) changed, the rest as in the case.

        Of a lot only price and quantity may differ. It is reached from the case's own basis, or
        from `start`, of a scenario like this one.
        """
        with self._changed(lots, orders):
            answer = self._linear.solve_from(start or self._start)
            if answer.outcome is not Outcome.OPTIMAL:
                nothing = np.full(len(self._lots), np.nan), np.full(len(self._orders), np.nan)
                return ScenarioAnswer(answer.outcome, np.nan, np.nan, np.nan, *nothing)
            next_cwt_usd = np.array(next_cwts_usd(self._linear))
        names = self._model.names
        return ScenarioAnswer(
            outcome=answer.outcome,
            objective_usd=answer.objective,
            finished_lb=float(answer.x[names["finished"]].sum()),
            short_lb=float(answer.x[names["short"]].sum()),
            taken_lb=np.maximum(answer.x[names["take"]], 0.0) + 0.0,
            next_cwt_usd=next_cwt_usd,
        )

    def start_of(
        self, lots: Mapping[str, Lot], orders: Mapping[str, tuple[float, float | None]]
    ) -> Start:
        """Where scenarios like this one begin; where it has no plan, as the case's own."""
        with self._changed(lots, orders):
            answer = self._linear.solve_from(self._start)
            return self._linear.start() if answer.outcome is Outcome.OPTIMAL else self._start

    @contextmanager
    def _changed(
        self, lots: Mapping[str, Lot], orders: Mapping[str, tuple[float, float | None]]
    ) -> Iterator[None]:
        known = {lot_id: lot for lot_id, lot in lots.items() if lot_id in self.lot_index}
        self._set(known, orders)
        try:
            yield
        finally:
            as_they_are = {lot_id: self._case.lot(lot_id) for lot_id in known}
            self._set(as_they_are, {product_id: self._orders[product_id] for product_id in orders})

    @property
    def lot_index(self) -> dict[str, int]:
        return self._sets.lot_index

    def _set(
        self, lots: Mapping[str, Lot], orders: Mapping[str, tuple[float, float | None]]
    ) -> None:
        linear, take = self._linear, self._model.take.start
        columns = np.array([take + self.lot_index[lot_id] for lot_id in lots], int)
        cost = [lot.delivered_usd_per_lb - lot.salvage_value_usd_per_lb for lot in lots.values()]
        moved = linear.cost[columns] != cost
        if moved.any():
            linear.set_cost(columns[moved], np.array(cost)[moved])
        maximum = np.array([lot.max_lb for lot in lots.values()])
        moved = linear.upper[columns] != maximum
        if moved.any():
            linear.set_columns_bounds(columns[moved], 0.0, maximum[moved])
        for rule in self._must_use:
            row = self._model.row_of[Requirement(ConstraintClass.MUST_USE, rule_id=rule.rule_id)]
            min_lb = sum(
                linear.upper[take + place]
                for place, lot in enumerate(self._lots)
                if rule.lots.holds(lot)
            )
            if linear.row_lower[row] != min_lb:
                linear.set_row_bounds(row, min_lb, np.inf)
        for product_id, (min_lb, max_lb) in orders.items():
            self._set_order(product_id, min_lb, max_lb)

    def _set_order(self, product_id: str, min_lb: float, max_lb: float | None) -> None:
        linear = self._linear
        row = self._model.row_of[Requirement(ConstraintClass.VOLUME_MIN, product_id)]
        if linear.row_lower[row] != min_lb:
            linear.set_row_bounds(row, min_lb, np.inf)
        if max_lb is not None:
            row = self._model.row_of[Requirement(ConstraintClass.VOLUME_MAX, product_id)]
            if linear.row_upper[row] != max_lb:
                linear.set_row_bounds(row, -np.inf, max_lb)


def _with_every_row(case: Case) -> Case:
    """The case without whole containers, with some of every lot and an order for every product."""
    unmeasured = _unmeasured(case)
    return replace(
        case.divisible(),
        lots=tuple(
            replace(lot, quantity_lb=_STAND_IN_LB)
            if lot.quantity_lb == 0 and lot.lot_id not in unmeasured
            else lot
            for lot in case.lots
        ),
        products=tuple(
            replace(product, min_lb=product.min_lb or _STAND_IN_LB) for product in case.products
        ),
    )


def _unmeasured(case: Case) -> set[str]:
    """Lots whose heat a warmth rule does not know, as there is nothing of them to measure: they
    stay out, whatever a scenario brings."""
    known = [
        {lot_id for lot_id, _ in rule.excess_heat_btu_per_lb}
        for rule in case.rules
        if rule.kind is RuleKind.MAX_TEMP
    ]
    return {lot.lot_id for lot in case.lots if any(lot.lot_id not in ids for ids in known)}
