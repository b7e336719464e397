"""Room for whole pounds: a program whose plans can be rounded.

Rounding moves each ingredient of a batch by up to a pound. A plan that just keeps a limit on lean,
a share or an order while every container is used to the last pound can't be rounded at all. So
plans are searched with each limit on a blend tightened by what a few pounds a batch can move it.
Such a plan is a plan of the case too; a floor of this program is no floor of the case's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from blend.domain.requirements import ConstraintClass
from blend.model.arrays import Model, SparseColumns

ROOM_LB, LITTLE_ROOM_LB = 1.5, 0.5
"""A batch: by measurement nearly every plan with the first can be rounded, most with the second."""
_WITHOUT_ROOM = {
    ConstraintClass.MASS,
    ConstraintClass.SUPPLY,
    ConstraintClass.WHOLE_CONTAINERS,
    ConstraintClass.BATCH_FILL,
    ConstraintClass.MUST_USE,
    ConstraintClass.ADDED,
}
"""Pounds can be rounded down for these, or all of a lot may be needed."""
_OF_ORDERS = {ConstraintClass.VOLUME_MIN, ConstraintClass.VOLUME_MAX}
_OF_LARGEST = 0.4
"""A pound is taken to move a row as the mean ingredient does, and at least this share of what the
ingredient that moves it most does."""


def with_room(model: Model, room_lb: float) -> Model:
    """The program with `room_lb` pounds of room a batch, of the usual size, in each limit on a
    blend.

    An order of an exact weight that earns nothing may be overfilled by as much.
    """
    sets, matrix = model.sets, model.matrix
    rows = np.flatnonzero(
        [
            requirement.constraint_class not in _WITHOUT_ROOM and np.isinf(low) != np.isinf(high)
            for requirement, low, high in zip(
                model.requirements, model.row_lower, model.row_upper, strict=True
            )
        ]
    )
    moved = _moved_per_lb(model, rows)
    classes = [model.requirements[row].constraint_class for row in rows]
    batch_lb = np.array([product.batch_lb for product in sets.products])[sets.blends.product]
    more = (
        room_lb * moved / batch_lb * np.where(np.isinf(model.row_upper[rows]), -1.0, 1.0)[:, None]
    )
    finished = np.arange(len(model.cost))[model.names["finished"]]
    for place in np.flatnonzero([kind in _OF_ORDERS for kind in classes]):
        more[place] = _room_of_order(model, int(rows[place]), more[place])
    is_switched = np.array([kind is ConstraintClass.MIN_IF_USED for kind in classes], bool)
    over = 2 * room_lb / batch_lb.min(initial=np.inf)
    room_of_row_lb = np.zeros(len(model.row_lower))
    room_of_row_lb[rows[is_switched]] = np.abs(more[is_switched]) @ sets.max_blend_lb
    entries = [_room_of_switches(model, rows[is_switched], room_of_row_lb, over)]
    row_lower = model.row_lower.copy()
    row_lower[rows[is_switched]] *= 1 + over
    more[is_switched] = 0.0
    at, blend = np.nonzero(more)
    entries.append((rows[at], finished[blend], more[at, blend]))
    matrix = _plus(matrix, entries, len(model.cost))
    return replace(model, matrix=matrix, row_lower=row_lower)


def _moved_per_lb(model: Model, rows: np.ndarray) -> np.ndarray:
    """Rows × blends: how far a pound of an ingredient moves each row."""
    sets, matrix, column = model.sets, model.matrix, model.matrix.column
    blends = len(sets.blends)
    place = np.full(len(model.row_lower), -1)
    place[rows] = np.arange(len(rows))
    at = place[matrix.row]
    finished, use = model.names["finished"], model.use
    made = np.zeros((len(rows), blends))
    is_made = (at >= 0) & (column >= finished.start) & (column < finished.stop)
    made[at[is_made], column[is_made] - finished.start] = matrix.value[is_made]
    is_use = (at >= 0) & (column >= use.start) & (column < use.stop)
    row, pair = at[is_use], column[is_use] - use.start
    blend, mass = sets.pair_blend[pair], sets.kept_mass[pair]
    own = np.abs(matrix.value[is_use] + made[row, blend] * mass)
    total = np.abs(made) * np.bincount(sets.pair_blend, sets.kept_mass, blends)
    np.add.at(total, (row, blend), own - np.abs(made[row, blend]) * mass)
    count = np.maximum(1, np.diff(sets.pair_start))
    largest = np.zeros((len(rows), blends))
    np.maximum.at(largest, (row, blend), own)
    moved = np.maximum(total / count, _OF_LARGEST * largest)
    is_of_one_blend = (moved > 0).sum(1) == 1
    is_order = [model.requirements[row].constraint_class in _OF_ORDERS for row in rows]
    return np.where((is_of_one_blend | np.array(is_order, bool))[:, None], moved, 0.0)


def _room_of_order(model: Model, row: int, more: np.ndarray) -> np.ndarray:
    """The room of an order's row. One of an exact weight is overfilled, unless what is over would
    be sold."""
    product = model.sets.case.product(model.requirements[row].product_id)
    room_lb = product.min_lb * np.abs(more).max(initial=0.0)
    is_exact = product.max_lb_or_infinite - product.min_lb < 2 * room_lb
    if is_exact and product.sale_usd_per_lb > 0:
        return np.zeros(len(more))
    is_max = model.requirements[row].constraint_class is ConstraintClass.VOLUME_MAX
    return -np.abs(more) if is_max and is_exact else more


def _room_of_switches(
    model: Model, rows: np.ndarray, room_lb: np.ndarray, over: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The room of min shares if used, which is needed only where the lot is used: it goes to the
    lot's switch. The big-M must hold for an order that is overfilled by a share of `over`."""
    block, matrix = model.names.get("is_used", slice(0, 0)), model.matrix
    switches = np.arange(block.start, block.stop)
    part = matrix.take(switches)
    is_of_row = np.zeros(len(model.row_lower), bool)
    is_of_row[rows] = True
    held = is_of_row[part.row]
    row, column = part.row[held], switches[part.column[held]]
    return row, column, over * model.row_lower[row] - room_lb[row]


def _plus(
    matrix: SparseColumns, entries: Sequence[tuple[np.ndarray, np.ndarray, np.ndarray]], count: int
) -> SparseColumns:
    """The matrix with rows, columns and values added to its entries."""
    own = (matrix.row, matrix.column, matrix.value)
    row, column, value = (np.concatenate(parts) for parts in zip(own, *entries, strict=True))
    height = row.max(initial=0) + 1
    keys, at = np.unique(column * height + row, return_inverse=True)
    return SparseColumns.of_entries(keys % height, keys // height, np.bincount(at, value), count)
