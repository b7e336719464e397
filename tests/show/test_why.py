"""The words of an explanation say what was put back, how sure it is, and never a cause."""

from __future__ import annotations

import re

from blend.report.explained import Contribution, Explained, ItemMove, Observed
from blend.report.mixed import Driver
from blend.show.why import counterfactual_lines, move_table, unexplained_lines

NEXT = Explained(
    3.0,
    3.2,
    (
        Contribution(Driver.IMPORTED_AVAILABILITY, 0.25, 2.95, 0.02),
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


def test_a_kink_shows_the_last_pound_beside_the_next():
    last = Explained(3.0, 3.4, NEXT.contributions)
    one, two = move_table(ItemMove(NEXT, NEXT), "t"), move_table(ItemMove(NEXT, last), "t")
    assert len(two.columns) == len(one.columns) + 1
    assert "kink" in two.note and "kink" not in one.note


def test_parts_shown_add_up_to_the_move_shown():
    table = move_table(ItemMove(NEXT, NEXT), "t")
    parts = [row[1] for row in table.rows[1:-2]]
    assert abs(sum(parts) - table.rows[-1][1]) < 0.005 * len(parts)
