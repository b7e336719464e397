"""Parametric linear programming: a concave piecewise linear function found exactly from tangents.

The optimum of a linear program is concave and piecewise linear in its costs, and minus its optimum
is so in its bounds (Bertsimas and Tsitsiklis, Introduction to Linear Optimization, 1997, section
5.5, from memory). Wherever the function is evaluated, its solution gives a tangent: one that
touches it there and is nowhere below it. Where known tangents meet, the function is evaluated: if
it touches, that is a breakpoint and concavity shows that nothing between is missing; if it is
lower, the new tangent is added (outer approximation, as in Kelley, Journal of the SIAM 8, 1960;
for one number, Eisner and Severance, Journal of the ACM 23, 1976; both from memory).

`trace` does this for a function of one number, `tile` for a function of two.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

_UNDECIDED = 1e-7
"""What the solver leaves undecided in a slope or a place: its own tolerance."""
_ROUNDING = 1e-11
"""Of a value, what adding up its many terms may lose."""
SAME_PLACE = 1e-7
"""Corners closer than this, as a share of the window, are one; smaller cells are dropped."""

Place = tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Tangent:
    """Touches the function somewhere and is nowhere below it; one slope for each number."""

    at_zero: float
    slopes: Place

    @classmethod
    def through(cls, place: Place, value: float, slopes: Place) -> Tangent:
        return cls(value - sum(a * b for a, b in zip(slopes, place, strict=True)), slopes)

    @property
    def slope(self) -> float:
        """Of a function of one number."""
        return self.slopes[0]

    def at(self, *place: float) -> float:
        return self.at_zero + sum(a * b for a, b in zip(self.slopes, place, strict=True))

    def over(self, places: np.ndarray) -> np.ndarray:
        """Its heights over places, whose last axis is the numbers."""
        return self.at_zero + places @ np.array(self.slopes)


def min_gap(value: float, slope_difference: float) -> float:
    """A distance between function and tangents beyond the solver's tolerance."""
    return _UNDECIDED * slope_difference + _ROUNDING * max(1.0, abs(value))


# One number --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Envelope:
    """The function between its ends: `tangents[i]` is it from `ends[i]` to `ends[i + 1]`."""

    tangents: tuple[Tangent, ...]
    ends: tuple[float, ...]
    solves: int
    gap: float
    """Most that the function was found to differ from the tangents that meet at a breakpoint."""


def trace(
    tangent: Callable[[float], Tangent], left: Tangent, right: Tangent, low: float, high: float
) -> Envelope:
    """All pieces of a concave function from `low` to `high`, k of them in 2k - 1 evaluations.

    `left` touches it at `low` and `right` at `high`, which may be infinite if `right` touches it
    from some place on. `tangent(place)` evaluates the function.
    """
    tangents, solves, gap = [left, right], 0, 0.0
    open_pairs = [(left, right)]
    while open_pairs:
        one, other = open_pairs.pop()
        fall = one.slope - other.slope
        if fall <= _UNDECIDED * max(1.0, abs(one.slope), abs(other.slope)):
            continue
        place = min(max(_meeting(one, other), low), high)
        new = tangent(place)
        solves += 1
        below = one.at(place) - new.at(place)
        if below <= min_gap(new.at(place), fall):
            gap = max(gap, abs(below))
        else:
            tangents.append(new)
            open_pairs += [(one, new), (new, other)]
    return Envelope(*lowest(tangents, low, high), solves, gap)


def lowest(
    tangents: list[Tangent], low: float, high: float
) -> tuple[tuple[Tangent, ...], tuple[float, ...]]:
    """The tangents that are lowest somewhere between the ends, from left to right, and where each
    begins and ends."""
    kept: list[Tangent] = []
    begins: list[float] = []
    for each in sorted(tangents, key=lambda each: (-each.slope, each.at_zero)):
        if kept and kept[-1].slope - each.slope <= _UNDECIDED * max(1.0, abs(each.slope)):
            if each.at(begins[-1]) >= kept[-1].at(begins[-1]):
                continue
            kept.pop()
            begins.pop()
        while kept and _meeting(kept[-1], each) <= begins[-1] + _UNDECIDED * 0.1:
            kept.pop()
            begins.pop()
        begin = _meeting(kept[-1], each) if kept else low
        if begin < high:
            kept.append(each)
            begins.append(begin)
    return tuple(kept), (*begins, high)


def _meeting(one: Tangent, other: Tangent) -> float:
    return (other.at_zero - one.at_zero) / (one.slope - other.slope)


# Two numbers -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cell:
    """Where one tangent is the function: a convex polygon, corners x 2, counterclockwise."""

    tangent: Tangent
    corners: np.ndarray


@dataclass(frozen=True)
class Tiling:
    """The window split into cells. Where `is_exact` is False, evaluations ran out first and cells
    may still split."""

    cells: tuple[Cell, ...]
    is_exact: bool
    solves: int
    gap: float
    """Most that the function was found below the cells at a corner that holds."""


def tile(
    tangent: Callable[[tuple[float, float]], Tangent],
    low: tuple[float, float],
    high: tuple[float, float],
    max_solves: int,
) -> Tiling:
    """All cells of a concave function over the window from `low` to `high`."""
    window = np.array([low, (high[0], low[1]), high, (low[0], high[1])], float)
    size = window[2] - window[0]

    def key(corner: np.ndarray) -> tuple[int, int]:
        first, second = np.round((corner - window[0]) / (size * SAME_PLACE))
        return int(first), int(second)

    cells: list[Cell] = []
    holds: set[tuple[int, int]] = set()
    solves, gap = 0, 0.0
    while True:
        corners = [corner for cell in cells for corner in cell.corners] if cells else [window[0]]
        corner = next((each for each in corners if key(each) not in holds), None)
        if corner is None or solves == max_solves:
            return Tiling(tuple(cells), corner is None, solves, gap)
        new = tangent((float(corner[0]), float(corner[1])))
        solves += 1
        height = new.at(*corner)
        known = min((cell.tangent for cell in cells), key=lambda t: t.at(*corner), default=None)
        below = np.inf if known is None else float(known.at(*corner)) - height
        turn = 0.0 if known is None else np.abs(np.subtract(known.slopes, new.slopes)).sum()
        split = _cut_in(cells, new, window, size) if below > min_gap(height, turn) else None
        if split is None:
            gap = max(gap, abs(below))
            holds.add(key(corner))
        else:
            cells = split


def _cut_in(
    cells: list[Cell], new: Tangent, window: np.ndarray, size: np.ndarray
) -> list[Cell] | None:
    """The cells with the new tangent among them; None where it would be lowest nowhere."""
    own = window
    for cell in cells:
        own = _tidy(_where_lower(own, new, cell.tangent), size)
    if not _has_area(own, size):
        return None
    kept = [
        Cell(cell.tangent, _tidy(_where_lower(cell.corners, cell.tangent, new), size))
        for cell in cells
    ]
    return [*(cell for cell in kept if _has_area(cell.corners, size)), Cell(new, own)]


def _where_lower(corners: np.ndarray, one: Tangent, other: Tangent) -> np.ndarray:
    """The part of a convex polygon where `one` is not above `other`."""
    if not len(corners):
        return corners
    above = one.over(corners) - other.over(corners)
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
    """The corners without those that coincide with the one before them."""
    if not len(corners):
        return corners
    steps = np.abs((corners - np.roll(corners, 1, axis=0)) / size).max(axis=1)
    return corners[steps > SAME_PLACE]


def _has_area(corners: np.ndarray, size: np.ndarray) -> bool:
    if len(corners) < 3:
        return False
    x, y = (corners / size).T
    return abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2 > SAME_PLACE**2 * 100
