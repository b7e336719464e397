"""The note names a cause only where the model explains the move."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import pytest

from blend.reporter.mixed import Driver
from blend.reporter.note_text import lead_why, why
from tests.reporter.test_headline import moved

VOLUME = SimpleNamespace(series_id="availability", item_id="90s", period_end=date(2026, 11, 6))


def news(move):
    explained = SimpleNamespace(
        item_id="90s",
        since=date(2026, 10, 16),
        why=SimpleNamespace(price=move, markets=8),
        volumes=(VOLUME,),
    )
    return SimpleNamespace(explanations=(explained,), talk=())


def words(sentences):
    return " ".join(part for each in sentences for part in each.parts if isinstance(part, str))


@pytest.mark.parametrize(
    ("move", "said"),
    [
        (moved(0.5, 1, IMPORTED_SUPPLY=15), "did not move beyond the error"),
        (moved(30, 1, FRESH_SUPPLY=2), "Our model does not explain this move."),
        (moved(30, None, FRESH_SUPPLY=20), "Error of the quotation not given"),
    ],
)
def test_no_cause_in_the_news_sentence_or_the_heading(move, said):
    short = words(lead_why(news(move)))
    assert said in short
    assert not any(driver in short for driver in Driver)
    section = why(news(move))
    assert section.heading == "What the model says"
    told = words(section.blocks[0].sentences)
    before_parts = told.partition("What the model says")[0]
    assert said in before_parts and not any(driver in before_parts for driver in Driver)


def test_a_move_the_model_explains_names_its_driver():
    found = news(moved(10, 1, FRESH_SUPPLY=9, model_error=1))
    assert "fresh supply" in words(lead_why(found))
    assert why(found).heading == "Why it moved"
