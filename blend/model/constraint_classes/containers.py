"""Whole containers: combos, boxes and blocks are not broken where the plant says so."""

from __future__ import annotations

import numpy as np

from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import WholeContainers
from blend.model.arrays import Columns, Rows
from blend.model.sets import IndexSets


def add(sets: IndexSets, columns: Columns, rows: Rows) -> None:
    where = sets.case.settings.whole_containers
    if where is WholeContainers.NO:
        return
    container_lb = np.array([lot.container_lb or 0.0 for lot in sets.lots])
    boxed = np.flatnonzero(container_lb)
    _whole(sets, columns, rows, "containers_taken", columns["take"][boxed], boxed, container_lb)
    if where is not WholeContainers.TAKEN:
        pairs = np.flatnonzero(container_lb[sets.pair_lot])
        lots = sets.pair_lot[pairs]
        _whole(sets, columns, rows, "containers_used", columns["use"][pairs], lots, container_lb)


def _whole(
    sets: IndexSets,
    columns: Columns,
    rows: Rows,
    name: str,
    pounds: np.ndarray,
    lots: np.ndarray,
    container_lb: np.ndarray,
) -> None:
    counts = columns.add(name, len(pounds), whole=True)
    index = np.arange(len(pounds))
    rows.add_block(
        [
            Requirement(ConstraintClass.WHOLE_CONTAINERS, lot_id=sets.lots[lot].lot_id)
            for lot in lots
        ],
        [(index, pounds, 1.0), (index, counts, -container_lb[lots])],
        lower=0.0,
        upper=0.0,
    )
