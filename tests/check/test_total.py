"""The sum of exact fractions, in any order."""

from __future__ import annotations

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from blend.domain.exact import total


@given(st.lists(st.fractions(max_denominator=10**12), max_size=12))
def test_a_total_is_what_adding_one_by_one_gives(fractions):
    assert total(iter(fractions)) == sum(fractions, Fraction(0))
