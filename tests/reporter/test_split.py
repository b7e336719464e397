"""Splits add up, keep Shapley's axioms and give published answers."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.reporter.split import bennet, shapley

# Cost of a three-purpose river development, thousand USD: navigation, flood control, power.
# Straffin and Heaney, Game theory and the Tennessee Valley Authority, 1981 (figures and shares
# from memory; the shares follow from the figures).
RIVER_COST = {
    "": 0,
    "n": 163_520,
    "f": 140_826,
    "p": 250_096,
    "fn": 301_607,
    "np": 378_821,
    "fp": 367_370,
    "fnp": 412_584,
}
RIVER_SHARE = {"n": 117_829, "f": 100_756.5, "p": 193_998.5}

DRIVERS = ("a", "b", "c", "d")


@st.composite
def games(draw):
    values = {
        frozenset(some): draw(st.floats(-1e3, 1e3))
        for size in range(len(DRIVERS) + 1)
        for some in itertools.combinations(DRIVERS, size)
    }
    return values.__getitem__


def test_published_game():
    result = shapley(lambda some: RIVER_COST["".join(sorted(some))], "nfp")
    assert result == pytest.approx(RIVER_SHARE, abs=0.6)


@given(games())
def test_parts_add_up_to_the_change(value):
    result = shapley(value, DRIVERS)
    assert math.fsum(result.values()) == pytest.approx(
        value(frozenset(DRIVERS)) - value(frozenset()), abs=1e-9
    )


@given(games())
def test_going_back_takes_back_every_part(value):
    back = shapley(lambda some: value(frozenset(DRIVERS) - some), DRIVERS)
    there = shapley(value, DRIVERS)
    assert back == pytest.approx({d: -a for d, a in there.items()}, abs=1e-9)


@given(games(), st.permutations(DRIVERS))
def test_the_order_in_which_drivers_are_named_does_not_matter(value, order):
    assert shapley(value, order) == pytest.approx(shapley(value, DRIVERS))


@given(games(), st.floats(-100, 100))
def test_a_driver_that_adds_the_same_to_any_set_is_given_just_that(value, step):
    result = shapley(
        lambda some: value(some - {"new"}) + (step if "new" in some else 0.0), (*DRIVERS, "new")
    )
    assert result["new"] == pytest.approx(step, abs=1e-9)
    assert result["a"] == pytest.approx(shapley(value, DRIVERS)["a"], abs=1e-9)


@given(games())
def test_drivers_that_are_alike_are_given_alike(value):
    def alike(some):
        swapped = frozenset({"a": "b", "b": "a"}.get(d, d) for d in some)
        return value(some) + value(swapped)

    parts = shapley(alike, DRIVERS)
    assert parts["a"] == pytest.approx(parts["b"], abs=1e-9)


@settings(max_examples=20)
@given(games(), games())
def test_the_split_of_a_sum_is_the_sum_of_the_splits(one, other):
    both = shapley(lambda some: one(some) + other(some), DRIVERS)
    parts = shapley(one, DRIVERS), shapley(other, DRIVERS)
    assert both == pytest.approx({d: parts[0][d] + parts[1][d] for d in DRIVERS}, abs=1e-9)


def test_every_set_is_valued_once():
    seen = []
    shapley(lambda some: seen.append(some) or float(len(some)), DRIVERS)
    assert len(seen) == len(set(seen)) == 2 ** len(DRIVERS)


def test_bennet_by_hand():
    # two items: shares (.5, .5) to (.6, .4), prices (360, 90) to (370, 100): 10 and 27 of 37
    parts = bennet((360, 90), (0.5, 0.5), (370, 100), (0.6, 0.4))
    assert math.fsum(parts.price) == pytest.approx(10)
    assert math.fsum(parts.quantity) == pytest.approx(27)


@given(st.lists(st.tuples(*[st.floats(-100, 100)] * 4), min_size=1, max_size=6))
def test_two_drivers_shapley_is_bennet(rows):
    p0, q0, p1, q1 = (list(side) for side in zip(*rows, strict=True))

    def value(some):
        prices, quantities = (p1 if "price" in some else p0), (q1 if "quantity" in some else q0)
        return math.fsum(p * q for p, q in zip(prices, quantities, strict=True))

    parts, expected = shapley(value, ("price", "quantity")), bennet(p0, q0, p1, q1)
    assert parts["price"] == pytest.approx(math.fsum(expected.price), abs=1e-6)
    assert parts["quantity"] == pytest.approx(math.fsum(expected.quantity), abs=1e-6)
