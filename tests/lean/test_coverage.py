"""Plans hold the confidence asked for where suppliers are biased."""

from __future__ import annotations

import pytest

from tests.tools.coverage import coverage


@pytest.mark.slow
def test_planted_worlds_hold_the_confidence_asked_for():
    rows, planned = coverage(400)
    assert planned >= 390
    for row in rows:
        assert row.asked - 0.01 <= row.held <= row.asked + 0.02
        assert row.low - 0.02 <= row.asked <= row.high + 0.01
        assert row.independent < row.asked - 0.02


def test_a_few_worlds_hold_about_what_is_asked_and_more_than_if_errors_were_independent():
    ((row,), planned) = coverage(40, (0.95,))
    assert planned >= 39
    assert row.low - 0.02 <= row.asked <= row.high + 0.01
    assert row.held > row.independent + 0.01
