"""The LP relaxation of a case: pounds and prices."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blend.domain.case import Case
from blend.errors import Problem
from blend.model.aggregated import aggregated_sets, crash_columns, restricted_master
from blend.model.arrays import Model, RestrictedMaster
from blend.model.build import model_of
from blend.model.sets import index_sets
from blend.model.solver import Answer, Outcome, WarmLinear

AGGREGATED_FROM_PAIRS = 2_000
"""Below this many pairs of lot and product the whole program is passed at once: by measurement,
starting from the aggregated model takes longer."""


@dataclass(frozen=True)
class LinearPlan:
    """The optimum of the LP relaxation.

    `objective_usd` is infinite where no plan exists and minus infinite where the program is
    unbounded; there are no pounds then.
    """

    model: Model
    answer: Answer

    @property
    def outcome(self) -> Outcome:
        return self.answer.outcome

    @property
    def objective_usd(self) -> float:
        return self.answer.objective

    @cached_property
    def take_lb(self) -> dict[str, float]:
        """Pounds taken by lot, of the lots taken."""
        if self.outcome is not Outcome.OPTIMAL:
            return {}
        taken = self.answer.x[self.model.take]
        lots = self.model.sets.lots
        return {lot.lot_id: lb for lot, lb in zip(lots, taken.tolist(), strict=True) if lb > 0}

    @cached_property
    def use_lb(self) -> dict[tuple[str, str], float]:
        """Pounds used by lot and product, of the pairs used."""
        sets = self.model.sets
        used = self.answer.x[self.model.use]
        pounds: dict[tuple[str, str], float] = {}
        for pair in np.flatnonzero(used > 0):
            lot = sets.lots[sets.pair_lot[pair]].lot_id
            product = sets.products[sets.blends.product[sets.pair_blend[pair]]].product_id
            pounds[lot, product] = pounds.get((lot, product), 0.0) + float(used[pair])
        return pounds


def state_linear(case: Case) -> Model:
    """The LP relaxation of a case: one blend a product; containers, counts and batches are
    ignored."""
    return model_of(index_sets(case.divisible()))


def open_linear(case: Case) -> WarmLinear:
    """The linear program of a case, kept warm in the solver."""
    return open_stated(state_linear(case))


def open_stated(model: Model) -> WarmLinear:
    """A linear program of `state_linear`, kept warm in the solver."""
    if len(model.sets.pair_lot) < AGGREGATED_FROM_PAIRS:
        return WarmLinear(model)
    return WarmLinear(model, _restricted_master(model))


def solve_linear(case: Case) -> LinearPlan:
    """Solve the linear program of a case from scratch."""
    linear = open_linear(case)
    return LinearPlan(linear.model, linear.solve())


def _restricted_master(model: Model) -> RestrictedMaster | None:
    """Crash columns from the aggregated model; None where that has no plan."""
    sets = model.sets
    aggregated, pools = aggregated_sets(sets.case)
    small = model_of(aggregated)
    answer = WarmLinear(small).solve()
    if answer.outcome is not Outcome.OPTIMAL:
        return None
    pairs = crash_columns(sets, pools, aggregated, answer.x[small.use])
    return restricted_master(len(model.cost), [(model.use, sets, pairs)])


def why_unbounded(case: Case) -> list[Problem]:
    """What leaves the plan without a limit: products sold without one, from lots without one."""
    products = [
        Problem(
            file="products",
            row=None,
            column="max_lb",
            value=f"no limit for {product.product_id}, sold at {product.sale_usd_per_lb:g} USD/lb",
            required="",
            hint="Enter max_lb: each pound more would earn money.",
        )
        for product in case.products
        if product.max_lb is None and product.sale_usd_per_lb > 0
    ]
    lots = [
        Problem(
            file="lots",
            row=None,
            column="quantity_lb",
            value=f"no limit for {lot.lot_id}",
            required="",
            hint="Enter quantity_lb: a product has no max_lb.",
        )
        for lot in case.usable_lots()
        if lot.quantity_lb is None
    ]
    return products + lots
