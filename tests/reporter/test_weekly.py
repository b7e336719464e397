"""The weekly report: its numbers recounted from the entries, its script timed, its page printed."""

from __future__ import annotations

import re
from datetime import date, timedelta

import pytest

from blend.errors import InputRefused
from blend.reporter.weekly import LOAD_LB, weekly
from blend.store import Store
from blend.tables.history import read_history
from blend.tables.method import read_method
from tests.attack.targets import DEMO

FRIDAY = date(2026, 11, 20)


@pytest.fixture(name="store", scope="module")
def demo_store(tmp_path_factory):
    with Store.create(tmp_path_factory.mktemp("weekly") / "market.sqlite") as store:
        store.add(read_history(DEMO / "history").additions)
        yield store


@pytest.fixture(name="week", scope="module")
def demo_week(store):
    return weekly(store, FRIDAY - timedelta(days=2), read_method().method)


def test_the_week_is_recounted_from_its_trades(store, week):
    """An independent recount: pounds and weighted average of the week's fresh 90s trades."""
    days = (FRIDAY - timedelta(days=4), FRIDAY)
    trades = [e for e in store.entries("90s", days) if e.kind == "trade"]
    row = week.week.set_index("item_id").loc["90s"]
    assert row.week_trades == len(trades)
    assert row.week_loads == pytest.approx(row.volume_lb / LOAD_LB)
    assert row.volume_lb <= sum(e.pounds_lb for e in trades)
    assert row.low_usd_per_cwt <= row.week_usd_per_cwt <= row.high_usd_per_cwt


def test_the_spread_is_lean_less_fat_and_moves_count_each_item_once(week):
    table = week.week.set_index("item_id").week_usd_per_cwt
    assert week.spread == pytest.approx(table["90s"] - table["50s"])
    up, down, flat = week.breadth
    assert len({*up, *down, *flat}) == len(up) + len(down) + len(flat)
    moved = week.week.set_index("item_id").on_week_usd_per_cwt.dropna()
    assert len(moved) == len(up) + len(down) + len(flat)


def test_year_to_date_is_left_out_where_most_weeks_cannot_be_compared(week):
    assert week.supply.year_to_date_percent.isna().all()
    assert "No year to date" in week.foot() and "weeks 1 to 39" in week.foot()


def test_the_script_takes_about_a_minute_and_says_numbers_as_one_does(week):
    words = len(week.script().split())
    assert 60 <= words / 150 * 60 <= 90  # at 150 words a minute
    assert not re.search(r"\$|%|\d\.\d", week.script())


def test_markdown_and_page_give_the_same_figures(week):
    price = f"{week.lean.price:.2f}"
    assert price in week.markdown() and price in week.html() and week.html().count("<svg") == 3


def test_a_week_without_entries_names_the_latest_day(store):
    with pytest.raises(InputRefused, match="Nov 20, 2026"):
        weekly(store, FRIDAY + timedelta(days=60), read_method().method)
