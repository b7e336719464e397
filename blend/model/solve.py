"""The way into the core: a case goes in, pounds and prices come out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blend.domain.case import Case
from blend.errors import Problem
from blend.model.arrays import Model, RestrictedMaster
from blend.model.build import model_of
from blend.model.pooling import deal_out, pooled_sets, restricted_master
from blend.model.sets import index_sets
from blend.model.solver import Answer, Outcome, WarmLinear

POOLED_FROM_PAIRS = 2_000
"""Below this many pairs of lot and product the whole program is passed at once: by
measurement, beginning with the pooled twin would not pay."""


@dataclass(frozen=True)
class LinearPlan:
    """The optimum of the linear program: containers, counts and batches divisible.

    `objective_usd` is infinite where no plan exists and minus infinite where money could be
    made without end; there are no pounds then.
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
    """The case as a linear program: one blend a product, and containers, counts and batches
    divisible."""
    return model_of(index_sets(case.divisible()))


def open_linear(case: Case) -> WarmLinear:
    """The linear program of a case, kept warm in the solver."""
    return open_stated(state_linear(case))


def open_stated(model: Model) -> WarmLinear:
    """A linear program of `state_linear`, kept warm in the solver."""
    if len(model.sets.pair_lot) < POOLED_FROM_PAIRS:
        return WarmLinear(model)
    return WarmLinear(model, _first_part(model))


def solve_linear(case: Case) -> LinearPlan:
    """Solve the linear program of a case from scratch."""
    linear = open_linear(case)
    return LinearPlan(linear.model, linear.solve())


def _first_part(model: Model) -> RestrictedMaster | None:
    """What the pooled twin suggests; None where the twin has no plan to learn from."""
    sets = model.sets
    twin_sets, pools = pooled_sets(sets.case)
    twin = model_of(twin_sets)
    answer = WarmLinear(twin).solve()
    if answer.outcome is not Outcome.OPTIMAL:
        return None
    pairs = deal_out(sets, pools, twin_sets, answer.x[twin.use])
    return restricted_master(len(model.cost), [(model.use, sets, pairs)])


def without_end(case: Case) -> list[Problem]:
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
