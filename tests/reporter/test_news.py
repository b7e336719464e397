"""What is taken from many figures into the news of a day."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from blend.reporter.calendar import DayFigure, compare
from blend.reporter.confidential import confidentiality
from blend.reporter.evidence import Use
from blend.reporter.news import ItemNews, quotable, week_breadth
from blend.reporter.note import Figure, Unit
from blend.reporter.note_text import evidence
from blend.reporter.quotation import assess, publication_of
from blend.reporter.quoting import Quoted
from blend.reporter.tone import Tone, standings_of
from blend.reporter.trend import trends_of
from tests.reporter.canvass import ITEM, METHOD, MONDAY, bid, talk, trade

FRIDAY = MONDAY + timedelta(days=11)
"""Of the week after the canvass's first."""


def figures(first_week, second_week, averages=None):
    days = [MONDAY + timedelta(days=7 * week + day) for week in (0, 1) for day in range(5)]
    usd = [*first_week, *second_week]
    traded = averages or usd
    return tuple(
        DayFigure(day, price, 100_000.0, average)
        for day, price, average in zip(days, usd, traded, strict=True)
    )


def news(days, entries=()):
    quoted = Quoted(
        assess(ITEM, FRIDAY, entries, METHOD),
        Tone(
            ITEM,
            trends_of([ITEM], FRIDAY, {ITEM.item_id: entries}, METHOD, [])[ITEM.item_id],
            standings_of(FRIDAY, entries, METHOD, []),
        ),
        confidentiality(ITEM.item_id, FRIDAY, entries, METHOD),
    )
    return ItemNews(quoted, compare(days, FRIDAY), days)


def test_a_move_on_the_week_is_the_smaller_of_those_by_pounds_and_by_days():
    each = news(figures([300] * 5, [303] * 5, [300] * 5 + [305] * 5))
    assert each.week_move == pytest.approx(3)
    assert week_breadth([each]).advances == (ITEM.item_id,)


def test_one_price_far_off_makes_no_move():
    averages = [300] * 5 + [300, 300, 250, 300, 300]
    each = news(figures([300] * 5, [300.5] * 5, averages))
    assert each.week_move == 0
    assert week_breadth([each]).unchanged == (ITEM.item_id,)


def test_with_too_many_days_missing_nothing_is_compared():
    whole = figures([300] * 5, [303] * 5)
    assert news(whole[:4] + whole[5:]).week_move is not None
    assert news(whole[:3] + whole[5:]).week_move is None
    assert week_breadth([news(whole[:3] + whole[5:])]).not_compared == (ITEM.item_id,)


def test_words_that_name_a_firm_are_not_quoted():
    said = [
        talk("Ash", 300, note="demand is heavy"),
        talk("Birch", 300, note="ASH  is buying"),
        talk("Birch", 300, note=" "),
    ]
    assert [entry.note for entry in quotable(said)] == ["demand is heavy"]


def test_figures_of_evidence_rest_on_the_entries_used():
    entries = [
        trade("Ash", 300, 11),
        trade("Birch", 301, 11),
        trade("Cedar", 302, 11),
        bid("Dogwood", 290, 11, is_firm=False),
    ]
    each = news(figures([300] * 5, [303] * 5), entries)
    used = {e.entry.entry_id for e in each.quoted.assessed.evidence if e.use is Use.USED}
    row = evidence([each]).blocks[0].rows[0]
    pounds = row[2]
    assert isinstance(pounds, Figure)
    assert (pounds.value, pounds.unit) == (120_000, Unit.POUNDS)
    assert set(pounds.source.keys) == used
    assert len(used) == 3


def test_a_quotation_carried_past_a_lone_bid_is_shown_only_once_a_reporter_published_it():
    thursday = [trade(firm, 300, 10) for firm in ("Ash", "Birch", "Cedar")]
    carried = news(figures([300] * 5, [303] * 5), [*thursday, bid("Dogwood", 500, 11)])
    assert carried.usd_per_cwt == 300 and not carried.may_be_shown
    at = datetime.now(UTC)
    decided = publication_of(
        carried.quoted.assessed,
        assessor="A. Reporter",
        at=at,
        override_usd_per_cwt=301.0,
        override_reason="confirmed by two sellers by phone",
    )
    assert replace(carried, published=decided).may_be_shown is (
        carried.quoted.confidentiality.may_be_shown
    )
