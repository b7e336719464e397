"""Second-order cones by outer approximation cuts on the warm solver.

The norm T of a cone is split into one piece a column, w ≥ (scale · x)² / T with Σ w ≤ T, and
each piece is cut by its own tangents (the disaggregated form: Vielma, Dunning, Huchette and
Lubin, "Extended formulations in mixed integer conic quadratic programming", Mathematical
Programming Computation 9, 2017). A tangent of y²/T at the ratio r = y/T is w ≥ 2 r y − r² T: it
holds for every T and, with pieces kept in units of the first scale, for every later scale and
factor, so that cuts are kept over all changes. A term of several columns gets a free column of
its own, equal to it, and is cut in that. The cut program contains the cones, so its
optimum is a lower bound; a solve with tightened limits gives a feasible point.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from blend.domain.requirements import ConstraintClass, Requirement
from blend.errors import SolverTrouble
from blend.model.arrays import Model, SparseColumns, SparseRows
from blend.model.cone import Cone, holds
from blend.model.conic import conic_point
from blend.model.solver import Answer, Outcome, WarmLinear

ACCURACY = 1e-7
"""Of the objective, between the feasible point and the lower bound."""
_NEARLY = 1e-4
"""From here on it is worth looking for a feasible point."""
_MIN_RATIO = 3e-5
"""Pieces below this share of the norm get no cut: the solver drops entries near its square."""
_MIN_SCALE = 1e-4
_MAX_ROUNDS = 100
_SHARED_ROW = Requirement(ConstraintClass.MASS)
"""A definition like a balance of mass: no rounding may bend it."""


@dataclass(frozen=True)
class ConicAnswer:
    """`x` keeps every cone, `objective` is its cost; none costs less than `bound`.

    Without a solution `x` is empty, and the objective is infinite where none exists.
    """

    outcome: Outcome
    objective: float
    bound: float
    x: np.ndarray
    rounds: int
    was_interrupted: bool = False
    """Whether Ctrl-C ended the search in whole numbers."""

    @property
    def gap_share(self) -> float:
        return (self.objective - self.bound) / max(1.0, abs(self.objective))


@dataclass
class _Block:
    """Where one cone is in the program with cuts."""

    norm: int
    pieces: np.ndarray
    shared: np.ndarray
    """The free columns of the terms of several columns; their rows are `shared_rows`."""
    reading_row: int
    sum_row: int
    shared_rows: np.ndarray
    terms: np.ndarray
    """The column of each piece's term: those of the spread, then `shared`."""
    first_scale: np.ndarray
    """Of each piece; one for `shared`."""


@dataclass
class _Cuts:
    """The cuts so far, as entries of rows after the program's own."""

    row: list[np.ndarray] = field(default_factory=list)
    column: list[np.ndarray] = field(default_factory=list)
    value: list[np.ndarray] = field(default_factory=list)
    cone: list[int] = field(default_factory=list)


class ConicLinear:
    """A linear program with cones that stays in the solver, cuts and all.

    Cost, bounds and scales may be changed between solves. With `uses_library` the conic library
    finds where the cuts start.
    """

    def __init__(self, model: Model, cones: Sequence[Cone], uses_library: bool = True) -> None:
        self.cones = list(cones)
        self.column_count = len(model.cost)
        self.uses_library = uses_library
        self._base = model
        self._blocks = _blocks(model, self.cones)
        self._extended = _extended(model, self.cones, self._blocks)
        self._cuts = _Cuts()
        self.linear = WarmLinear(self._extended)

    def set_scale(self, index: int, scale: np.ndarray) -> None:
        """Put other numbers before the columns of the norm."""
        block, was = self._blocks[index], self.cones[index].scale
        self.cones[index] = replace(self.cones[index], scale=scale)
        for at in np.flatnonzero(scale != was):
            weight = (scale[at] / block.first_scale[at]) ** 2
            self.linear.set_coefficient(block.sum_row, int(block.pieces[at]), float(weight))

    def solve(self, accuracy: float = ACCURACY) -> ConicAnswer:
        """The optimum, to a relative `accuracy` of the objective, certified by the bound."""
        found = self.point() if self.uses_library else None
        if found is not None:
            self._touch(found)
        for rounds in range(1, _MAX_ROUNDS + 1):
            outer = self.linear.solve()
            if outer.outcome is not Outcome.OPTIMAL:
                value = outer.objective
                return ConicAnswer(outer.outcome, value, value, np.zeros(0), rounds)
            if found is not None:
                cost = float(self.linear.cost[: self.column_count] @ found)
                answer = ConicAnswer(Outcome.OPTIMAL, cost, outer.objective, found, rounds)
                if answer.gap_share <= accuracy:
                    return answer
            x = outer.x[: self.column_count]
            lacks = np.array([cone.lacks(x) for cone in self.cones])
            if all(cone.is_held(x) for cone in self.cones):
                return ConicAnswer(Outcome.OPTIMAL, outer.objective, outer.objective, x, rounds)
            added = self.cut_off(outer.x)
            if added and not self._is_nearly_held(x, lacks):
                continue
            inside = self._feasible_point(lacks)
            if inside is not None:
                answer = ConicAnswer(Outcome.OPTIMAL, inside[0], outer.objective, inside[1], rounds)
                if answer.gap_share <= accuracy:
                    return answer
            elif not added:
                # the cones touch the rows in a point: no tangent parts it, nothing lies inside
                return ConicAnswer(Outcome.OPTIMAL, outer.objective, outer.objective, x, rounds)
        raise SolverTrouble(f"the cones were not closed in {_MAX_ROUNDS} rounds of cuts")

    def reading_prices(self) -> tuple[Answer, np.ndarray]:
        """The optimum of the program with the cuts so far, and the dual price of each cone's
        reading there."""
        outer = self.linear.solve()
        return outer, outer.row_dual[[block.reading_row for block in self._blocks]]

    def find(self) -> np.ndarray:
        """The optimum without a bound where the library finds it, else with; empty if there
        is none."""
        found = self.point() if self.uses_library else None
        return self.solve().x if found is None else found

    def point(self) -> np.ndarray | None:
        """The optimum as the conic library finds it, without a bound; None where it finds none."""
        linear, base = self.linear, self._base
        rows = len(base.row_lower)
        now = replace(
            base,
            cost=linear.cost[: self.column_count],
            lower=linear.lower[: self.column_count],
            upper=linear.upper[: self.column_count],
            row_lower=linear.row_lower[:rows],
            row_upper=linear.row_upper[:rows],
        )
        found = conic_point(now, self.cones)
        return found if found is not None and holds(now, self.cones, found) else None

    def with_cuts(self, factor_share: float = 1.0) -> Model:
        """The program with all cuts as rows, for a search in whole numbers; each cone's factor
        times `factor_share`."""
        base, cuts = self._without_cuts(factor_share), self._cuts
        count = len(cuts.cone)
        return base.extended(
            0,
            list(zip(cuts.row, cuts.column, cuts.value, strict=True)),
            row_lower=np.zeros(count),
            row_upper=np.full(count, np.inf),
            requirements=[self.cones[cone].requirement for cone in cuts.cone],
        )

    def _without_cuts(self, factor_share: float) -> Model:
        """The program as it is now: costs, bounds and scales may have moved."""
        base, linear = self._extended, self.linear
        matrix = replace(base.matrix, value=base.matrix.value.copy())
        for block, cone in zip(self._blocks, self.cones, strict=True):
            _put(matrix, block.sum_row, block.pieces, _weights(cone, block))
            _put(matrix, block.reading_row, [block.norm], [-factor_share * cone.factor])
        rows = len(base.row_lower)
        return replace(
            base,
            cost=linear.cost.copy(),
            lower=linear.lower.copy(),
            upper=linear.upper.copy(),
            matrix=matrix,
            row_lower=linear.row_lower[:rows].copy(),
            row_upper=linear.row_upper[:rows].copy(),
        )

    @property
    def whole(self) -> np.ndarray:
        """Which of the program's own columns must be whole."""
        return self._base.whole

    def _is_nearly_held(self, x: np.ndarray, lacks: np.ndarray) -> bool:
        return all(
            lack <= _NEARLY * max(1.0, cone.factor * cone.norm(x))
            for cone, lack in zip(self.cones, lacks, strict=True)
        )

    def _feasible_point(self, lacks: np.ndarray) -> tuple[float, np.ndarray] | None:
        """Solve with limits tightened by what is lacking; cost and point, None if none."""
        outside = np.flatnonzero(lacks > 0)
        moved = 1.5 * lacks[outside] + 1e-7
        try:
            for _ in range(3):
                self._move_in(outside, moved)
                inner = self.linear.solve()
                if inner.outcome is not Outcome.OPTIMAL:
                    return None
                x = inner.x[: self.column_count]
                if all(cone.is_held(x) for cone in self.cones):
                    return inner.objective, x
                self.cut_off(inner.x)
                more = np.array([max(0.0, self.cones[index].lacks(x)) for index in outside])
                moved = moved + 1.5 * more
            return None
        finally:
            self._move_in(outside, np.zeros(len(outside)))

    def _move_in(self, indices: Iterable[int], by: Iterable[float]) -> None:
        for index, more in zip(indices, by, strict=True):
            minimum = self.cones[index].minimum + more
            self.linear.set_row_bounds(self._blocks[index].reading_row, minimum, np.inf)

    def cut_off(self, full: np.ndarray) -> int:
        """Add the cuts that separate the point from the cones; how many."""
        added = []
        for index, (cone, block) in enumerate(zip(self.cones, self._blocks, strict=True)):
            norm = cone.norm(full)
            if cone.lacks(full) <= 0 or norm == 0:
                continue
            reading = block.first_scale * full[block.terms]
            ratio = reading / norm
            violation = 2 * ratio * reading - ratio**2 * full[block.norm] - full[block.pieces]
            added.append((index, np.where(violation > 1e-10 * norm, ratio, 0.0)))
        return self._keep(added)

    def _touch(self, x: np.ndarray) -> None:
        """Add the tangent cuts at a point of the cones."""
        norms = [cone.norm(x) for cone in self.cones]
        self._keep(
            [
                (index, block.first_scale * _terms(cone, x) / norms[index])
                for index, (cone, block) in enumerate(zip(self.cones, self._blocks, strict=True))
                if norms[index] > 0
            ]
        )

    def _keep(self, ratios: Sequence[tuple[int, np.ndarray]]) -> int:
        """Add the tangents of some cones at the ratios of their pieces; how many."""
        first, columns, values = len(self._cuts.cone), [], []
        for index, ratio in ratios:
            block = self._blocks[index]
            at = np.flatnonzero(np.abs(ratio) > _MIN_RATIO)
            norm = np.full(len(at), block.norm)
            columns.append(np.column_stack((block.pieces[at], block.terms[at], norm)))
            slope = -2 * ratio[at] * block.first_scale[at]
            values.append(np.column_stack((np.ones(len(at)), slope, ratio[at] ** 2)))
            self._cuts.cone += [index] * len(at)
        added = len(self._cuts.cone) - first
        if added:
            column, value = np.concatenate(columns).ravel(), np.concatenate(values).ravel()
            rows = len(self._extended.row_lower) + first + np.arange(added)
            self._cuts.row.append(np.repeat(rows, 3))
            self._cuts.column.append(column)
            self._cuts.value.append(value)
            start = np.arange(0, 3 * added + 1, 3)
            self.linear.add_rows(SparseRows(start, column, value), 0.0, np.inf)
        return added


# The program with its norms and pieces ---------------------------------------------------------


def _terms(cone: Cone, x: np.ndarray) -> np.ndarray:
    return np.append(x[cone.spread], cone.mix(x))


def _weights(cone: Cone, block: _Block) -> np.ndarray:
    """Of the pieces in their sum."""
    return (np.append(cone.scale, np.ones(len(cone.shared))) / block.first_scale) ** 2


def _blocks(model: Model, cones: Sequence[Cone]) -> list[_Block]:
    """After the program's own columns each cone has its norm, its pieces, then its terms of several
    columns; after its rows each has its reading, the sum of its pieces, then those terms."""
    blocks = []
    column, row = len(model.cost), len(model.row_lower)
    for cone in cones:
        count = len(cone.shared)
        pieces = column + 1 + np.arange(len(cone.spread) + count)
        shared = column + 1 + len(pieces) + np.arange(count)
        first_scale = np.maximum(np.abs(cone.scale), _MIN_SCALE)
        blocks.append(
            _Block(
                norm=column,
                pieces=pieces,
                shared=shared,
                reading_row=row,
                sum_row=row + 1,
                shared_rows=row + 2 + np.arange(count),
                terms=np.append(cone.spread, shared),
                first_scale=np.append(first_scale, np.ones(count)),
            )
        )
        column, row = column + 1 + len(pieces) + count, row + 2 + count
    return blocks


def _extended(model: Model, cones: Sequence[Cone], blocks: Sequence[_Block]) -> Model:
    entries = []
    for cone, block in zip(cones, blocks, strict=True):
        for row, columns, values in (
            (block.reading_row, cone.columns, cone.values),
            (block.reading_row, [block.norm], [-cone.factor]),
            (block.sum_row, block.pieces, _weights(cone, block)),
            (block.sum_row, [block.norm], [-1.0]),
        ):
            entries.append((np.full(len(columns), row), np.asarray(columns), np.asarray(values)))
        for row, term, loading in zip(block.shared_rows, block.shared, cone.shared, strict=True):
            used = np.flatnonzero(loading)
            columns, values = np.append(cone.mixed[used], term), np.append(loading[used], -1.0)
            entries.append((np.full(len(columns), row), columns, values))
    sides, requirements = [], []
    for cone in cones:
        sides += [(cone.minimum, np.inf), (-np.inf, 0.0), *[(0.0, 0.0)] * len(cone.shared)]
        requirements += [cone.requirement] * 2 + [_SHARED_ROW] * len(cone.shared)
    lower, upper = np.array(sides, float).reshape(-1, 2).T
    extended = model.extended(
        sum(1 + len(block.pieces) + len(block.shared) for block in blocks),
        entries,
        row_lower=lower,
        row_upper=upper,
        requirements=requirements,
        name="norms and pieces",
    )
    for block in blocks:
        extended.lower[block.shared] = -np.inf
    return extended


def _put(
    matrix: SparseColumns,
    row: int,
    columns: Sequence[int] | np.ndarray,
    values: Sequence[float] | np.ndarray,
) -> None:
    """Overwrite entries of one row in place."""
    for column, value in zip(columns, values, strict=True):
        entries = slice(matrix.start[column], matrix.start[column + 1])
        matrix.value[entries][matrix.row[entries] == row] = value
