"""The benchmark of cones: every way must come to the same cost."""

from __future__ import annotations

import pytest

from tests.bench.safe import time_cones


@pytest.mark.parametrize("size", [(20, 4), pytest.param((60, 12), marks=pytest.mark.slow)], ids=str)
def test_every_way_agrees_with_the_conic_solver(size):
    times = time_cones(*size)
    assert len(times) == 5
    assert all(time.agrees for time in times)
    certified = [time for time in times if time.gap_share is not None]
    assert len(certified) == 3
    assert all(time.gap_share <= 1e-7 for time in certified)
