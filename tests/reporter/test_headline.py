"""A cause gets into a headline only where the quotation moved and the model explains it."""

from __future__ import annotations

import pytest

from blend.reporter.explained import Contribution, Explained, ItemMove, Observed
from blend.reporter.headline import Gate, headline_of
from blend.reporter.mixed import Driver
from blend.units import LB_PER_CWT


def moved(quotation, error, *, model_error=0.0, **parts):
    """A move in USD per cwt: the quotation's, its error, and the model's part of each driver."""
    contributions = tuple(
        Contribution(Driver[name], usd / LB_PER_CWT, 3.0, model_error / LB_PER_CWT)
        for name, usd in parts.items()
    )
    change = sum(each.amount for each in contributions)
    model = Explained(3.0, 3.0 + change, contributions, model_error / LB_PER_CWT)
    seen = None
    if quotation is not None:
        seen = Observed(quotation / LB_PER_CWT, None if error is None else error / LB_PER_CWT)
    return ItemMove(model, model, seen)


def test_a_move_the_model_explains_names_the_largest_driver_of_it():
    found = headline_of(moved(10, 1, FRESH_SUPPLY=8.5, ORDERS=2, RULES=-1))
    assert (found.gate, found.driver.driver) == (Gate.PASSED, Driver.FRESH_SUPPLY)


def test_a_driver_that_pushed_the_other_way_is_not_named():
    found = headline_of(moved(-4, 1, IMPORTED_SUPPLY=20, ORDERS=-13, RULES=-11))
    assert found.driver.driver is Driver.ORDERS


@pytest.mark.parametrize("quotation", [0.0, 1.9, -1.9])
def test_a_quotation_within_its_own_error_has_nothing_to_explain(quotation):
    found = headline_of(moved(quotation, 1, IMPORTED_SUPPLY=quotation or 15))
    assert (found.gate, found.driver) == (Gate.DID_NOT_MOVE, None)


def test_a_quotation_that_stood_still_has_nothing_to_explain_without_an_error_either():
    assert headline_of(moved(0, None, IMPORTED_SUPPLY=15)).gate is Gate.DID_NOT_MOVE


@pytest.mark.parametrize(
    "move",
    [
        moved(30, 1, FRESH_SUPPLY=2),  # a rule the model cannot see
        moved(10, 1, FRESH_SUPPLY=7),  # 3.00 unexplained, beyond 1.96 errors
        moved(10, 9 / 1.96, FRESH_SUPPLY=4),  # within the error, larger than the explained
        moved(10, 1, FRESH_SUPPLY=25, model_error=9),  # overshoots by more than half of it
        moved(10, 1, FRESH_SUPPLY=-1),
        moved(10, None, FRESH_SUPPLY=4),
    ],
)
def test_a_move_the_model_does_not_explain_gets_no_cause(move):
    found = headline_of(move)
    assert (found.gate, found.driver) == (Gate.NOT_EXPLAINED, None)


def test_without_an_error_nearly_all_of_a_clear_move_must_be_explained():
    assert headline_of(moved(10, None, ORDERS=9)).gate is Gate.PASSED
    assert headline_of(moved(10, None, ORDERS=8.9)).gate is Gate.NO_ERROR_GIVEN
    assert headline_of(moved(0.75, None, ORDERS=0.75)).gate is Gate.NO_ERROR_GIVEN


def test_a_driver_that_cannot_be_measured_is_not_named():
    parts = {"ORDERS": 5, "RULES": 5}
    assert headline_of(moved(10, 1, model_error=3, **parts)).gate is Gate.NO_DRIVER


def test_parts_that_could_be_chance_do_not_hide_the_one_that_could_not():
    found = headline_of(moved(10, 1, model_error=4, RULES=12, FRESH_SUPPLY=-5, ORDERS=-3))
    assert found.driver.driver is Driver.RULES
    turned = moved(10, 1, model_error=6, RULES=12, FRESH_SUPPLY=-7, ORDERS=-6)
    assert headline_of(turned).gate is Gate.NOT_EXPLAINED


def test_without_a_quotation_no_cause_is_named():
    assert headline_of(moved(None, None, ORDERS=9)).gate is Gate.NO_CHANGE_GIVEN


def test_the_parts_named_are_those_of_the_pound_checked():
    """A wide range on a degenerate optimum holds any move; its next pound does not explain it."""
    narrow, wide = moved(10, 1, ORDERS=0.1), moved(10, 1, ORDERS=30)
    move = ItemMove(narrow.next, wide.next, narrow.observed)
    assert move.unexplained_usd_per_lb == 0
    assert headline_of(move).gate is Gate.NOT_EXPLAINED
