"""The book of the invented trader: recounted two ways, kept append-only, shown on one screen."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from blend.domain.book import Deal, Pricing, Side
from blend.errors import InputRefused
from blend.store.book import BookStore
from blend.tables.book import read_deals
from blend.tables.quotations import read_quotations
from blend.trader.book import CostMethod, NoMark
from blend.trader.book_day import QuotedMarks, book_day

DEMO = Path(__file__).parents[2] / "demo_data" / "book"
DAY = date(2026, 11, 25)


@pytest.fixture(name="deals", scope="module")
def demo_deals():
    return read_deals(DEMO)[0]


@pytest.fixture(name="quotations", scope="module")
def demo_quotations():
    return read_quotations(DEMO).quotations


@pytest.mark.parametrize("method", CostMethod)
def test_the_total_is_cash_and_the_position_at_its_mark(deals, quotations, method):
    """Recounted from the deals alone, with no cost method at all."""
    made = book_day(deals, quotations, DAY, method=method)
    marks = QuotedMarks(quotations)
    total = 0.0
    for deal in made.deals:
        mark = marks(deal.item_id, DAY).price
        price = deal.price
        if deal.pricing is Pricing.FORMULA:
            price += mark if deal.priced_on is None else marks(deal.item_id, deal.priced_on).price
        total += deal.signed_lb / 100 * (mark - price)
    assert made.total_usd == pytest.approx(total, abs=1e-6)


def test_each_days_profit_is_explained_to_the_dollar(deals, quotations):
    days = sorted({each.quoted_on for each in quotations})
    totals = {day: book_day(deals, quotations, day).total_usd for day in days}
    for before, after in pairwise(days):
        moved = book_day(deals, quotations, after, before=before).moved.values()
        change = sum(each.total_usd for each in moved)
        assert change == pytest.approx(totals[after] - totals[before], abs=1e-6)
        assert sum(each.unexplained_usd for each in moved) == pytest.approx(0, abs=1e-6)


def test_an_old_quotation_is_named_and_a_missing_one_refused(deals, quotations):
    made = book_day(deals, quotations, DAY + timedelta(days=3))
    assert set(made.old_marks.values()) == {DAY} and "none is newer" in made.screen()
    with pytest.raises(NoMark):
        book_day(deals, quotations, DAY + timedelta(days=30))


def test_the_book_keeps_every_deal_and_changes_none(tmp_path, deals):
    with BookStore.open(tmp_path / "book.sqlite") as book:
        assert book.add(deals) == len(deals)
        assert book.add(deals) == 0
        assert set(book.deals()) == set(deals)
        with pytest.raises(InputRefused, match="not in use"):
            book.add([replace(deals[0], price=1.0)])
        with pytest.raises(InputRefused, match="D-112"):
            book.add([replace(deals[0], deal_id="D-200", corrects="D-109")])
        with pytest.raises(DatabaseError), book._engine.begin() as connection:
            connection.execute(text("UPDATE deals SET price = 1"))
    assert (tmp_path / "book.sqlite").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("X,2026-11-25,buy,90s,40000,-3,fixed,,,,,,,,", "price"),
        ("X,2026-11-25,buy,90s,40000,3,fixed,2026-11-25,,,,,,,", "priced_on"),
        ("X,2026-11-25,buy,90s,40000,3,,,,,,,,Y,", "corrects"),
        ("X,2026-11-25,hold,90s,40000,3,,,,,,,,,", "side"),
    ],
)
def test_a_faulty_deal_is_refused_at_its_cell(tmp_path, row, column):
    head = (DEMO / "deals.csv").read_text().splitlines()[0]
    (tmp_path / "deals.csv").write_text(f"{head}\n{row}\n")
    with pytest.raises(InputRefused) as refused:
        read_deals(tmp_path)
    assert [each.column for each in refused.value.problems] == [column]


def test_ten_thousand_deals_are_marked(quotations):
    deals = [
        Deal(f"D{n}", date(2026, 10, 21), list(Side)[n % 2], "90s", 40_000, 330 + n % 7)
        for n in range(10_000)
    ]
    assert book_day(deals, quotations, DAY).held["90s"].net_lb == 0
