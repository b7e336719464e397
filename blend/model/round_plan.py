"""Round a plan to whole pounds, keeping every limit where whole pounds can.

Each ingredient of a batch is rounded down or up. Which way is a small mixed-integer program: the
rows of the plan with its whole numbers fixed. Only an order of an exact weight may be filled to
the next pounds above. Where whole pounds cannot keep every limit, elastic variables at a high price
let limits give, and the check of the plan shows where.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from blend.domain.plan import BatchRun, Ingredient, Take
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import WholeContainers
from blend.model.arrays import Model, SparseColumns, dot
from blend.model.sets import IndexSets
from blend.model.solver import solve_whole

_MIN_LB = 1e-6
_OVER_ORDER_USD_PER_LB = 1.0
"""On top of the sale price, so that no money is made with it: an order of an exact weight can
rarely be filled in whole pounds and with losses, and is filled to the next pounds above."""
_RELAXED_USD_PER_LB = {ConstraintClass.VOLUME_MIN: 1e3, ConstraintClass.MUST_USE: 1e3}
"""Price of relaxing a row: pounds too little first, limits on lean or shares last."""
_LAST_RELAXED_USD_PER_LB = 1e5
_DEAR_USD_PER_LB = 100.0
"""No meat costs as much; where a table says so, relaxing costs proportionally more."""
_TIME_LIMIT_S, _GAP_SHARE = 2.0, 1e-4
"""Of each attempt; a tenth of the gap that a plan is asked for by default."""
_HAIR = 1e-13
"""Of an order: binary rounding of sums, so that no shortage is stated too small."""
_MARGIN_LB = 1e-5
"""Rows are kept by so much more than in full where they can be, beyond the solver's tolerance:
the check is exact. A row that can only just be kept gives the margin up."""


@dataclass(frozen=True, slots=True)
class Attempt:
    """How far whole pounds are looked for."""

    further_lb: float = 0.0
    """Each ingredient may move by so many pounds more than to the next whole one."""
    containers: float = 0
    """Containers more or fewer of each lot that is taken."""
    any_lot: bool = False
    """Lots may join a blend that are not in it; containers of any lot may be added."""
    gives_margin: bool = False
    """Limits may be just kept; slower to search."""
    may_give: bool = False
    """Limits may give by what rounding explains, not by all that pounds further off can do."""


_IN_FULL = (
    Attempt(),
    Attempt(10),
    Attempt(gives_margin=True),
    Attempt(10, gives_margin=True),
    Attempt(math.inf, 1, gives_margin=True),
    Attempt(math.inf, math.inf, any_lot=True, gives_margin=True),
)
"""A lot of a few pounds, or one more combo, can be all there is to balance with."""
_QUICK, _QUICK_NODES = (Attempt(), Attempt(2), Attempt(10)), 200
"""Enough for a plan with room for whole pounds; by measurement most need one, in 5 ms."""
_GIVING = (Attempt(may_give=True), Attempt(10, may_give=True), Attempt(math.inf, may_give=True))


@dataclass(frozen=True)
class RoundedPlan:
    """A plan in whole pounds and whole containers."""

    takes: tuple[Take, ...]
    runs: tuple[BatchRun, ...]
    shortage_lb: dict[str, float]
    cost_usd: float = math.nan
    """By the model's prices; not known of a plan before rounding."""


def round_quickly(model: Model, x: np.ndarray) -> RoundedPlan | None:
    """Round a solution as `round_plan` does, where every limit can be kept in full by pounds nearby
    and this is quickly found."""
    batches = _batches(model, x)
    found = _whole_pounds(model, x, batches, _QUICK, _QUICK_NODES)
    return None if found is None else _rounded(model, batches, *found)


def round_plan(model: Model, x: np.ndarray) -> RoundedPlan:
    """Round a solution of a program to whole pounds an ingredient and batch.

    The nearest pounds are tried first, then pounds further off, then containers added or left out
    and a batch more, until every limit is kept in full. Where none of them keeps all, limits give
    as little as possible, and the check of the plan says by how much.
    """
    batches = _batches(model, x)
    found = _whole_pounds(model, x, batches, _IN_FULL)
    if found is None and (more := _one_more_where_full(model, x, batches)) is not None:
        found = _whole_pounds(model, x, more, _IN_FULL)
        batches = batches if found is None else more
    if found is None:
        found = _whole_pounds(model, x, batches, _GIVING)
    return _rounded(model, batches, *(found or _down(model, x, batches)))


def _rounded(
    model: Model, batches: np.ndarray, per_batch: np.ndarray, taken_lb: np.ndarray
) -> RoundedPlan:
    sets, cost = model.sets, model.cost
    takes = _takes(sets, taken_lb, per_batch, batches)
    shortage_lb = _shortages(sets, per_batch, batches)
    used_lb = per_batch * batches[sets.pair_blend]
    made_lb = np.bincount(sets.pair_blend, sets.kept_mass * used_lb, len(sets.blends))
    penalty = {p.product_id: p.shortage_penalty_usd_per_lb or 0.0 for p in sets.products}
    cost_usd = (
        dot(cost[model.use], used_lb)
        + dot(cost[model.names["finished"]], made_lb)
        + sum(cost[model.take][sets.lot_index[take.lot_id]] * take.pounds_lb for take in takes)
        + sum(penalty[product_id] * lb for product_id, lb in shortage_lb.items())
    )
    return RoundedPlan(takes, _runs(sets, per_batch, batches), shortage_lb, float(cost_usd))


def exact_plan(model: Model, x: np.ndarray) -> RoundedPlan:
    """The solution before rounding, each blend as one batch: to recount its cost."""
    sets = model.sets
    used_lb = np.maximum(x[model.use], 0.0)
    taken_lb = np.maximum(x[model.take], 0.0)
    one_batch = np.ones(len(sets.blends), int)
    lot_used_lb = np.bincount(sets.pair_lot, used_lb, len(sets.lots))
    takes = tuple(
        Take(lot.lot_id, float(lb), None, float(used))
        for lot, lb, used in zip(sets.lots, taken_lb, lot_used_lb, strict=True)
    )
    may_be_short = [
        p.product_id for p in sets.products if p.shortage_penalty_usd_per_lb is not None
    ]
    short_lb = np.maximum(x[model.names["short"]], 0.0).tolist()
    shortage_lb = dict(zip(may_be_short, short_lb, strict=True))
    return RoundedPlan(takes, _runs(sets, used_lb, one_batch), shortage_lb)


def _batches(model: Model, x: np.ndarray) -> np.ndarray:
    """Batches of each blend: the usual size where the blender allows, none when nothing is
    made. Where a product receives whole containers, the nearest number of batches that share each
    lot of them in whole pounds, if there is one."""
    sets = model.sets
    finished = x[model.names["finished"]]
    shares_containers = "containers_used" in model.names
    counts = np.zeros(len(finished), int)
    for blend, (made_lb, number) in enumerate(zip(finished, sets.blends.batch, strict=True)):
        if made_lb > _MIN_LB:
            product = sets.products[sets.blends.product[blend]]
            counts[blend] = 1 if number else batch_count(product, float(made_lb))
            if shares_containers and not number:
                pairs = sets.pairs_of(blend)
                packed = sets.container_lb[sets.pair_lot[pairs]] > 0
                shared_lb = np.round(x[model.use][pairs][packed])
                counts[blend] = _sharing(product, float(made_lb), int(counts[blend]), shared_lb)
    return counts


def _sharing(product: Product, made_lb: float, usual: int, shared_lb: np.ndarray) -> int:
    """The number of batches nearest to the usual one that divides pounds without a rest."""
    fewest = max(1, math.ceil(made_lb / product.blender_max_lb - 1e-9))
    most = 2 * usual
    if product.blender_min_lb > 0:
        most = min(most, math.floor(made_lb / product.blender_min_lb + 1e-9))
    counts = sorted(range(fewest, most + 1), key=lambda count: (abs(count - usual), count))
    return next((count for count in counts if not (shared_lb % count).any()), usual)


def batch_count(product: Product, finished_lb: float) -> int:
    """The number of equal batches nearest to the usual size that the blender can run."""
    fewest = max(1, math.ceil(finished_lb / product.blender_max_lb - 1e-9))
    usual = max(fewest, math.floor(finished_lb / product.batch_lb + 0.5))
    if product.blender_min_lb <= 0:
        return usual
    most = max(fewest, math.floor(finished_lb / product.blender_min_lb + 1e-9))
    return min(usual, most)


def _one_more_where_full(model: Model, x: np.ndarray, batches: np.ndarray) -> np.ndarray | None:
    """One batch more of each blend whose batches fill the blender to the last pound, where whole
    pounds cannot make the order; None where there is none."""
    sets = model.sets
    more = batches.copy()
    for blend, made_lb in enumerate(x[model.names["finished"]]):
        product, count = sets.products[sets.blends.product[blend]], batches[blend]
        is_full = made_lb > count * (product.blender_max_lb - 1)
        is_room = made_lb >= (count + 1) * product.blender_min_lb
        if count and not sets.blends.batch[blend] and is_full and is_room:
            more[blend] += 1
    return more if (more != batches).any() else None


def _whole_pounds(
    model: Model,
    x: np.ndarray,
    batches: np.ndarray,
    attempts: Sequence[Attempt],
    max_nodes: int | None = None,
) -> tuple[np.ndarray, np.ndarray] | None:
    """Whole pounds of each pair for one batch, and the pounds taken of each lot, by the first
    attempt that finds any."""
    count = batches[model.sets.pair_blend]
    exact = _per_batch_lb(model, x, batches)
    nearest = np.floor(exact + 0.5)
    is_whole = np.abs(exact - nearest) < _MIN_LB
    if is_whole.all():
        return nearest, x[model.take]
    low = np.where(is_whole, nearest, np.floor(exact))
    high = np.where(is_whole, nearest, np.ceil(exact))
    for attempt in attempts:
        minimum = np.maximum(low - attempt.further_lb, 0.0)
        maximum = np.where(high > 0, high + attempt.further_lb, 0.0)
        if attempt.any_lot:
            maximum = np.where(count > 0, np.maximum(maximum, model.upper[model.use]), 0.0)
        rounding = _rounding_model(model, x, batches, minimum, maximum, attempt)
        elastic = slice(len(model.cost), None)
        may_give = attempt.may_give or _may_be_over(model, rounding)
        moved_lb = _moved_by_rounding_lb(model, rounding, np.where(high > 0, count, 0))
        rounding.upper[elastic] = np.where(may_give, moved_lb, 0.0)
        if attempt.gives_margin or attempt.may_give:
            rounding.upper[elastic] += _MARGIN_LB
        answer = solve_whole(
            rounding,
            gap_share=_GAP_SHARE,
            time_limit_s=_TIME_LIMIT_S,
            max_nodes=max_nodes,
            is_easy=max_nodes is not None,
        )
        if len(answer.x):
            return np.round(answer.x[model.use]), answer.x[model.take]
    return None


def _down(model: Model, x: np.ndarray, batches: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Every ingredient rounded down, where nothing else was found."""
    return np.floor(_per_batch_lb(model, x, batches)), x[model.take]


def _per_batch_lb(model: Model, x: np.ndarray, batches: np.ndarray) -> np.ndarray:
    count = batches[model.sets.pair_blend]
    return np.divide(x[model.use], count, out=np.zeros(len(count)), where=count > 0)


def _may_be_over(model: Model, rounding: Model) -> np.ndarray:
    """Which elastic rows cap a product at its order."""
    rows = rounding.matrix.row[rounding.matrix.start[len(model.cost)] :]
    return np.array([_is_order_filled(model, row) for row in rows], bool)


def _moved_by_rounding_lb(model: Model, rounding: Model, used: np.ndarray) -> np.ndarray:
    """How far a pound more or less of each ingredient can move the elastic rows.

    `used` holds the batches of each pair, none where the pair is no ingredient.
    """
    sets, columns = model.sets, np.arange(len(model.cost))
    rows = rounding.matrix.row[rounding.matrix.start[len(model.cost)] :]
    pairs = np.flatnonzero(used)
    blend, kept_lb = sets.pair_blend[pairs], sets.kept_mass[pairs]
    by_pair = _row_by_row(model.matrix.take(columns[model.use][pairs]), rows, len(pairs))
    made = model.matrix.take(columns[model.names["finished"]])
    by_blend = _row_by_row(made, rows, len(sets.blends))
    moved_lb = [
        float(np.abs(own + made[blend] * kept_lb) @ used[pairs])
        for own, made in zip(by_pair, by_blend, strict=True)
    ]
    return np.array(moved_lb)


def _row_by_row(matrix: SparseColumns, rows: np.ndarray, width: int) -> Iterator[np.ndarray]:
    """Of each row asked for, its entries over all columns of the matrix."""
    order = np.argsort(matrix.row, kind="stable")
    row, column, value = matrix.row[order], matrix.column[order], matrix.value[order]
    for first, end in zip(
        np.searchsorted(row, rows), np.searchsorted(row, rows, "right"), strict=True
    ):
        entries = np.zeros(width)
        entries[column[first:end]] = value[first:end]
        yield entries


def _rounding_model(
    model: Model,
    x: np.ndarray,
    batches: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    attempt: Attempt,
) -> Model:
    """The plan's rows with pounds per batch as whole columns, containers as the attempt lets them
    move, and every other choice fixed; each row of a requirement is elastic at its price."""
    sets = model.sets
    use, take = model.use, model.take
    lower, upper = model.lower.copy(), model.upper.copy()
    held = model.whole & (not attempt.any_lot)
    lower[held] = upper[held] = np.round(x[held])
    block = model.names["batches"]
    lower[block] = upper[block] = batches
    lower[use], upper[use] = low, high
    boxed = _boxed(sets)
    taken = x[take]
    lower[take] = np.where(boxed, np.round(taken, 6), 0.0)
    upper[take] = np.where(boxed, np.round(taken, 6), model.upper[take])
    whole = np.zeros(len(model.cost), bool) if not attempt.any_lot else model.whole.copy()
    if attempt.containers > 0 and "containers_taken" in model.names:
        lower[take], upper[take] = model.lower[take], model.upper[take]
        counts = model.names["containers_taken"]
        moved = np.where(x[counts] > 0.5, attempt.containers, 0)
        lower[counts] = np.maximum(lower[counts] - moved, model.lower[counts])
        upper[counts] = np.minimum(upper[counts] + moved, model.upper[counts])
        whole[counts] = True

    matrix = model.matrix
    scale = np.ones(len(model.cost))
    scale[use] = np.maximum(batches[sets.pair_blend], 1)
    whole[use] = high > low
    fractional = matrix.row[np.abs(matrix.value - np.round(matrix.value)) > 0]
    margin_lb = np.zeros(len(model.row_lower))
    margin_lb[fractional] = _MARGIN_LB

    gives = [
        (row, sign)
        for row, requirement in enumerate(model.requirements)
        if requirement.constraint_class
        not in (ConstraintClass.MASS, ConstraintClass.SUPPLY, ConstraintClass.WHOLE_CONTAINERS)
        for sign, bound in ((1.0, model.row_lower[row]), (-1.0, model.row_upper[row]))
        if np.isfinite(bound)
    ]
    rows = np.array([row for row, _ in gives], int)
    # Above all prices of the case, however dear its meat is.
    times = max(1.0, np.abs(model.cost).max() / _DEAR_USD_PER_LB)
    price = [
        _over_order_usd_per_lb(model, row)
        if _is_order_filled(model, row)
        else times
        * _RELAXED_USD_PER_LB.get(
            model.requirements[row].constraint_class, _LAST_RELAXED_USD_PER_LB
        )
        for row in rows
    ]
    row_lower, row_upper = model.row_lower.copy(), model.row_upper.copy()
    if not attempt.any_lot:
        row_lower[_switched_off(model, x)] = -np.inf
    row_lower[rows] += margin_lb[rows]
    row_upper[rows] -= margin_lb[rows]
    scaled = replace(
        model,
        row_lower=row_lower,
        row_upper=row_upper,
        cost=model.cost * scale,
        lower=lower,
        upper=upper,
        whole=whole,
        matrix=replace(matrix, value=matrix.value * scale[matrix.column]),
    )
    columns = len(model.cost) + np.arange(len(rows))
    signs = np.array([sign for _, sign in gives], float)
    return scaled.extended(len(rows), [(rows, columns, signs)], cost=price)


def _switched_off(model: Model, x: np.ndarray) -> np.ndarray:
    """Rows of min shares of lots that are not used. Their big-M ends at the order, and would
    keep it from being filled to the next pounds above."""
    if "is_used" not in model.names:
        return np.zeros(0, int)
    block = np.arange(len(model.cost))[model.names["is_used"]]
    touched = np.unique(model.matrix.take(block[x[block] < 0.5]).row)
    return np.array(
        [
            row
            for row in touched
            if model.requirements[row].constraint_class is ConstraintClass.MIN_IF_USED
        ],
        int,
    )


def _is_order_filled(model: Model, row: int) -> bool:
    """Whether a row caps a product at its order."""
    return model.requirements[row].constraint_class is ConstraintClass.VOLUME_MAX


def _over_order_usd_per_lb(model: Model, row: int) -> float:
    product_id = model.requirements[row].product_id
    sale_usd_per_lb = model.sets.case.product(product_id).sale_usd_per_lb
    return max(0.0, sale_usd_per_lb) + _OVER_ORDER_USD_PER_LB


def _boxed(sets: IndexSets) -> np.ndarray:
    """Lots whose containers must be taken whole."""
    if sets.case.settings.whole_containers is WholeContainers.NO:
        return np.zeros(len(sets.lots), bool)
    return np.array([lot.container_lb is not None for lot in sets.lots])


def _takes(
    sets: IndexSets, taken_lb: np.ndarray, per_batch: np.ndarray, batches: np.ndarray
) -> tuple[Take, ...]:
    boxed = _boxed(sets)
    used_lb = np.bincount(sets.pair_lot, per_batch * batches[sets.pair_blend], len(sets.lots))
    takes = []
    for index, lot in enumerate(sets.lots):
        pounds_lb, used = float(taken_lb[index]), float(used_lb[index])
        containers = None
        if boxed[index] and lot.container_lb is not None:
            containers = round(pounds_lb / lot.container_lb)
            pounds_lb = containers * lot.container_lb
        else:
            pounds_lb = min(max(used, float(math.ceil(pounds_lb - _MIN_LB))), lot.max_lb)
        if pounds_lb > 0:
            takes.append(Take(lot.lot_id, pounds_lb, containers, used))
    return tuple(takes)


def _runs(sets: IndexSets, per_batch: np.ndarray, batches: np.ndarray) -> tuple[BatchRun, ...]:
    """Runs in the order of products; batches alike are put together."""
    per_container = sets.case.settings.whole_containers in (
        WholeContainers.PER_PRODUCT,
        WholeContainers.PER_BATCH,
    )
    runs: list[BatchRun] = []
    for blend, product_index in enumerate(sets.blends.product):
        pairs = np.arange(len(per_batch))[sets.pairs_of(blend)]
        pairs = pairs[per_batch[pairs] > 0]
        if not batches[blend] or not len(pairs):
            continue
        finished_lb = float(sets.kept_mass[pairs] @ per_batch[pairs])
        run = BatchRun(
            product_id=sets.products[product_index].product_id,
            batches=int(batches[blend]),
            ingredients=tuple(
                _ingredient(sets, int(pair), float(per_batch[pair]), per_container)
                for pair in pairs
            ),
            finished_lb=finished_lb,
            lean=float(sets.kept_lean[pairs] @ per_batch[pairs]) / finished_lb,
        )
        like = next(
            (
                at
                for at, other in enumerate(runs)
                if (other.product_id, other.ingredients) == (run.product_id, run.ingredients)
            ),
            None,
        )
        if like is None:
            runs.append(run)
        else:
            runs[like] = replace(runs[like], batches=runs[like].batches + run.batches)
    return tuple(runs)


def _ingredient(sets: IndexSets, pair: int, pounds_lb: float, per_container: bool) -> Ingredient:
    lot = sets.lots[sets.pair_lot[pair]]
    containers = None
    if per_container and lot.container_lb is not None:
        count = pounds_lb / lot.container_lb
        containers = round(count) if abs(count - round(count)) < 1e-9 else None
    return Ingredient(lot.lot_id, pounds_lb, containers)


def _shortages(sets: IndexSets, per_batch: np.ndarray, batches: np.ndarray) -> dict[str, float]:
    """Pounds short of the least order of each product that may fall short."""
    made = np.bincount(
        sets.pair_blend, sets.kept_mass * per_batch * batches[sets.pair_blend], len(sets.blends)
    )
    shortages = {}
    for index, product in enumerate(sets.products):
        if product.shortage_penalty_usd_per_lb is None:
            continue
        short_lb = product.min_lb - float(made[sets.blends_of(index)].sum())
        if short_lb > _MIN_LB:
            hair_lb = _HAIR * product.min_lb
            shortages[product.product_id] = min(short_lb + hair_lb, product.min_lb)
    return shortages
