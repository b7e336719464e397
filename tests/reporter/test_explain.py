"""An explanation says what was left as it was, how sure that is, and never a cause by itself."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from blend.domain.certificates import Certified
from blend.reporter.explain import Moved, parts_frame
from blend.reporter.explained import Contribution, Explained, ItemMove, Observed
from blend.reporter.mixed import Driver

NEXT = Explained(
    3.0,
    3.2,
    (
        Contribution(Driver.IMPORTED_SUPPLY, 0.25, 2.95, 0.02),
        Contribution(Driver.ORDERS, -0.05, 3.25),
        Contribution(Driver.RULES, 0.0, 3.2),
    ),
)


def moved(quote=None, error=None, explained=NEXT):
    seen = None if quote is None else Observed(quote, error)
    sides = {each.driver: () for each in explained.contributions}
    certified = Certified(8, 0.0, ())
    move = ItemMove(explained, explained, seen)
    return Moved("fresh 90s", "B90-1", move, "on Nov 18", sides, certified)


def screen(*given, **more):
    return " ".join(moved(*given, **more).screen(["all"]).split())


def test_no_word_claims_a_cause():
    for given in ((), (0.22, 0.015), (0.22,)):
        assert not re.search(r"\b(caused|because|due to|drove|driven by|led to)\b", screen(*given))


def test_a_move_that_gets_no_headline_offers_none_to_print():
    assert "You can print" not in screen(0.9, 0.01)
    assert "You can print" in screen(0.21, 0.01)
    assert len(moved(0.9, 0.01).quotable) == 1


def test_a_degenerate_optimum_shows_the_last_pound_next_to_the_next():
    last = replace(NEXT, contributions=(replace(NEXT.contributions[0], amount=0.3),
                                        *NEXT.contributions[1:]))  # fmt: skip
    assert parts_frame(ItemMove(NEXT, NEXT)).last_part_usd_per_cwt.isna().all()
    assert parts_frame(ItemMove(NEXT, last)).last_part_usd_per_cwt.tolist() == [30, -5, 0]


def test_parts_add_up_to_the_move():
    parts = parts_frame(ItemMove(NEXT, NEXT))
    assert parts.part_usd_per_cwt.sum() == pytest.approx(NEXT.change * 100)
