"""Curves and maps found from tangents, on functions that are known beforehand."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from blend.trader.parametric import Tangent, lowest, tile, trace

lines = st.builds(
    Tangent,
    st.integers(-1000, 1000).map(float),
    st.tuples(st.integers(0, 50).map(lambda slope: 10.0 * slope)),
)
planes = st.builds(
    Tangent,
    st.integers(-1000, 1000).map(float),
    st.tuples(*[st.integers(0, 50).map(lambda slope: 10.0 * slope)] * 2),
)


def _lowest_at(known: list[Tangent], place: float) -> Tangent:
    return min(known, key=lambda line: (line.at(place), line.slope))


@given(st.lists(lines, min_size=1, max_size=12), st.lists(st.floats(0, 10), min_size=1))
def test_every_line_is_found_and_no_more_is_asked_than_needed(known, places):
    asked = []

    def tangent(place: float) -> Tangent:
        asked.append(place)
        return _lowest_at(known, place)

    found = trace(tangent, _lowest_at(known, 0.0), _lowest_at(known, 10.0), 0.0, 10.0)
    for place in places:
        held = next(
            line for line, end in zip(found.tangents, found.ends[1:], strict=True) if place <= end
        )
        assert math.isclose(held.at(place), _lowest_at(known, place).at(place), abs_tol=1e-6)
    assert found.solves == len(asked) <= 2 * len({line.slope for line in known})
    slopes = [line.slope for line in found.tangents]
    assert slopes == sorted(set(slopes), reverse=True)
    assert list(found.ends) == sorted(found.ends)


def test_a_breakpoint_lies_where_the_lines_meet():
    falling, flat = Tangent(0.0, (2.0,)), Tangent(3.0, (0.0,))
    found = trace(lambda place: _lowest_at([falling, flat], place), falling, flat, 0.0, math.inf)
    assert found.tangents == (falling, flat)
    assert found.ends == (0.0, 1.5, math.inf)
    assert found.solves == 1


def test_a_tangent_between_two_steps_leaves_no_step_of_its_own():
    steep, flat = Tangent(0.0, (10.0,)), Tangent(10.0, (0.0,))
    at_the_degenerate = Tangent.through((1.0,), 10.0, (4.0,))
    kept, ends = lowest([steep, at_the_degenerate, flat], 0.0, 5.0)
    assert kept == (steep, flat)
    assert ends == (0.0, 1.0, 5.0)


@given(
    st.lists(planes, min_size=1, max_size=10),
    st.lists(st.tuples(st.floats(0, 10), st.floats(0, 10)), min_size=1, max_size=20),
)
def test_cells_tile_the_window_and_hold_the_lowest_plane(known, places):
    def tangent(place: tuple[float, float]) -> Tangent:
        return min(known, key=lambda plane: float(plane.at(*place)))

    tiling = tile(tangent, (0.0, 0.0), (10.0, 10.0), max_solves=500)
    assert tiling.is_exact
    for place in places:
        by_cells = min(float(cell.tangent.at(*place)) for cell in tiling.cells)
        assert math.isclose(by_cells, float(tangent(place).at(*place)), abs_tol=1e-4)
    area = sum(_area(cell.corners) for cell in tiling.cells)
    assert math.isclose(area, 100.0, rel_tol=1e-9)


def test_a_map_that_runs_out_of_solves_says_so():
    known = [Tangent(-float(slope**2), (float(slope), 0.0)) for slope in range(8)]
    tiling = tile(
        lambda place: min(known, key=lambda plane: float(plane.at(*place))),
        (0.0, 0.0),
        (10.0, 10.0),
        max_solves=3,
    )
    assert not tiling.is_exact
    assert tiling.solves == 3


def _area(corners: np.ndarray) -> float:
    x, y = corners.T
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2
