"""A horizon as one model over all its days, and its optimum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from blend.domain.days import CapacityPrice, OrderPrice
from blend.domain.horizon import DayConstraintClass, DayRequirement, Horizon
from blend.domain.requirements import ConstraintClass
from blend.model.aggregated import aggregate_horizon, crash_columns, restricted_master
from blend.model.arrays import Columns, Model, RestrictedMaster, Rows
from blend.model.day_constraints import buying, daily, day_rules, rooms, stock
from blend.model.days import Days, lay_out_days
from blend.model.solver import Answer, Outcome, WarmLinear, solve_whole
from blend.units import LB_PER_CWT

AGGREGATED_FROM_PAIRS = 2_000
"""Below this many pairs of lot and product, all days together, the whole model goes to the solver
at once: crash columns from the aggregated model did not pay when measured."""
_CONSTRAINT_CLASSES = (daily, stock, rooms, buying, day_rules)
_PRICED = (
    DayConstraintClass.CAPACITY,
    DayConstraintClass.FREEZER,
    DayConstraintClass.ENDING_INVENTORY,
    DayConstraintClass.MAX_USED,
)
_NUDGE = 1e-6
"""How far a row is moved to get its one-sided rate, as a share of its limit."""
_ACTIVE_LB = 1e-6
_MIN_VALUE_USD_PER_CWT = 0.005
_MIN_SHORT_LB = 1e-4


@dataclass(frozen=True)
class HorizonAnswer:
    """The optimum of a horizon's model.

    `answer` is the LP with the integer columns fixed at their best; `bound_usd` is the dual bound
    of the whole model. `linear` gave the answer and is kept warm; None where none was found.
    """

    days: Days
    model: Model
    answer: Answer
    outcome: Outcome
    bound_usd: float
    linear: WarmLinear | None

    @property
    def by_branching(self) -> bool:
        return bool(self.model.whole.any())

    @property
    def is_found(self) -> bool:
        return len(self.answer.x) > 0

    def block(self, name: str) -> np.ndarray:
        """The optimum's values of a block of columns."""
        return self.answer.x[self.model.names[name]]


def build_horizon(days: Days) -> Model:
    """State a horizon as sparse arrays; rows are keyed by `DayRequirement`."""
    columns, rows = Columns(), Rows()
    for constraint_class in _CONSTRAINT_CLASSES:
        constraint_class.add(days, columns, rows)
    return Model.of(days, columns, rows)


def solve_horizon(
    horizon: Horizon,
    *,
    divisible: bool = False,
    on_better: Callable[[float, float], None] | None = None,
    stopped: Callable[[], bool] | None = None,
) -> HorizonAnswer:
    """Plan all days at once, to the case's gap or time limit where anything must be whole.

    `divisible` solves the LP relaxation instead. The outcome is INFEASIBLE without a plan,
    UNBOUNDED where the cost is, STOPPED when time ran out or `stopped()` ended the search;
    `answer` is empty where no plan was found.
    """
    days = lay_out_days(horizon)
    model = build_horizon(days)
    if divisible:
        model = _divisible(model)
    if not model.whole.any():
        linear = _open(days, model)
        answer = linear.solve()
        return HorizonAnswer(days, model, answer, answer.outcome, answer.bound, linear)
    settings = horizon.case.settings
    best = solve_whole(
        model,
        gap_share=settings.gap_share,
        time_limit_s=settings.time_limit_s,
        on_better=on_better,
        stopped=stopped,
    )
    if not len(best.x):
        return HorizonAnswer(days, model, best, best.outcome, best.bound, None)
    linear = _open_held(days, model, best.x, model.whole)
    return HorizonAnswer(days, model, linear.solve(), best.outcome, best.bound, linear)


def _divisible(model: Model) -> Model:
    return replace(model, whole=np.zeros(len(model.whole), bool))


def _open(days: Days, model: Model) -> WarmLinear:
    """The LP relaxation, kept warm in the solver; a large one starts from crash columns of the
    aggregated model."""
    return WarmLinear(model, _crash_columns(days, model) if _is_large(days) else None)


def _open_held(days: Days, model: Model, x: np.ndarray, held: np.ndarray) -> WarmLinear:
    """The model with some integer columns fixed at a solution's values, kept warm; a large one
    starts from the columns that the solution uses."""
    whole = np.round(x)
    at = replace(
        model, lower=np.where(held, whole, model.lower), upper=np.where(held, whole, model.upper)
    )
    if not _is_large(days):
        return WarmLinear(at)
    uses = [model.names[f"use {place}"] for place in range(len(days.sets_list))]
    dealt = [
        (use, sets, np.flatnonzero(x[use] > 0))
        for use, sets in zip(uses, days.sets_list, strict=True)
    ]
    return WarmLinear(at, restricted_master(len(x), dealt))


def _is_large(days: Days) -> bool:
    return sum(len(sets.pair_lot) for sets in days.sets_list) >= AGGREGATED_FROM_PAIRS


def _crash_columns(days: Days, model: Model) -> RestrictedMaster | None:
    """Crash columns of the aggregated model; None where it has no plan."""
    pooled, members = aggregate_horizon(days.horizon)
    pooled_days = lay_out_days(pooled)
    pooled_model = build_horizon(pooled_days)
    answer = WarmLinear(pooled_model).solve()
    if answer.outcome is not Outcome.OPTIMAL:
        return None
    dealt = []
    for place, (sets, aggregated_sets) in enumerate(
        zip(days.sets_list, pooled_days.sets_list, strict=True)
    ):
        product_at = {product.product_id: i for i, product in enumerate(sets.products)}
        pools = [
            [product_at[each] for each in members[pool.product_id] if each in product_at]
            for pool in aggregated_sets.products
        ]
        use = f"use {place}"
        pairs = crash_columns(sets, pools, aggregated_sets, answer.x[pooled_model.names[use]])
        dealt.append((model.names[use], sets, pairs))
    return restricted_master(len(model.cost), dealt)


# Shadow prices ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class DayPrices:
    """Shadow prices of orders, coolers, day rules; break-even prices of offers and bids by id."""

    orders: tuple[OrderPrice, ...]
    coolers: tuple[CapacityPrice, ...]
    offer_usd_per_lb: dict[str, float]
    bid_usd_per_lb: dict[str, float]


_OF_PURCHASES = ("containers", "is_bought", "loads")
"""Integer columns that shadow prices relax; counts and switches stay fixed as planned."""


def day_shadow_prices(solved: HorizonAnswer) -> DayPrices:
    """What one more pound of each order, cooler and offer costs or saves: the dual of the model
    with that order, cooler or offer moved a little."""
    model = solved.model
    held = model.whole.copy()
    for name in _OF_PURCHASES:
        if name in model.names:
            held[model.names[name]] = False
    linear, answer = solved.linear, solved.answer
    assert linear is not None, "a horizon without a plan has no prices"
    if (held != model.whole).any():
        linear = _open_held(solved.days, model, answer.x, held)
        answer = linear.solve()
    orders = [
        OrderPrice(
            requirement.product_id,
            requirement.day,
            _rate(linear, _rows_of_order(model, requirement), 1.0) * LB_PER_CWT,
        )
        for requirement in model.row_of
        if requirement.constraint_class is ConstraintClass.VOLUME_MIN
    ]
    capacity_prices = [
        CapacityPrice(requirement, saves)
        for requirement, row in model.row_of.items()
        if requirement.constraint_class in _PRICED
        and (saves := _loosening_saves(linear, answer, row)) > _MIN_VALUE_USD_PER_CWT
    ]
    buy = np.arange(model.names["buy"].start, model.names["buy"].stop)
    offers = {
        offer.offer_id: offer.price_usd_per_lb - _cost_of_more(linear, answer, int(column))
        for offer, column in zip(solved.days.offers, buy, strict=True)
    }
    sell = np.arange(model.names["sell"].start, model.names["sell"].stop)
    bids = {
        bid.price_id: bid.price_usd_per_lb + _cost_of_more(linear, answer, int(column))
        for bid, column in zip(solved.days.horizon.bids(), sell, strict=True)
    }
    return DayPrices(tuple(orders), tuple(capacity_prices), offers, bids)


def _loosening_saves(linear: WarmLinear, answer: Answer, row: int) -> float:
    """USD per cwt saved by loosening a row; none where it does not bind."""
    matrix = linear.model.matrix
    own = matrix.row == row
    activity = float(matrix.value[own] @ answer.x[matrix.column[own]])
    at_most = bool(np.isfinite(linear.row_upper[row]))
    limit = linear.row_upper[row] if at_most else linear.row_lower[row]
    if abs(activity - limit) > _ACTIVE_LB * max(1.0, abs(limit)):
        return 0.0
    return -_rate(linear, [row], 1.0 if at_most else -1.0) * LB_PER_CWT


def _cost_of_more(linear: WarmLinear, answer: Answer, column: int) -> float:
    """Reduced cost of one more pound of an offer, USD per lb."""
    lower, upper = float(linear.lower[column]), float(linear.upper[column])
    pounds = float(answer.x[column])
    nudge = _NUDGE * max(1.0, pounds)
    if lower + nudge < pounds < upper - nudge:
        return 0.0
    linear.set_column_bounds(column, pounds + nudge, max(upper, pounds + nudge))
    moved = linear.solve()
    linear.set_column_bounds(column, lower, upper)
    return float(moved.column_dual[column]) if moved.outcome is Outcome.OPTIMAL else np.inf


def _rows_of_order(model: Model, minimum: DayRequirement) -> list[int]:
    """The rows that move with an order: both where it is exact."""
    row = model.row_of[minimum]
    maximum = model.row_of.get(replace(minimum, constraint_class=ConstraintClass.VOLUME_MAX))
    if maximum is not None and model.row_upper[maximum] == model.row_lower[row]:
        return [row, maximum]
    return [row]


def _rate(linear: WarmLinear, rows: list[int], direction: float) -> float:
    """USD per lb by which the cost grows as rows move that way together; infinite where no plan
    is left."""
    bounds = [(linear.row_lower[row], linear.row_upper[row]) for row in rows]
    for row, (lower, upper) in zip(rows, bounds, strict=True):
        move = direction * _NUDGE * max(1.0, abs(lower if np.isfinite(lower) else upper))
        linear.set_row_bounds(row, lower + move, upper + move)
    answer = linear.solve()
    for row, (lower, upper) in zip(rows, bounds, strict=True):
        linear.set_row_bounds(row, lower, upper)
    if answer.outcome is not Outcome.OPTIMAL:
        return np.inf
    return direction * float(sum(answer.row_dual[row] for row in rows))


# Where there is no plan -----------------------------------------------------------------------

_RELAXED = (
    ConstraintClass.VOLUME_MIN,
    ConstraintClass.MUST_USE,
    DayConstraintClass.CAPACITY,
    DayConstraintClass.ENDING_INVENTORY,
    DayConstraintClass.FREEZER,
    DayConstraintClass.USE_BY,
    DayConstraintClass.MAX_USED,
    DayConstraintClass.AGREED,
)
"""Limits in pounds, which can be relaxed pound by pound."""


def min_loosening_lb(horizon: Horizon) -> dict[DayRequirement, float] | None:
    """Elastic relaxation: the fewest pounds by which limits must give for a plan, by limit.

    Of the LP relaxation. None where no relaxed limit frees a plan, empty where none has to give.
    """
    model = build_horizon(lay_out_days(horizon))
    rows = [i for i, each in enumerate(model.requirements) if each.constraint_class in _RELAXED]
    count = len(rows)
    sign = np.where(np.isfinite(model.row_lower[rows]), 1.0, -1.0)
    columns = len(model.cost) + np.arange(count)
    relaxed = replace(model, cost=np.zeros(len(model.cost)), whole=np.zeros(len(model.cost), bool))
    elastic = relaxed.extended(count, [(np.array(rows, int), columns, sign)], cost=1.0)
    answer = WarmLinear(elastic).solve()
    if answer.outcome is not Outcome.OPTIMAL:
        return None
    return {
        model.requirements[row]: float(lb)
        for row, lb in zip(rows, answer.x[len(model.cost) :], strict=True)
        if lb > _MIN_SHORT_LB
    }
