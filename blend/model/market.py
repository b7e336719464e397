"""A market as one program: which prices clear it, and which demands explain its quotations.

Clearing maximizes what buyers would pay for the products, less what using the items costs:

    max Σ_p ∫ P_p(v) dv - Σ_i d_i u_i + Σ_i f_i (q_i - u_i)

over the same rows as a plan (mass, lean, shares, fat), with every pound of availability q_i
used (u_i) or left over at the floor f_i; d_i is the item's adjustment. The dual price of the
availability is the item's clearing price (competitive equilibrium as a maximum: P. A.
Samuelson, Spatial price equilibrium and linear programming, 1952, from memory).

The area under a straight demand line is a parabola, which `concave.py` divides into steps.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from blend.domain.case import Case
from blend.domain.clearing import Clearing, DemandCurve, ItemPrice, Response
from blend.domain.requirements import ConstraintClass, Requirement
from blend.errors import SolverTrouble
from blend.model.arrays import Columns, Model, Rows
from blend.model.build import build_model
from blend.model.concave import Parabolas, WarmConcave
from blend.model.prices import dual_prices
from blend.model.solve import LinearPlan
from blend.model.solver import Answer, Outcome, WarmLinear

_NUDGE_LB = 0.01
"""How far availability is moved to read the price on one side."""
_USED_LB = 1e-4
_MIN_MOVE = 1e-7
"""Of the largest: ways of prices that move no product's are left out."""
KEEP_AVAILABILITY = 10.0
"""How much more the square of a share of an item's availability weighs than that of a product's
volume, when both cannot be kept: what comes to market is counted, what is ground is guessed."""
_PRIOR_WEIGHT = 1e-4
"""Of the distance of products' prices from their blends' cost, next to the items' adjustments:
it only decides between fits that are equally close to the quotations."""


def _market_model(case: Case, use_cost_by_lot: Mapping[str, float]) -> Model:
    """The rows of the case, open volumes, every pound of each lot used or left over.

    A used pound costs the lot's adjustment and forgoes its floor.
    """
    products = tuple(
        replace(
            product, min_lb=0.0, max_lb=None, shortage_penalty_usd_per_lb=None, sale_usd_per_lb=0.0
        )
        for product in case.products
    )
    model = build_model(replace(case.divisible(), products=products))
    sets = model.sets
    cost = np.zeros(len(model.cost))
    per_lot = np.array(
        [lot.salvage_value_usd_per_lb + use_cost_by_lot[lot.lot_id] for lot in sets.lots]
    )
    cost[model.use] = per_lot[sets.pair_lot]
    lower, upper = model.lower.copy(), model.upper.copy()
    lower[model.take] = upper[model.take] = sets.lot_max_lb
    return replace(model, cost=cost, lower=lower, upper=upper)


def _finished(model: Model) -> np.ndarray:
    block = model.names["finished"]
    return np.arange(block.start, block.stop)


# Clearing ----------------------------------------------------------------------------------------


def clear(
    case: Case,
    curves: Sequence[DemandCurve],
    adjustment_usd_per_lb: Mapping[str, float],
    ranges_of: Collection[str] | None = None,
) -> Clearing:
    """Clear the market of a case.

    `curves` has one for each product of the case; `adjustment_usd_per_lb` one for each lot:
    what using a pound costs besides its price. Lots' own prices play no part. `ranges_of` are
    the lots whose price is given as a range, all of them where it is None; the others get one
    clearing price.
    """
    model = _market_model(case, adjustment_usd_per_lb)
    sets = model.sets
    curve_of = {curve.product_id: curve for curve in curves}
    ordered = [curve_of[product.product_id] for product in sets.products]
    gains = Parabolas(
        _finished(model),
        np.array([curve.choke_usd_per_lb for curve in ordered]),
        np.array([curve.fall_usd_per_lb_lb for curve in ordered]),
    )
    warm = WarmConcave(model, gains)
    answer = warm.solve()
    x = answer.x
    used = np.bincount(sets.pair_lot, x[model.use], len(sets.lots))
    prices = [
        (_price(model, answer, index),) * 2
        if ranges_of is not None and lot.lot_id not in ranges_of
        else tuple(_price_nearby(warm, model, index, side * _NUDGE_LB) for side in (1, -1))
        for index, lot in enumerate(sets.lots)
    ]
    plan = LinearPlan(model, answer)
    return Clearing(
        items=tuple(
            ItemPrice(lot.lot_id, low, max(low, high), float(lb), max(0.0, lot.max_lb - float(lb)))
            for lot, (low, high), lb in zip(sets.lots, prices, used, strict=True)
        ),
        use_lb=plan.use_lb,
        volume_lb={
            curve.product_id: float(lb) for curve, lb in zip(ordered, x[gains.columns], strict=True)
        },
        product_usd_per_lb={
            curve.product_id: curve.price_at(float(lb))
            for curve, lb in zip(ordered, x[gains.columns], strict=True)
        },
        duals=dual_prices(plan),
        response=_response(model, answer, ordered),
    )


def _response(model: Model, answer: Answer, curves: Sequence[DemandCurve]) -> Response:
    """The moves of the duals that leave every used column's reduced cost, and every slack row's
    dual, at zero; of them, those that move what some product costs."""
    from scipy.linalg import null_space

    sets, x = model.sets, answer.x
    activity = model.matrix.dot_columns(x, len(model.row_lower))
    slack = np.minimum(activity - model.row_lower, model.row_upper - activity)
    is_free = slack <= _USED_LB
    finished, take = _finished(model), np.arange(model.take.start, model.take.stop)

    def rows_of(columns: np.ndarray) -> np.ndarray:
        dense = np.zeros((len(activity), len(columns)))
        part = model.matrix.take(columns)
        np.add.at(dense, (part.row, part.column), part.value)
        return dense[is_free]

    used = np.arange(len(x))[(x > model.lower + _USED_LB) & (x < model.upper - _USED_LB)]
    used = used[~np.isin(used, finished) & ~np.isin(used, take)]
    moves = null_space(rows_of(used).T).T
    lots, made = rows_of(take), rows_of(finished)
    turn, sizes, _ = np.linalg.svd(moves @ made, full_matrices=False)
    moves = turn[:, sizes > _MIN_MOVE * sizes.max(initial=1.0)].T @ moves
    return Response(
        tuple(lot.lot_id for lot in sets.lots),
        tuple(product.product_id for product in sets.products),
        moves @ lots,
        moves @ made,
        np.array([_price(model, answer, index) for index in range(len(sets.lots))]),
        x[take],
        np.array([curve.price_at(lb) for curve, lb in zip(curves, x[finished], strict=True)]),
        x[finished],
    )


def _price_nearby(warm: WarmConcave, model: Model, lot: int, move_lb: float) -> float:
    """The price of a lot with its availability moved a little, put back afterwards.

    The nudge is small compared with the width of a step, so the present steps mostly suffice.
    """
    column = model.take.start + lot
    lb = float(model.upper[column])
    moved = max(0.0, lb + move_lb)
    warm.linear.set_column_bounds(column, moved, moved)
    answer = warm.solve()
    warm.linear.set_column_bounds(column, lb, lb)
    return _price(model, answer, lot)


def _price(model: Model, answer: Answer, lot: int) -> float:
    """What one more pound of a lot would bring: its floor, and what a blend pays above it."""
    floor = model.sets.lots[lot].salvage_value_usd_per_lb
    return floor - float(answer.column_dual[model.take.start + lot])


# Calibration -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Base:
    """Amounts at the base date that the blends can realize, nearest to those stated."""

    model: Model
    x: np.ndarray
    volume_lb: dict[str, float]
    to_grinders_lb: dict[str, float]


def nearest_base(
    case: Case, volume_lb: Mapping[str, float], held_at: Mapping[str, ConstraintClass] | None = None
) -> Base:
    """Volumes of products and amounts used of lots nearest to those stated.

    Least sum of squares of the relative change of each volume, and of the share of each lot
    that the blends do not take in at `KEEP_AVAILABILITY` times that. `held_at` names the lean
    limit (least or most) that a product lies at: inside its tolerance lean would be worth
    nothing, whatever the quotations say.
    """
    model = _market_model(case, {lot.lot_id: 0.0 for lot in case.lots})
    sets = model.sets
    take = np.arange(model.take.start, model.take.stop)
    held = {
        Requirement(constraint_class, name) for name, constraint_class in (held_at or {}).items()
    }
    equal = [r.constraint_class is ConstraintClass.SUPPLY or r in held for r in model.requirements]
    nearest = replace(
        model,
        cost=np.zeros(len(model.cost)),
        lower=np.where(np.isin(np.arange(len(model.cost)), take), 0.0, model.lower),
        row_lower=np.where(equal, 0.0, model.row_lower),
        row_upper=np.where(equal, 0.0, model.row_upper),
    )
    volumes = np.array([volume_lb[product.product_id] for product in sets.products])
    finished = _finished(model)
    stated = np.concatenate((volumes, sets.lot_max_lb))
    weight = np.where(np.arange(len(stated)) < len(volumes), 1.0, KEEP_AVAILABILITY)
    # in pounds of the mean product, so that a full change of it counts a USD a pound
    fall = volumes.mean() * weight / stated**2
    gains = Parabolas(np.concatenate((finished, take)), fall * stated, fall)
    answer = WarmConcave(nearest, gains).solve()
    used = np.bincount(sets.pair_lot, answer.x[model.use], len(sets.lots))
    return Base(
        model=model,
        x=answer.x,
        volume_lb={
            product.product_id: float(lb)
            for product, lb in zip(sets.products, answer.x[finished], strict=True)
        },
        to_grinders_lb={lot.lot_id: float(lb) for lot, lb in zip(sets.lots, used, strict=True)},
    )


@dataclass(frozen=True)
class InverseFit:
    """Adjustments of lots and prices of products, USD per lb, that explain the quotations."""

    adjustment_usd_per_lb: dict[str, float]
    product_usd_per_lb: dict[str, float]


def fit_prices(
    base: Base,
    quoted_usd_per_lb: Mapping[str, float],
    prior_product_usd_per_lb: Mapping[str, float],
) -> InverseFit:
    """The least adjustments with which the quotations clear the base (inverse optimization:
    R. K. Ahuja and J. B. Orlin, Inverse optimization, 2001, from memory).

    A linear program over the prices of products, lean and rules: no blend earns more with a
    pound of a lot than quotation and adjustment, those that use it just as much, and what does
    not bind at the base is worth nothing. Adjustments are weighed by the pounds used.
    """
    model, sets = base.model, base.model.sets
    columns, rows = Columns(), Rows()
    row_price = _row_price_columns(columns, base)
    used = np.array([base.to_grinders_lb[lot.lot_id] for lot in sets.lots])
    weight = used / used.sum()
    more = columns.add("more", len(used), cost=weight)
    less = columns.add("less", len(used), cost=weight)
    volume = np.array([base.volume_lb[product.product_id] for product in sets.products])
    share = _PRIOR_WEIGHT * volume / volume.sum()
    above = columns.add("above", len(volume), cost=share)
    below = columns.add("below", len(volume), cost=share)
    quoted = np.array([quoted_usd_per_lb[lot.lot_id] for lot in sets.lots])
    no_name = Requirement(ConstraintClass.MASS)
    for pair, lot in enumerate(sets.pair_lot):
        # what the pair earns at the row prices, less the adjustment, against the quotation
        earned = _entries(model, model.use.start + pair, row_price)
        is_used = base.x[model.use.start + pair] > _USED_LB
        rows.add(
            no_name,
            [earned, (more[lot], -1.0), (less[lot], 1.0)],
            lower=float(quoted[lot]) if is_used else -np.inf,
            upper=float(quoted[lot]),
        )
    for index, product in enumerate(sets.products):
        # a finished pound sells at mass price less what its shares of lean and lots cost
        row, value = _entries(model, _finished(model)[index], row_price)
        prior = prior_product_usd_per_lb[product.product_id]
        rows.add(no_name, [(row, -value), (above[index], -1.0), (below[index], 1.0)], prior, prior)
    answer = _solved(sets, columns, rows)
    adjustment = answer.x[more] - answer.x[less]
    move = answer.x[above] - answer.x[below]
    return InverseFit(
        adjustment_usd_per_lb={
            lot.lot_id: float(usd) for lot, usd in zip(sets.lots, adjustment, strict=True)
        },
        product_usd_per_lb={
            product.product_id: prior_product_usd_per_lb[product.product_id] + float(usd)
            for product, usd in zip(sets.products, move, strict=True)
        },
    )


def _row_price_columns(columns: Columns, base: Base) -> np.ndarray:
    """A column for the price of each row of the base program; of those that do not bind,
    and of the lots' own rows, it is held at nothing."""
    model = base.model
    activity = model.matrix.dot_columns(base.x, len(model.row_lower))
    lower, upper = np.zeros(len(activity)), np.zeros(len(activity))
    for row, requirement in enumerate(model.requirements):
        if requirement.constraint_class is ConstraintClass.SUPPLY:
            continue
        if activity[row] - model.row_lower[row] <= _USED_LB:
            upper[row] = np.inf
        if model.row_upper[row] - activity[row] <= _USED_LB:
            lower[row] = -np.inf
    return columns.add("row_price", len(activity), lower=lower, upper=upper)


def _entries(model: Model, column: int, row_price: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A column of the base program as terms of the row prices."""
    matrix = model.matrix
    here = slice(int(matrix.start[column]), int(matrix.start[column + 1]))
    return row_price[matrix.row[here]], matrix.value[here]


def _solved(sets, columns: Columns, rows: Rows) -> Answer:
    answer = WarmLinear(Model.of(sets, columns, rows)).solve()
    if answer.outcome is not Outcome.OPTIMAL:
        raise SolverTrouble(f"the fit of prices is {answer.outcome}")
    return answer
