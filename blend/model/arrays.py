"""The mathematical program as sparse arrays, every row with its structured key."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from blend.domain.horizon import DayRequirement
from blend.domain.requirements import Requirement
from blend.model.sets import IndexSets

Keys = Callable[[], Sequence[tuple[str, ...]]]
Numbers = np.ndarray | Sequence[float] | float
Places = np.ndarray | Sequence[int] | int
"""Columns of a model, or rows within a block."""


@dataclass
class Columns:
    """The columns of a model, block by block."""

    names: dict[str, slice] = field(default_factory=dict)
    keys: dict[str, Keys] = field(default_factory=dict)
    """By block: the ids of each column, found only when a column's name is asked for."""
    cost: list[np.ndarray] = field(default_factory=list)
    lower: list[np.ndarray] = field(default_factory=list)
    upper: list[np.ndarray] = field(default_factory=list)
    whole: list[np.ndarray] = field(default_factory=list)
    count: int = 0

    def add(
        self,
        name: str,
        size: int,
        *,
        cost: Numbers = 0.0,
        lower: Numbers = 0.0,
        upper: Numbers = np.inf,
        whole: bool = False,
        keys: Keys | None = None,
    ) -> np.ndarray:
        """Append a block of `size` columns; return the indices of its columns."""
        for store, value in ((self.cost, cost), (self.lower, lower), (self.upper, upper)):
            store.append(_spread(value, size))
        self.whole.append(np.full(size, whole))
        self.names[name] = slice(self.count, self.count + size)
        if keys is not None:
            self.keys[name] = keys
        self.count += size
        return self[name]

    def __getitem__(self, name: str) -> np.ndarray:
        block = self.names[name]
        return np.arange(block.start, block.stop)

    def __contains__(self, name: str) -> bool:
        return name in self.names


def _spread(value: Numbers, size: int) -> np.ndarray:
    """A number or an array as so many numbers; `np.broadcast_to` takes ten times as long."""
    numbers = np.asarray(value, float)
    return numbers if numbers.shape == (size,) else np.full(size, numbers)


def dot(ours: np.ndarray, theirs: np.ndarray) -> float:
    """The sum of products of two arrays.

    From ten thousand numbers on `ours @ theirs` is shared out among threads; on a busy machine
    that takes longer than a warm solve (by measurement), and the last digit hangs on their number.
    """
    return float((ours * theirs).sum())


@dataclass
class Rows:
    """The rows of a program, gathered as triplets."""

    requirements: list[Any] = field(default_factory=list)
    """Requirement by row, or DayRequirement in a model of several days."""
    lower: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    _row: list[np.ndarray] = field(default_factory=list)
    _column: list[np.ndarray] = field(default_factory=list)
    _value: list[np.ndarray] = field(default_factory=list)

    def add(
        self,
        requirement: Requirement | DayRequirement,
        parts: Iterable[tuple[Places, Numbers]],
        lower: float = -np.inf,
        upper: float = np.inf,
    ) -> None:
        """Append one row: `lower` <= sum of values × columns over `parts` <= `upper`."""
        row = len(self.requirements)
        for columns, values in parts:
            columns = np.asarray(columns, int).reshape(-1)
            self._append(np.full(len(columns), row), columns, values)
        self._close([requirement], [lower], [upper])

    def add_block(
        self,
        requirements: Sequence[Requirement | DayRequirement],
        parts: Iterable[tuple[Places, Places, Numbers]],
        lower: Numbers = -np.inf,
        upper: Numbers = np.inf,
    ) -> None:
        """Append many rows at once; `parts` hold (row within the block, column, value)."""
        first = len(self.requirements)
        for rows, columns, values in parts:
            self._append(first + np.asarray(rows, int), np.asarray(columns, int), values)
        size = len(requirements)
        self._close(
            requirements,
            np.broadcast_to(lower, size).tolist(),
            np.broadcast_to(upper, size).tolist(),
        )

    def _append(self, rows: np.ndarray, columns: np.ndarray, values: Numbers) -> None:
        self._row.append(rows)
        self._column.append(columns)
        self._value.append(_spread(values, len(columns)))

    def _close(self, requirements: Sequence[Any], lower: list[float], upper: list[float]) -> None:
        self.requirements.extend(requirements)
        self.lower.extend(lower)
        self.upper.extend(upper)

    def by_column(self, column_count: int) -> SparseColumns:
        """The triplets as compressed columns; zeros are dropped."""
        if not self._row:
            none = np.zeros(0, int)
            return SparseColumns(np.zeros(column_count + 1, int), none, np.zeros(0))
        row = np.concatenate(self._row)
        column = np.concatenate(self._column)
        value = np.concatenate(self._value)
        return SparseColumns.of_entries(row, column, value, column_count)


@dataclass(frozen=True)
class SparseColumns:
    """A matrix by columns: entries of column j lie at `start[j]:start[j + 1]`."""

    start: np.ndarray
    row: np.ndarray
    value: np.ndarray

    @classmethod
    def of_entries(
        cls, row: np.ndarray, column: np.ndarray, value: np.ndarray, column_count: int
    ) -> SparseColumns:
        """The matrix of entries in any order; zeros are dropped."""
        keep = value != 0
        return cls.in_order(row[keep], column[keep], value[keep], column_count)

    @classmethod
    def in_order(
        cls, row: np.ndarray, column: np.ndarray, value: np.ndarray, column_count: int
    ) -> SparseColumns:
        """The matrix of entries in any order, zeros kept."""
        order = np.lexsort((row, column))
        start = np.concatenate(([0], np.cumsum(np.bincount(column, minlength=column_count))))
        return cls(start, row[order], value[order])

    @property
    def column(self) -> np.ndarray:
        """The column of each entry."""
        return np.repeat(np.arange(len(self.start) - 1), np.diff(self.start))

    def dot_columns(self, column_values: np.ndarray, row_count: int) -> np.ndarray:
        """For every row, the sum of its entries times the values of their columns."""
        return np.bincount(self.row, self.value * column_values[self.column], row_count)

    def take(self, columns: np.ndarray) -> SparseColumns:
        """The matrix of some columns, in the order given."""
        size = self.start[columns + 1] - self.start[columns]
        start = np.concatenate(([0], np.cumsum(size)))
        index = np.arange(start[-1]) + np.repeat(self.start[columns] - start[:-1], size)
        return SparseColumns(start, self.row[index], self.value[index])


@dataclass(frozen=True)
class RestrictedMaster:
    """The columns that a large program begins with, and what those left out belong to."""

    columns: np.ndarray
    blend: np.ndarray
    """By column of the program, of those left out: the blend that it is a pound in."""
    lot: np.ndarray
    """Likewise, the lot that it is a pound of."""


@dataclass(frozen=True)
class SparseRows:
    """A matrix by rows: entries of row i lie at `start[i]:start[i + 1]`."""

    start: np.ndarray
    column: np.ndarray
    value: np.ndarray


@dataclass(frozen=True)
class Model:
    """Minimize cost · x within the bounds of rows and columns; some columns whole."""

    sets: IndexSets
    names: dict[str, slice]
    cost: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    whole: np.ndarray
    matrix: SparseColumns
    row_lower: np.ndarray
    row_upper: np.ndarray
    requirements: tuple[Any, ...]
    """By row: its Requirement, or its DayRequirement in a model of several days."""
    keys: dict[str, Keys] = field(default_factory=dict)

    @classmethod
    def of(cls, sets: Any, columns: Columns, rows: Rows) -> Model:
        """The columns and rows that constraints have added, as one model."""
        return cls(
            sets=sets,
            names=columns.names,
            cost=np.concatenate(columns.cost),
            lower=np.concatenate(columns.lower),
            upper=np.concatenate(columns.upper),
            whole=np.concatenate(columns.whole),
            matrix=rows.by_column(columns.count),
            row_lower=np.array(rows.lower, float),
            row_upper=np.array(rows.upper, float),
            requirements=tuple(rows.requirements),
            keys=columns.keys,
        )

    def extended(
        self,
        count: int,
        entries: Sequence[tuple[np.ndarray, np.ndarray, np.ndarray]] = (),
        *,
        cost: Numbers = 0.0,
        upper: Numbers = np.inf,
        row_lower: Numbers = (),
        row_upper: Numbers = (),
        requirements: Sequence[Any] = (),
        name: str = "",
    ) -> Model:
        """The model with `count` more columns from zero up, and with more rows.

        `entries` are rows, columns and values, by their place in the extended model. `name` is
        the block of the new columns.
        """
        first = len(self.cost)
        matrix = self.matrix
        row, column, value = (
            np.concatenate(parts)
            for parts in zip((matrix.row, matrix.column, matrix.value), *entries, strict=True)
        )
        block = {name: slice(first, first + count)} if name else {}
        return replace(
            self,
            names=self.names | block,
            cost=np.append(self.cost, _spread(cost, count)),
            lower=np.append(self.lower, np.zeros(count)),
            upper=np.append(self.upper, _spread(upper, count)),
            whole=np.append(self.whole, np.zeros(count, bool)),
            matrix=SparseColumns.in_order(row, column, value, first + count),
            row_lower=np.append(self.row_lower, row_lower),
            row_upper=np.append(self.row_upper, row_upper),
            requirements=(*self.requirements, *requirements),
        )

    @cached_property
    def row_of(self) -> dict[Any, int]:
        """Where each requirement has its row."""
        return {requirement: row for row, requirement in enumerate(self.requirements)}

    @property
    def use(self) -> slice:
        """The columns of pounds used, in the order of the layout's pairs."""
        return self.names["use"]

    @property
    def take(self) -> slice:
        """The columns of pounds taken, in the order of the layout's lots."""
        return self.names["take"]
