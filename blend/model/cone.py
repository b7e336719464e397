"""Limits that hold with a probability, as second-order cones.

A cone asks that a linear reading keep a distance from its least:

    values · x − least >= factor × ‖ scale · x, shared x ‖

where `shared` are terms of several columns each, as errors that lots have in common bring.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from blend.domain.requirements import Requirement
from blend.model.arrays import Model

_INSIDE = 1e-9
_INSIDE_AT_MAX = 2e-7
"""A reading is inside when its shortfall is below this share of the norm, or below what the
linear solver itself leaves of a row."""


@dataclass(frozen=True)
class Cone:
    """`values` · x[`columns`] − `minimum` >= `factor` × norm of `scale` · x[`spread`] and `shared`
    x[`mixed`]."""

    columns: np.ndarray
    values: np.ndarray
    minimum: float
    factor: float
    spread: np.ndarray
    scale: np.ndarray
    requirement: Requirement | None = None
    mixed: np.ndarray = field(default_factory=lambda: np.zeros(0, int))
    shared: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))
    """Terms × columns of `mixed`."""

    def norm(self, x: np.ndarray) -> float:
        return float(np.linalg.norm(np.append(self.scale * x[self.spread], self.mix(x))))

    def mix(self, x: np.ndarray) -> np.ndarray:
        """The terms of several columns each."""
        return self.shared @ x[self.mixed]

    def slope(self, x: np.ndarray) -> np.ndarray:
        """The norm's derivative at a point, over all columns; zero where the norm is."""
        slope = np.zeros(len(x))
        norm = self.norm(x)
        if norm > 0:
            np.add.at(slope, self.spread, self.scale**2 * x[self.spread] / norm)
            np.add.at(slope, self.mixed, self.mix(x) @ self.shared / norm)
        return slope

    def lacks(self, x: np.ndarray) -> float:
        """How far the reading is from where it must be; zero or below when it is inside."""
        return self.factor * self.norm(x) + self.minimum - float(self.values @ x[self.columns])

    def is_held(self, x: np.ndarray) -> bool:
        return self.lacks(x) <= max(_INSIDE_AT_MAX, _INSIDE * self.factor * self.norm(x))


def holds(model: Model, cones: Sequence[Cone], x: np.ndarray) -> bool:
    """Whether a point keeps rows and cones as closely as the linear solver would."""
    matrix = model.matrix
    terms = matrix.value * x[matrix.column]
    count = len(model.row_lower)
    reading = np.bincount(matrix.row, terms, count)
    allowed = _INSIDE * np.maximum(1.0, np.bincount(matrix.row, np.abs(terms), count))
    return bool(
        (reading >= model.row_lower - allowed).all()
        and (reading <= model.row_upper + allowed).all()
        and all(cone.is_held(x) for cone in cones)
    )
