"""The words of an explanation say what was put back, how sure it is, and never a cause."""

from __future__ import annotations

import re
from types import SimpleNamespace

from blend.reporter.explained import Contribution, Explained, ItemMove, Observed
from blend.reporter.mixed import Driver
from blend.reporter.recipes import LotShift, RecipeSplit
from blend.show.why import counterfactual_lines, move_table, recipe_table, unexplained_lines

NEXT = Explained(
    3.0,
    3.2,
    (
        Contribution(Driver.IMPORTED_SUPPLY, 0.25, 2.95, 0.02),
        Contribution(Driver.ORDERS, -0.05, 3.25),
        Contribution(Driver.RULES, 0.0, 3.2),
    ),
)


def test_each_driver_that_matters_is_put_back_the_largest_first():
    lines = counterfactual_lines(NEXT, "90s")
    assert lines == [
        "Had imported availability been as before, all else as after, 90s would be worth 295.00"
        " USD/cwt instead of 320.00 USD/cwt: 25.00 USD/cwt less.",
        "Had orders been as before, all else as after, 90s would be worth 325.00 USD/cwt instead"
        " of 320.00 USD/cwt: 5.00 USD/cwt more.",
    ]


def told(move, error=None):
    return " ".join(unexplained_lines(ItemMove(NEXT, NEXT, Observed(move, error))))


def test_what_is_unexplained_is_held_against_its_error():
    assert "Not explained: +2.00 USD/cwt ± 1.50. That is within two" in told(0.22, 0.015)
    assert "beyond two standard errors" in told(0.30, 0.015)
    assert "cannot be told without" in told(0.22)


def test_no_word_claims_a_cause():
    words = told(0.22, 0.015) + " ".join(counterfactual_lines(NEXT, "90s"))
    assert not re.search(r"\b(caused|because|due to|drove|driven by|led to)\b", words)


def test_a_degenerate_shows_the_last_pound_beside_the_next():
    last = Explained(3.0, 3.4, NEXT.contributions)
    one, two = move_table(ItemMove(NEXT, NEXT), "t"), move_table(ItemMove(NEXT, last), "t")
    assert len(two.columns) == len(one.columns) + 1
    assert "kink" in two.note and "kink" not in one.note


def test_lots_that_moved_less_are_told_together():
    lots = tuple(LotShift(f"L{n:02}", 0.1, 0.2, 10.0 * n, -3.0 * n) for n in range(1, 16))
    split = RecipeSplit(1200.0, -360.0, 0.0, 0.0, 0.0, 0.0, lots)
    table = recipe_table(SimpleNamespace(recipe=split))
    (_, _, _, *whole), *rows = table.rows
    assert [sum(row[column] for row in rows) for column in (3, 4)] == whole == [1200, -360]
    assert rows[-1] == ("  3 other lots", None, None, 60, -18)


def test_parts_that_do_not_add_up_once_rounded_say_so():
    third = 0.01 / 3  # of a dollar a pound: a third of a dollar a cwt
    drivers = (Driver.ORDERS, Driver.RULES, Driver.OTHER_PRICES)
    parts = tuple(Contribution(driver, third, 3.0) for driver in drivers)
    move = Explained(3.0, 3.01, parts)
    assert "the parts add up to 0.99." in move_table(ItemMove(move, move), "t").note
    assert "Rounded" not in move_table(ItemMove(NEXT, NEXT), "t").note


def test_parts_shown_add_up_to_the_move_shown():
    table = move_table(ItemMove(NEXT, NEXT), "t")
    parts = [row[1] for row in table.rows[1:-2]]
    assert abs(sum(parts) - table.rows[-1][1]) < 0.005 * len(parts)
