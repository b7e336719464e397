"""A horizon as one program over all its days, and its optimum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from blend.domain.horizon import DayConstraintClass, DayRequirement, Horizon
from blend.domain.positions import CapacityPrice, OrderPrice
from blend.domain.requirements import ConstraintClass
from blend.model.arrays import Columns, Model, RestrictedMaster, Rows
from blend.model.day_constraints import buying, daily, day_rules, rooms, stock
from blend.model.days import Days, lay_out_days
from blend.model.pooling import deal_out, pool_horizon, restricted_master
from blend.model.solver import Answer, Outcome, WarmLinear, solve_whole
from blend.units import LB_PER_CWT

POOLED_FROM_PAIRS = 2_000
"""Below this many pairs of lot and product, all days together, the whole program is passed at
once: by measurement, beginning with the pooled twin would not pay."""
_CONSTRAINT_CLASSES = (daily, stock, rooms, buying, day_rules)
_ROOMS = (
    DayConstraintClass.CAPACITY,
    DayConstraintClass.FREEZER,
    DayConstraintClass.CLOSING,
    DayConstraintClass.MAX_USED,
)
_NUDGE = 1e-6
"""How far a row is moved to read the rate on one side, as a share of its limit."""
_ACTIVE_LB = 1e-6
_MIN_VALUE_USD_PER_CWT = 0.005
_MIN_SHORT_LB = 1e-4


@dataclass(frozen=True)
class HorizonAnswer:
    """The optimum of a horizon's program.

    `answer` is exact where everything whole is held at its best; `bound_usd` holds for the
    whole program. `linear` is what gave the answer, kept warm; None where none was found.
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
    """State a horizon as sparse arrays; the program's rows are keyed by `DayRequirement`."""
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

    `divisible` takes containers, counts and least amounts as divisible, whatever the rules say.
    The outcome is INFEASIBLE without a plan, UNBOUNDED where money could be made without end,
    STOPPED when time ran out or `stopped()` ended the search; `answer` is empty where no plan was
    found.
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
    """A horizon's program as a linear one, kept warm in the solver; a large one begins with
    what its pooled twin uses each day."""
    return WarmLinear(model, _first_part(days, model) if _is_large(days) else None)


def _open_held(days: Days, model: Model, x: np.ndarray, held: np.ndarray) -> WarmLinear:
    """The program with some of its whole columns held at a solution's whole numbers, kept
    warm; a large one begins with what the solution uses."""
    whole = np.round(x)
    at = replace(
        model,
        lower=np.where(held, whole, model.lower),
        upper=np.where(held, whole, model.upper),
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
    return sum(len(sets.pair_lot) for sets in days.sets_list) >= POOLED_FROM_PAIRS


def _first_part(days: Days, model: Model) -> RestrictedMaster | None:
    """What the pooled twin suggests; None where the twin has no plan to learn from."""
    pooled, members = pool_horizon(days.horizon)
    twin_days = lay_out_days(pooled)
    twin = build_horizon(twin_days)
    answer = WarmLinear(twin).solve()
    if answer.outcome is not Outcome.OPTIMAL:
        return None
    dealt = []
    for place, (sets, twin_sets) in enumerate(
        zip(days.sets_list, twin_days.sets_list, strict=True)
    ):
        product_at = {product.product_id: i for i, product in enumerate(sets.products)}
        pools = [
            [product_at[each] for each in members[pool.product_id] if each in product_at]
            for pool in twin_sets.products
        ]
        use = f"use {place}"
        pairs = deal_out(sets, pools, twin_sets, answer.x[twin.names[use]])
        dealt.append((model.names[use], sets, pairs))
    return restricted_master(len(model.cost), dealt)


# Worths ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DayPrices:
    """What orders, rooms and offers are worth. Offers: USD for one more pound, by offer id."""

    orders: tuple[OrderPrice, ...]
    rooms: tuple[CapacityPrice, ...]
    offer_usd_per_lb: dict[str, float]


_OF_PURCHASES = ("containers", "is_bought")
"""Whole columns that worths take as divisible; counts and switches are held as planned."""


def day_shadow_prices(solved: HorizonAnswer) -> DayPrices:
    """What one more pound of each order, room and offer costs or saves: the dual price of the
    program with that order, room or offer moved a little."""
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
        if requirement.constraint_class in _ROOMS
        and (saves := _loosening_saves(linear, answer, row)) > _MIN_VALUE_USD_PER_CWT
    ]
    buy = np.arange(model.names["buy"].start, model.names["buy"].stop)
    offers = {
        offer.offer_id: offer.price_usd_per_lb - _cost_of_more(linear, answer, int(column))
        for offer, column in zip(solved.days.offers, buy, strict=True)
    }
    return DayPrices(tuple(orders), tuple(capacity_prices), offers)


def _loosening_saves(linear: WarmLinear, answer: Answer, row: int) -> float:
    """USD per cwt saved by easing a row; none where it does not bind."""
    matrix = linear.model.matrix
    own = matrix.row == row
    activity = float(matrix.value[own] @ answer.x[matrix.column[own]])
    at_most = bool(np.isfinite(linear.row_upper[row]))
    limit = linear.row_upper[row] if at_most else linear.row_lower[row]
    if abs(activity - limit) > _ACTIVE_LB * max(1.0, abs(limit)):
        return 0.0
    return -_rate(linear, [row], 1.0 if at_most else -1.0) * LB_PER_CWT


def _cost_of_more(linear: WarmLinear, answer: Answer, column: int) -> float:
    """USD per lb by which the plan's cost grows when a pound more than planned is bought."""
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
    """The rows that move with an order: both of them where it is exact."""
    row = model.row_of[minimum]
    maximum = model.row_of.get(replace(minimum, constraint_class=ConstraintClass.VOLUME_MAX))
    if maximum is not None and model.row_upper[maximum] == model.row_lower[row]:
        return [row, maximum]
    return [row]


def _rate(linear: WarmLinear, rows: list[int], direction: float) -> float:
    """USD per lb by which the cost grows as rows move that way together; infinite when no plan
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

_EASED = (
    ConstraintClass.VOLUME_MIN,
    ConstraintClass.MUST_USE,
    DayConstraintClass.CAPACITY,
    DayConstraintClass.CLOSING,
    DayConstraintClass.FREEZER,
    DayConstraintClass.USE_BY,
    DayConstraintClass.MAX_USED,
)
"""Requirements in pounds, which can be eased pound by pound."""


def min_loosening_lb(horizon: Horizon) -> dict[DayRequirement, float] | None:
    """The fewest pounds by which requirements must be eased for a plan, by requirement.

    Containers, counts and least amounts are taken as divisible. None when no easing of
    requirements in pounds frees a plan, empty when nothing has to be eased.
    """
    model = build_horizon(lay_out_days(horizon))
    rows = [i for i, each in enumerate(model.requirements) if each.constraint_class in _EASED]
    count = len(rows)
    sign = np.where(np.isfinite(model.row_lower[rows]), 1.0, -1.0)
    matrix = model.matrix
    entries = len(matrix.row) + np.arange(1, count + 1)
    eased = replace(
        model,
        cost=np.concatenate((np.zeros(len(model.cost)), np.ones(count))),
        lower=np.concatenate((model.lower, np.zeros(count))),
        upper=np.concatenate((model.upper, np.full(count, np.inf))),
        whole=np.zeros(len(model.cost) + count, bool),
        matrix=replace(
            matrix,
            start=np.concatenate((matrix.start, entries)),
            row=np.concatenate((matrix.row, np.array(rows, int))),
            value=np.concatenate((matrix.value, sign)),
        ),
    )
    answer = WarmLinear(eased).solve()
    if answer.outcome is not Outcome.OPTIMAL:
        return None
    return {
        model.requirements[row]: float(lb)
        for row, lb in zip(rows, answer.x[len(model.cost) :], strict=True)
        if lb > _MIN_SHORT_LB
    }
