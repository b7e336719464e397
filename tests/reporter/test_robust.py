"""Robust middles: published definitions, small cases by hand, and what no weight can do."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.reporter.robust import capped, huber_location, median, weighted_median

prices = st.floats(50, 500)
weighted = st.lists(st.tuples(prices, st.floats(0.1, 10)), min_size=1, max_size=9)


def test_weighted_median_by_hand():
    assert median([3, 1, 2]) == 2
    assert median([4, 1, 2, 3]) == 2.5
    assert weighted_median([1, 2, 3], [1, 1, 5]) == 3
    assert weighted_median([1, 2, 3], [2, 1, 1]) == 1.5


@given(weighted)
def test_no_more_than_half_of_the_weight_lies_on_either_side(pairs):
    numbers, weights = zip(*pairs, strict=True)
    middle = weighted_median(numbers, weights)
    half = math.fsum(weights) / 2 * (1 + 1e-9)
    assert math.fsum(w for x, w in pairs if x < middle) <= half
    assert math.fsum(w for x, w in pairs if x > middle) <= half


def test_huber_is_the_mean_where_nothing_is_far_and_bounded_where_something_is():
    near = [10.0, 11.0, 12.0, 13.0]
    assert huber_location(near, [1, 1, 1, 1], 10.0, 1.345) == pytest.approx(11.5)
    # By hand: three within, one pulling 1.345: sum(x - t) = -1.345 for 9.5, 10, 10.5.
    far = [9.5, 10.0, 10.5, 1000.0]
    assert huber_location(far, [1] * 4, 1.0, 1.345) == pytest.approx(10 + 1.345 / 3)


@given(weighted, st.floats(0.5, 20))
def test_huber_moves_with_the_prices_and_lies_among_them(pairs, scale):
    numbers, weights = zip(*pairs, strict=True)
    here = huber_location(numbers, weights, scale, 1.345)
    there = huber_location([x + 7 for x in numbers], weights, scale, 1.345)
    assert there == pytest.approx(here + 7, abs=1e-5)
    assert min(numbers) - 1e-6 <= here <= max(numbers) + 1e-6


@given(st.lists(st.floats(0.01, 100), min_size=1, max_size=9), st.floats(0.15, 1))
def test_capped_weights_are_shares_in_the_same_order(weights, cap):
    shares = capped(weights, cap)
    assert math.fsum(shares) == pytest.approx(1)
    if len(weights) * cap > 1:
        assert max(shares) <= cap + 1e-9
    ordered = [share for _, share in sorted(zip(weights, shares, strict=True))]
    assert all(a <= b + 1e-9 for a, b in pairwise(ordered))
