"""Labels of pictures keep their distance."""

from __future__ import annotations

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from blend.show.pictures import spaced


@given(st.lists(st.floats(0, 100), min_size=1, max_size=15), st.floats(0.1, 10))
def test_spaced_keeps_order_and_distance(places, apart):
    moved = spaced(places, apart)
    for one, other in combinations(range(len(places)), 2):
        assert abs(moved[one] - moved[other]) >= apart * (1 - 1e-9) - 1e-9
        if places[one] < places[other]:
            assert moved[one] < moved[other]


def test_spaced_leaves_alone_what_is_far_apart():
    assert spaced([1.0, 5.0, 3.0], 1.5) == [1.0, 5.0, 3.0]
