"""A horizon as one programme over all its days, and its optimum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from blend.core.days import Days, lay_out_days
from blend.core.families import buying, daily, day_rules, rooms, stock
from blend.core.pooling import deal_out, first_part, pool_horizon
from blend.core.programme import Columns, FirstPart, Programme, Rows
from blend.core.solver import Answer, Outcome, WarmLinear, solve_whole
from blend.domain.horizon import DayFamily, DayRequirement, Horizon
from blend.domain.positions import OrderWorth, RoomWorth
from blend.domain.requirements import Family
from blend.units import LB_PER_CWT

POOLED_FROM_PAIRS = 2_000
"""Below this many pairs of lot and product, all days together, the whole programme is passed at
once: by measurement, beginning with the pooled twin would not pay."""
_FAMILIES = (daily, stock, rooms, buying, day_rules)
_ROOMS = (DayFamily.CAPACITY, DayFamily.FREEZER, DayFamily.CLOSING, DayFamily.MOST_USED)
_NUDGE = 1e-6
"""How far a row is moved to read the rate on one side, as a share of its limit."""
_ACTIVE_LB = 1e-6
_LEAST_WORTH_USD_PER_CWT = 0.005
_LEAST_SHORT_LB = 1e-4


@dataclass(frozen=True)
class HorizonAnswer:
    """The optimum of a horizon's programme.

    `answer` is exact where everything whole is held at its best; `bound_usd` is proved for the
    whole programme. `linear` is what gave the answer, kept warm; None where none was found.
    """

    days: Days
    programme: Programme
    answer: Answer
    outcome: Outcome
    bound_usd: float
    linear: WarmLinear | None

    @property
    def by_branching(self) -> bool:
        return bool(self.programme.whole.any())

    @property
    def is_found(self) -> bool:
        return len(self.answer.x) > 0

    def block(self, name: str) -> np.ndarray:
        """The optimum's values of a block of columns."""
        return self.answer.x[self.programme.names[name]]


def build_horizon(days: Days) -> Programme:
    """State a horizon as sparse arrays; the programme's rows are keyed by `DayRequirement`."""
    columns, rows = Columns(), Rows()
    for family in _FAMILIES:
        family.add(days, columns, rows)
    return Programme.of(days, columns, rows)


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
    programme = build_horizon(days)
    if divisible:
        programme = _divisible(programme)
    if not programme.whole.any():
        linear = _open(days, programme)
        answer = linear.solve()
        return HorizonAnswer(days, programme, answer, answer.outcome, answer.bound, linear)
    settings = horizon.case.settings
    best = solve_whole(
        programme,
        gap_share=settings.gap_share,
        time_limit_s=settings.time_limit_s,
        on_better=on_better,
        stopped=stopped,
    )
    if not len(best.x):
        return HorizonAnswer(days, programme, best, best.outcome, best.bound, None)
    linear = _open_held(days, programme, best.x, programme.whole)
    return HorizonAnswer(days, programme, linear.solve(), best.outcome, best.bound, linear)


def _divisible(programme: Programme) -> Programme:
    return replace(programme, whole=np.zeros(len(programme.whole), bool))


def _open(days: Days, programme: Programme) -> WarmLinear:
    """A horizon's programme as a linear one, kept warm in the solver; a large one begins with
    what its pooled twin uses each day."""
    return WarmLinear(programme, _first_part(days, programme) if _is_large(days) else None)


def _open_held(days: Days, programme: Programme, x: np.ndarray, held: np.ndarray) -> WarmLinear:
    """The programme with some of its whole columns held at a solution's whole numbers, kept
    warm; a large one begins with what the solution uses."""
    whole = np.round(x)
    at = replace(
        programme,
        lower=np.where(held, whole, programme.lower),
        upper=np.where(held, whole, programme.upper),
    )
    if not _is_large(days):
        return WarmLinear(at)
    uses = [programme.names[f"use {place}"] for place in range(len(days.layouts))]
    dealt = [
        (use, layout, np.flatnonzero(x[use] > 0))
        for use, layout in zip(uses, days.layouts, strict=True)
    ]
    return WarmLinear(at, first_part(len(x), dealt))


def _is_large(days: Days) -> bool:
    return sum(len(layout.pair_lot) for layout in days.layouts) >= POOLED_FROM_PAIRS


def _first_part(days: Days, programme: Programme) -> FirstPart | None:
    """What the pooled twin suggests; None where the twin has no plan to learn from."""
    pooled, members = pool_horizon(days.horizon)
    twin_days = lay_out_days(pooled)
    twin = build_horizon(twin_days)
    answer = WarmLinear(twin).solve()
    if answer.outcome is not Outcome.OPTIMAL:
        return None
    dealt = []
    for place, (layout, twin_layout) in enumerate(
        zip(days.layouts, twin_days.layouts, strict=True)
    ):
        product_at = {product.product_id: i for i, product in enumerate(layout.products)}
        pools = [
            [product_at[each] for each in members[pool.product_id] if each in product_at]
            for pool in twin_layout.products
        ]
        use = f"use {place}"
        pairs = deal_out(layout, pools, twin_layout, answer.x[twin.names[use]])
        dealt.append((programme.names[use], layout, pairs))
    return first_part(len(programme.cost), dealt)


# Worths ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DayWorths:
    """What orders, rooms and offers are worth. Offers: USD for one more pound, by offer id."""

    orders: tuple[OrderWorth, ...]
    rooms: tuple[RoomWorth, ...]
    offer_usd_per_lb: dict[str, float]


_OF_PURCHASES = ("containers", "is_bought")
"""Whole columns that worths take as divisible; counts and switches are held as planned."""


def day_worths(solved: HorizonAnswer) -> DayWorths:
    """What one more pound of each order, room and offer costs or saves: the dual price of the
    programme with that order, room or offer moved a little."""
    programme = solved.programme
    held = programme.whole.copy()
    for name in _OF_PURCHASES:
        if name in programme.names:
            held[programme.names[name]] = False
    linear, answer = solved.linear, solved.answer
    if (held != programme.whole).any():
        linear = _open_held(solved.days, programme, answer.x, held)
        answer = linear.solve()
    orders = [
        OrderWorth(
            requirement.product_id,
            requirement.day,
            _rate(linear, _rows_of_order(programme, requirement), 1.0) * LB_PER_CWT,
        )
        for requirement in programme.row_of
        if requirement.family is Family.VOLUME_LEAST
    ]
    rooms_worth = [
        RoomWorth(requirement, saves)
        for requirement, row in programme.row_of.items()
        if requirement.family in _ROOMS
        and (saves := _easing_saves(linear, answer, row)) > _LEAST_WORTH_USD_PER_CWT
    ]
    buy = np.arange(programme.names["buy"].start, programme.names["buy"].stop)
    offers = {
        offer.offer_id: offer.price_usd_per_lb - _cost_of_more(linear, answer, int(column))
        for offer, column in zip(solved.days.offers, buy, strict=True)
    }
    return DayWorths(tuple(orders), tuple(rooms_worth), offers)


def _easing_saves(linear: WarmLinear, answer: Answer, row: int) -> float:
    """USD per cwt saved by easing a row; none where it does not bind."""
    matrix = linear.programme.matrix
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


def _rows_of_order(programme: Programme, least: DayRequirement) -> list[int]:
    """The rows that move with an order: both of them where it is exact."""
    row = programme.row_of[least]
    most = programme.row_of.get(replace(least, family=Family.VOLUME_MOST))
    is_exact = most is not None and programme.row_upper[most] == programme.row_lower[row]
    return [row, most] if is_exact else [row]


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
    Family.VOLUME_LEAST,
    Family.MUST_USE,
    DayFamily.CAPACITY,
    DayFamily.CLOSING,
    DayFamily.FREEZER,
    DayFamily.USE_BY,
    DayFamily.MOST_USED,
)
"""Requirements in pounds, which can be eased pound by pound."""


def least_easing_lb(horizon: Horizon) -> dict[DayRequirement, float] | None:
    """The fewest pounds by which requirements must be eased for a plan, by requirement.

    Containers, counts and least amounts are taken as divisible. None when no easing of
    requirements in pounds frees a plan, empty when nothing has to be eased.
    """
    programme = build_horizon(lay_out_days(horizon))
    rows = [i for i, each in enumerate(programme.requirements) if each.family in _EASED]
    count = len(rows)
    sign = np.where(np.isfinite(programme.row_lower[rows]), 1.0, -1.0)
    matrix = programme.matrix
    entries = len(matrix.row) + np.arange(1, count + 1)
    eased = replace(
        programme,
        cost=np.concatenate((np.zeros(len(programme.cost)), np.ones(count))),
        lower=np.concatenate((programme.lower, np.zeros(count))),
        upper=np.concatenate((programme.upper, np.full(count, np.inf))),
        whole=np.zeros(len(programme.cost) + count, bool),
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
        programme.requirements[row]: float(lb)
        for row, lb in zip(rows, answer.x[len(programme.cost) :], strict=True)
        if lb > _LEAST_SHORT_LB
    }
