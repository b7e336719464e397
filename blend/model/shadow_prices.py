"""Shadow prices of requirements, marginal costs of products and break-even prices of lots, from
the LP relaxation.

Where the optimum is degenerate there are two shadow prices, one for loosening a requirement and
one for tightening it. Each is the dual price of the program with the requirement moved a little
that way, so no small difference of large totals is taken (directional derivatives of the optimal
value: Bertsimas and Tsitsiklis, Introduction to Linear Optimization, 1997, ch. 5, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from blend.domain.plan import LotBreakEven, MarginalCost, ShadowPrice, Step
from blend.domain.requirements import ConstraintClass, Requirement
from blend.model.arrays import Model
from blend.model.measures import measure_of, step_of
from blend.model.rules.definition import Measure
from blend.model.solver import Answer, Outcome, WarmLinear
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

_ORDER = ConstraintClass.VOLUME_MIN, ConstraintClass.VOLUME_MAX
_NUDGE = 1e-6
"""How far a requirement is moved for its one-sided shadow price, as a share of the pounds made or
of the order."""
_ACTIVE_LB = 1e-6
_MIN_LOT_LB = 1e-6
_MIN_VALUE_USD = 1e-6


def shadow_prices_of(
    linear: WarmLinear, answer: Answer, progress: Callable[[str], None] | None = None
) -> tuple[ShadowPrice, ...]:
    """The shadow prices of every requirement that binds, by product and rule.

    `linear` is left as it was found, solved.
    """
    model = linear.model
    activity = model.matrix.dot_columns(answer.x, len(linear.row_lower))
    binding = []
    for row, requirement in enumerate(model.requirements):
        if requirement.constraint_class in (ConstraintClass.MASS, ConstraintClass.SUPPLY):
            continue
        at_least = bool(np.isfinite(model.row_lower[row]))
        bound = model.row_lower[row] if at_least else model.row_upper[row]
        if abs(activity[row] - bound) > _ACTIVE_LB * max(1.0, abs(bound)):
            continue
        other_row = _other_side_of_exact_order(model, requirement)
        if other_row is not None and not at_least:
            continue
        step, step_lb, size_lb = _step_of(linear, answer, requirement)
        rows = [row] if other_row is None else [row, other_row]
        tighter = _NUDGE * size_lb if at_least else -_NUDGE * size_lb
        binding.append((requirement, step, step_lb, at_least, (rows, tighter)))
    moves = [(rows, sign * move) for *_, (rows, move) in binding for sign in (-1, 1)]
    report = None if progress is None else lambda: progress("shadow prices")
    rates = _rates_of_moving(linear, moves, report)
    shadow_prices = []
    for (requirement, step, step_lb, at_least, _), loosened, tightened in zip(
        binding, rates[::2], rates[1::2], strict=True
    ):
        # USD saved per lb of loosening, and lost per lb of tightening; a negative saving is a
        # loss, which an exact order can cause
        sign = 1.0 if at_least else -1.0
        loosening = 0.0 if loosened is None else sign * loosened
        tightening = np.inf if tightened is None else sign * tightened
        if max(abs(loosening), abs(tightening)) * step_lb > _MIN_VALUE_USD:
            value = ShadowPrice(requirement, step, loosening * step_lb, tightening * step_lb)
            shadow_prices.append(value)
    return tuple(shadow_prices)


def _other_side_of_exact_order(model: Model, requirement: Requirement) -> int | None:
    """The other row of an exact order: the two move together."""
    if requirement.constraint_class not in _ORDER:
        return None
    (other,) = set(_ORDER) - {requirement.constraint_class}
    product = model.sets.case.product(requirement.product_id)
    if product.min_lb != product.max_lb:
        return None
    return model.row_of.get(Requirement(other, requirement.product_id))


def marginal_costs_of(linear: WarmLinear, answer: Answer) -> tuple[MarginalCost, ...]:
    """What one more hundredweight, and a leaner or fatter target, would cost each product.

    Infinite where no plan is left. `linear` is left as it was found, solved.
    """
    model, sets = linear.model, linear.model.sets
    made_lb = answer.x[model.names["finished"]].tolist()
    orders = _rows_by_product(model, *_ORDER)
    targets = _rows_by_product(model, ConstraintClass.LEAN_MIN, ConstraintClass.LEAN_MAX)
    moves = []
    for order, target, lb in zip(orders, targets, made_lb, strict=True):
        moves += [(order, _NUDGE * LB_PER_CWT), (target, _NUDGE * lb), (target, -_NUDGE * lb)]
    rates = _rates_of_moving(linear, moves)
    return tuple(
        MarginalCost(
            product_id=product.product_id,
            next_cwt_usd=_usd_per_cwt(more),
            leaner_point_usd=np.inf if leaner is None else leaner * lb / POINTS_PER_SHARE,
            fatter_point_usd=np.inf if fatter is None else -fatter * lb / POINTS_PER_SHARE,
        )
        for product, lb, more, leaner, fatter in zip(
            sets.products, made_lb, rates[::3], rates[1::3], rates[2::3], strict=True
        )
    )


def next_cwts_usd(linear: WarmLinear) -> list[float]:
    """Cost of one more finished hundredweight of each product, as in `marginal_costs_of`."""
    orders = _rows_by_product(linear.model, *_ORDER)
    rates = _rates_of_moving(linear, [(order, _NUDGE * LB_PER_CWT) for order in orders])
    return [_usd_per_cwt(more) for more in rates]


def _usd_per_cwt(usd_per_lb: float | None) -> float:
    return np.inf if usd_per_lb is None else usd_per_lb * LB_PER_CWT


def _rows_by_product(model: Model, *constraint_classes: ConstraintClass) -> list[list[int]]:
    return [
        [
            model.row_of[requirement]
            for constraint_class in constraint_classes
            if (requirement := Requirement(constraint_class, product.product_id)) in model.row_of
        ]
        for product in model.sets.products
    ]


def lot_break_evens(
    linear: WarmLinear, answer: Answer, progress: Callable[[str], None] | None = None
) -> tuple[LotBreakEven, ...]:
    """For each lot the price at which it enters or leaves the plan."""
    sets = linear.model.sets
    take = linear.model.take
    shadow_prices = []
    for index, lot in enumerate(sets.lots):
        if progress is not None:
            progress(f"price of lot {index + 1} of {len(sets.lots)}")
        column = take.start + index
        shadow_prices.append(
            LotBreakEven(
                lot_id=lot.lot_id,
                delivered_usd_per_lb=lot.delivered_usd_per_lb,
                relaxed_lb=max(0.0, pounds_used(linear, answer, index)),
                break_even_usd_per_lb=break_even_price(linear, answer, index),
                next_lb_usd=max(0.0, -float(answer.column_dual[column])),
            )
        )
    linear.solve()
    return tuple(shadow_prices)


def break_even_price(linear: WarmLinear, answer: Answer, lot: int) -> float | None:
    """The highest delivered price, USD per lb, at which the plan takes some of the lot.

    Infinite when there is no plan without it; None when it would not be taken even for free.
    The cost of the plan is concave and piecewise linear in the price, with the pounds taken as
    its slope, and flat above the break-even price. So each tangent meets the flat part at or
    below that price, and a few steps end exactly there.
    """
    here = linear.model.sets.lots[lot].delivered_usd_per_lb
    without = answer.objective
    used_lb = pounds_used(linear, answer, lot)
    if used_lb > _MIN_LOT_LB:
        without = _objective_without(linear, lot)
        if np.isposinf(without):
            return without
        price, objective, pounds = here, answer.objective, used_lb
    else:
        of_lot = linear.model.sets.pair_lot == lot
        value = float(pair_shadow_prices(linear, answer)[of_lot].max(initial=-np.inf))
        price = min(here, value) * (1 - 1e-9) - 1e-9
        if price <= 0:
            return None
        price, objective, pounds = _where_taken(linear, lot, price)
        if pounds <= _MIN_LOT_LB or np.isposinf(pounds):
            set_price(linear, lot, here)
            return float(price) if pounds > _MIN_LOT_LB else None
    while True:
        meets = price + (without - objective) / pounds
        if meets - price <= 1e-9 * max(1.0, abs(meets)):
            break
        price = meets
        objective, pounds = _at_price(linear, lot, price)
        if pounds <= _MIN_LOT_LB:
            break
    set_price(linear, lot, here)
    return float(price)


def marginal_shadow_prices(linear: WarmLinear, answer: Answer) -> np.ndarray:
    """Value of the next pound of each lot in the blend where it is highest, USD per lb at the
    plan's dual prices; minus infinity for a lot that no blend may hold."""
    sets = linear.model.sets
    value = np.full(len(sets.lots), -np.inf)
    np.maximum.at(value, sets.pair_lot, pair_shadow_prices(linear, answer))
    return value


def pair_shadow_prices(linear: WarmLinear, answer: Answer) -> np.ndarray:
    """Value of one more pound of the lot in the blend, USD per lb, by pair."""
    sets, use = linear.model.sets, linear.model.use
    # the lots' own supply rows come first, in the order of lots
    own = answer.row_dual[: len(sets.lots)][sets.pair_lot]
    return linear.model.cost[use] - answer.column_dual[use] - own


def set_price(linear: WarmLinear, lot: int, delivered_usd_per_lb: float) -> None:
    """Give a lot another delivered price.

    Below the lot's salvage value that value falls with the price; otherwise the plan would buy
    the lot only to leave it over.
    """
    model, sets = linear.model, linear.model.sets
    leftover = min(sets.lots[lot].salvage_value_usd_per_lb, delivered_usd_per_lb)
    use = model.use.start + np.flatnonzero(sets.pair_lot == lot)
    columns = np.append(use, model.take.start + lot)
    cost = np.append(np.full(len(use), leftover), delivered_usd_per_lb - leftover)
    linear.set_cost(columns, cost)


def _where_taken(linear: WarmLinear, lot: int, maximum: float) -> tuple[float, float, float]:
    """A price up to `maximum` at which the plan takes some of the lot, with the cost and pounds
    there; no pounds where it takes none even for free, infinite pounds where it takes none above
    the price and is unbounded below."""
    price = maximum
    objective, pounds = _at_price(linear, lot, price)
    if pounds <= _MIN_LOT_LB:
        # the dual prices are not unique and overrated the lot: start from a price of zero
        price = 0.0
        objective, pounds = _at_price(linear, lot, price)
    while np.isposinf(pounds) and maximum - price > 1e-9:
        middle = (price + maximum) / 2
        at_middle = _at_price(linear, lot, middle)
        if at_middle[1] <= _MIN_LOT_LB:
            maximum = middle
        else:
            price, (objective, pounds) = middle, at_middle
    return price, objective, pounds


def _at_price(linear: WarmLinear, lot: int, price: float) -> tuple[float, float]:
    """Cost of the plan and pounds of a lot used at another price of it."""
    set_price(linear, lot, price)
    answer = linear.solve()
    if answer.outcome is Outcome.UNBOUNDED:
        return -np.inf, np.inf
    return answer.objective, pounds_used(linear, answer, lot)


def pounds_used(linear: WarmLinear, answer: Answer, lot: int) -> float:
    """Pounds of a lot used; more may be taken where leaving it over costs nothing."""
    use = linear.model.use.start + np.flatnonzero(linear.model.sets.pair_lot == lot)
    return float(answer.x[use].sum())


def _objective_without(linear: WarmLinear, lot: int) -> float:
    column = linear.model.take.start + lot
    lower, upper = linear.lower[column], linear.upper[column]
    linear.set_column_bounds(column, 0.0, 0.0)
    objective = linear.solve().objective
    linear.set_column_bounds(column, lower, upper)
    return objective


def _step_of(
    linear: WarmLinear, answer: Answer, requirement: Requirement
) -> tuple[Step, float, float]:
    """The step a shadow price is for, the pounds it moves the row by, and the size of the row."""
    step = step_of(requirement.constraint_class)
    measure = measure_of(requirement.constraint_class)
    if measure not in (Measure.SHARE, Measure.HEAT):
        return step, LB_PER_CWT, LB_PER_CWT
    sets = linear.model.sets
    blend = sets.product_index[requirement.product_id]
    if measure is Measure.HEAT:
        used_lb = float(answer.x[linear.model.use][sets.pairs_of(blend)].sum())
        return step, used_lb, used_lb
    made_lb = float(answer.x[linear.model.names["finished"]][blend])
    return step, made_lb / POINTS_PER_SHARE, made_lb


def _rates_of_moving(
    linear: WarmLinear,
    moves: Sequence[tuple[Sequence[int], float]],
    report: Callable[[], None] | None = None,
) -> list[float | None]:
    """USD per lb when several rows move together by so many lb, None where no plan is left; by
    move.

    Usually the optimal basis stays optimal, and its dual prices are the rates. Where it does not,
    at a degenerate optimum, the program is solved with the rows moved and then restored.
    """
    kept = linear.prices_if_moved(moves)
    rates = []
    for (rows, move_lb), prices in zip(moves, kept, strict=True):
        if prices is None:
            if report is not None:
                report()
            prices = _prices_when_moved(linear, rows, move_lb)
        rates.append(None if prices is None else float(sum(prices)))
    if any(prices is None for prices in kept):
        linear.solve()
    return rates


def _prices_when_moved(
    linear: WarmLinear, rows: Sequence[int], move_lb: float
) -> np.ndarray | None:
    """Dual prices of rows with their bounds moved, put back afterwards; None if infeasible."""
    bounds = [(linear.row_lower[row], linear.row_upper[row]) for row in rows]
    for row, (lower, upper) in zip(rows, bounds, strict=True):
        linear.set_row_bounds(row, lower + move_lb, upper + move_lb)
    answer = linear.solve()
    for row, (lower, upper) in zip(rows, bounds, strict=True):
        linear.set_row_bounds(row, lower, upper)
    if answer.outcome is not Outcome.OPTIMAL:
        return None
    return answer.row_dual[list(rows)]
