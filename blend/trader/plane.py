"""A concave function of two numbers, piecewise linear, found exactly from its tangent planes.

The lowest of the planes known so far part the window into convex cells. At every corner of a
cell the function is evaluated: where it passes below, a new plane is found and cut in; where it
touches, the corner holds. When all corners of a cell hold, concavity proves the whole cell
(outer approximation, as in Kelley, Journal of the SIAM 8, 1960, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from blend.trader.envelope import min_gap

SAME_PLACE = 1e-7
"""Corners closer than this, as a share of the window, are one; smaller cells are dropped."""


@dataclass(frozen=True, slots=True)
class Plane:
    """A plane that touches the function somewhere and lies below it nowhere."""

    at_zero: float
    slopes: tuple[float, float]

    @classmethod
    def through(
        cls, place: tuple[float, float], value: float, slopes: tuple[float, float]
    ) -> Plane:
        return cls(value - slopes[0] * place[0] - slopes[1] * place[1], slopes)

    def at(self, places: np.ndarray) -> np.ndarray:
        """The heights over places, an array whose last axis has length 2."""
        return self.at_zero + places @ np.array(self.slopes)


@dataclass(frozen=True)
class Cell:
    """Where one plane is the function: a convex polygon, corners × 2, counter-clockwise."""

    plane: Plane
    corners: np.ndarray


@dataclass(frozen=True)
class Tiling:
    """The window parted into cells. `is_exact` tells that every corner was evaluated; where it
    is False, evaluations ran out and cells may still be parted further."""

    cells: tuple[Cell, ...]
    is_exact: bool
    solves: int
    gap: float
    """How far, at most, the function was found below the cells at a corner that holds."""


def tile(
    tangent: Callable[[tuple[float, float]], Plane],
    low: tuple[float, float],
    high: tuple[float, float],
    max_solves: int,
) -> Tiling:
    """All cells of a concave function over the window from `low` to `high`."""
    window = np.array([low, (high[0], low[1]), high, (low[0], high[1])], float)
    size = window[2] - window[0]
    cells: list[Cell] = []
    held: set[tuple[int, int]] = set()
    solves, gap = 0, 0.0
    while True:
        corner = _open_corner(cells, window, size, held)
        if corner is None or solves == max_solves:
            return Tiling(tuple(cells), corner is None, solves, gap)
        new = tangent(tuple(corner))
        solves += 1
        height = float(new.at(corner))
        planes = [cell.plane for cell in cells]
        lowest = min(planes, key=lambda plane: plane.at(corner), default=None)
        below = np.inf if lowest is None else float(lowest.at(corner)) - height
        turn = 0.0 if lowest is None else np.abs(np.subtract(lowest.slopes, new.slopes)).sum()
        parted = _cut_in(cells, new, window, size) if below > min_gap(height, turn) else None
        if parted is None:
            gap = max(gap, abs(below))
            held.add(_key(corner, window, size))
        else:
            cells = parted


def _open_corner(
    cells: list[Cell], window: np.ndarray, size: np.ndarray, held: set[tuple[int, int]]
) -> np.ndarray | None:
    """A corner at which the function was not evaluated yet; None when there is none."""
    if not cells:
        return window[0]
    return next(
        (
            corner
            for cell in cells
            for corner in cell.corners
            if _key(corner, window, size) not in held
        ),
        None,
    )


def _key(corner: np.ndarray, window: np.ndarray, size: np.ndarray) -> tuple[int, int]:
    first, second = np.round((corner - window[0]) / (size * SAME_PLACE))
    return int(first), int(second)


def _cut_in(
    cells: list[Cell], new: Plane, window: np.ndarray, size: np.ndarray
) -> list[Cell] | None:
    """The cells with the new plane among them; None where it would be lowest nowhere."""
    own = window
    for cell in cells:
        own = _tidy(_where_lower(own, new, cell.plane), size)
    if not _has_area(own, size):
        return None
    kept = [
        Cell(cell.plane, _tidy(_where_lower(cell.corners, cell.plane, new), size)) for cell in cells
    ]
    return [*(cell for cell in kept if _has_area(cell.corners, size)), Cell(new, own)]


def _where_lower(corners: np.ndarray, plane: Plane, other: Plane) -> np.ndarray:
    """The part of a convex polygon where `plane` is not above `other`."""
    if not len(corners):
        return corners
    above = plane.at(corners) - other.at(corners)
    clipped = []
    for index, corner in enumerate(corners):
        before = index - 1
        if above[before] * above[index] < 0:
            share = above[before] / (above[before] - above[index])
            clipped.append(corners[before] + share * (corner - corners[before]))
        if above[index] <= 0:
            clipped.append(corner)
    return np.array(clipped).reshape(-1, 2)


def _tidy(corners: np.ndarray, size: np.ndarray) -> np.ndarray:
    """The corners without those that lie on the one before them."""
    if not len(corners):
        return corners
    steps = np.abs((corners - np.roll(corners, 1, axis=0)) / size).max(axis=1)
    return corners[steps > SAME_PLACE]


def _has_area(corners: np.ndarray, size: np.ndarray) -> bool:
    if len(corners) < 3:
        return False
    x, y = (corners / size).T
    return abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2 > SAME_PLACE**2 * 100
