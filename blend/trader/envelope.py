"""A concave function of one number, piecewise linear, found exactly from its tangents.

Two tangents meet at one place. If the function passes through it, that is a breakpoint and
concavity proves both lines between their points of touch; if it passes below, the tangent
there is new and parts the interval in two. So k lines cost at most 2k - 1 evaluations, and no
line between is missed (value of a linear program as a function of one price or one bound:
Bertsimas and Tsitsiklis, Introduction to Linear Optimization, 1997, section 5.5, from memory;
the meeting of tangents: Eisner and Severance, Journal of the ACM 23, 1976, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

_PLACE = 1e-7
"""What the solver leaves undecided in a slope or a place: its own tolerance."""
_ROUNDING = 1e-11
"""Of a value, what adding up its many terms may lose."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line that touches the function somewhere and lies below it nowhere."""

    at_zero: float
    slope: float

    @classmethod
    def through(cls, place: float, value: float, slope: float) -> Line:
        return cls(value - slope * place, slope)

    def at(self, place: float) -> float:
        return self.at_zero + self.slope * place


@dataclass(frozen=True, slots=True)
class Envelope:
    """The function between its ends: `lines[i]` holds from `ends[i]` to `ends[i + 1]`."""

    lines: tuple[Line, ...]
    ends: tuple[float, ...]
    solves: int
    """Tangents asked for."""
    gap: float
    """How far, at most, the function was found from the lines that meet at a breakpoint."""


def min_gap(value: float, slope_difference: float) -> float:
    """The distance between function and tangents that is more than the solver's tolerance."""
    return _PLACE * slope_difference + _ROUNDING * max(1.0, abs(value))


def trace(
    tangent: Callable[[float], Line], left: Line, right: Line, low: float, high: float
) -> Envelope:
    """All lines of a concave function from `low` to `high`.

    `left` touches it at `low` and `right` at `high`, which may be infinite if `right` touches
    it from some place on. `tangent(place)` evaluates the function.
    """
    lines, solves, gap = [left, right], 0, 0.0
    open_pairs = [(left, right)]
    while open_pairs:
        one, other = open_pairs.pop()
        fall = one.slope - other.slope
        if fall <= _PLACE * max(1.0, abs(one.slope), abs(other.slope)):
            continue
        place = _between(_meeting(one, other), low, high)
        new = tangent(place)
        solves += 1
        below = one.at(place) - new.at(place)
        if below <= min_gap(new.at(place), fall):
            gap = max(gap, abs(below))
        else:
            lines.append(new)
            open_pairs += [(one, new), (new, other)]
    return Envelope(*lowest(lines, low, high), solves, gap)


def lowest(
    lines: list[Line], low: float, high: float
) -> tuple[tuple[Line, ...], tuple[float, ...]]:
    """The lines that are lowest somewhere between the ends, from left to right, and where each
    begins and ends."""
    kept: list[Line] = []
    begins: list[float] = []
    for line in sorted(lines, key=lambda line: (-line.slope, line.at_zero)):
        if kept and kept[-1].slope - line.slope <= _PLACE * max(1.0, abs(line.slope)):
            if line.at(begins[-1]) >= kept[-1].at(begins[-1]):
                continue
            kept.pop()
            begins.pop()
        while kept and _meeting(kept[-1], line) <= begins[-1] + _PLACE * 0.1:
            kept.pop()
            begins.pop()
        begin = _meeting(kept[-1], line) if kept else low
        if begin < high:
            kept.append(line)
            begins.append(begin)
    return tuple(kept), (*begins, high)


def _meeting(one: Line, other: Line) -> float:
    return (other.at_zero - one.at_zero) / (one.slope - other.slope)


def _between(place: float, low: float, high: float) -> float:
    return min(max(place, low), high)
