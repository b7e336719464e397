"""The book of the invented trader: recounted two ways, kept append-only, shown on one screen."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from blend.domain.book import BidOffer, Book, Deal, Limit, LimitKind, QuoteSide, Side, Where
from blend.domain.quotations import Quotation
from blend.errors import FileTrouble, InputRefused
from blend.store.book import BookStore
from blend.tables.book import read_book
from blend.tables.quotations import read_quotations
from blend.trader.book import MarkAt, NoMark
from blend.trader.book_day import book_day

DEMO = Path(__file__).parents[2] / "demo_data" / "book"
DAY = date(2026, 11, 25)


@pytest.fixture(name="book", scope="module")
def demo_book():
    return read_book(DEMO)[0]


@pytest.fixture(name="deals", scope="module")
def demo_deals(book):
    return book.deals


@pytest.fixture(name="quotations", scope="module")
def demo_quotations():
    return read_quotations(DEMO).quotations


def test_an_old_quotation_is_named_and_a_missing_one_refused(book, quotations):
    made = book_day(book, quotations, DAY + timedelta(days=3))
    assert set(made.old_marks.values()) == {DAY} and "none is newer" in made.screen()
    with pytest.raises(NoMark):
        book_day(book, quotations, DAY + timedelta(days=30))


def test_the_book_keeps_every_deal_and_changes_none(tmp_path, deals):
    with BookStore.open(tmp_path / "book.sqlite") as book:
        assert book.add(deals) == len(deals)
        assert book.add(deals) == 0
        assert set(book.book().deals) == set(deals)
        with pytest.raises(InputRefused, match="not in use"):
            book.add([replace(deals[0], price=1.0)])
        with pytest.raises(InputRefused, match="D-112"):
            book.add([replace(deals[0], deal_id="D-200", corrects="D-109")])
        with pytest.raises(DatabaseError), book._engine.begin() as connection:
            connection.execute(text("UPDATE deals SET price = 1"))
    assert (tmp_path / "book.sqlite").stat().st_mode & 0o077 == 0


def test_two_corrections_of_one_deal_are_refused_in_a_table_and_in_the_book(tmp_path, deals):
    last = next(each for each in deals if each.deal_id == "D-112")
    twice = [*deals, replace(last, deal_id="D-200")]
    with BookStore.open(tmp_path / "book.sqlite") as book:
        with pytest.raises(InputRefused, match="D-112, which corrected it"):
            book.add(twice)
        with pytest.raises(InputRefused, match="does not take the place"):
            book.add([replace(deals[0], corrects="D-101")])
        assert not book.book().deals
    (tmp_path / "deals.csv").write_text(
        (DEMO / "deals.csv").read_text()
        + "D-200,2026-11-18,buy,73s,38500,224"
        + "," * 15
        + "D-109,\n"
    )
    with pytest.raises(InputRefused, match="D-112, which corrected it"):
        read_book(tmp_path)


_DEAL = {"deal_id": "X", "traded_on": "2026-11-25", "side": "buy", "item_id": "90s",
         "pounds_lb": "1 load", "price": "3"}  # fmt: skip
_QUOTE = {"quote_id": "Q", "side": "bid", "item_id": "90s", "pounds_lb": "20 t",
          "price_usd_per_cwt": "340", "given_on": "2026-11-25",
          "good_until": "2026-11-26"}  # fmt: skip
_RATE = {"rate": "AUD", "kind": "exchange", "rated_on": "2026-11-25", "value": "0.65"}


@pytest.mark.parametrize(
    ("table", "sound", "wrong", "column"),
    [
        ("deals", _DEAL, {"price": "-3"}, "price"),
        ("deals", _DEAL, {"priced_on": "2026-11-25"}, "priced_on"),
        ("deals", _DEAL, {"corrects": "Y"}, "corrects"),
        ("deals", _DEAL, {"withdrawn": "yes"}, "withdrawn"),
        ("deals", _DEAL, {"side": "hold"}, "side"),
        ("deals", _DEAL, {"pricing": "basis", "currency": "AUD"}, "currency"),
        ("deals", _DEAL, {"currency": "NZD"}, "currency"),
        ("deals", _DEAL, {"freight_lane": "AUD"}, "freight_lane"),
        ("deals", _DEAL, {"takes": "Q-9"}, "takes"),
        ("bids_offers", _QUOTE, {"good_until": "2026-11-24"}, "good_until"),
        ("limits", {"kind": "item"}, {}, "max_lb"),
        ("limits", {"kind": "lean", "max_lb": "5 loads"}, {"max_usd": "3"}, "max_usd"),
    ],
)
def test_a_faulty_row_of_the_book_is_refused_at_its_cell(tmp_path, table, sound, wrong, column):
    rows = {"deals": _DEAL, "bids_offers": _QUOTE, "book_rates": _RATE, table: sound | wrong}
    for name, cells in rows.items():
        text = "\n".join([",".join(cells), ",".join(cells.values())])
        (tmp_path / f"{name}.csv").write_text(f"{text}\n")
    with pytest.raises(InputRefused) as refused:
        read_book(tmp_path)
    assert [each.column for each in refused.value.problems] == [column]


@pytest.mark.parametrize(
    ("pounds", "price", "lb", "usd_per_cwt"),
    [
        ("2 loads", "341.50", 80_000, 341.50),
        ("20 t", "3.415/lb", 44_092.45, 341.50),
        ("18,000 kg", "341.5 cents/lb", 39_683.21, 341.50),
        ("400 cwt", "$7.53/kg", 40_000, 341.555),
    ],
)
def test_a_deal_takes_the_units_of_the_trade(tmp_path, pounds, price, lb, usd_per_cwt):
    cells = _DEAL | {"pounds_lb": f'"{pounds}"', "price": price}
    (tmp_path / "deals.csv").write_text(f"{','.join(cells)}\n{','.join(cells.values())}\n")
    (deal,) = read_book(tmp_path)[0].deals
    assert deal.pounds_lb == pytest.approx(lb) and deal.price == pytest.approx(
        usd_per_cwt, abs=0.01
    )


def test_limits_bids_and_basis_deals_are_on_the_first_screen(book, quotations):
    shown = book_day(book, quotations, DAY)
    text = " ".join(shown.screen().split())
    assert shown.breaches == ["Open with Grinder J: $254,400, $4,400 over its limit of $250,000."]
    assert shown.breaches[0] in text
    assert "Q-28" in text and "expired" in text  # good on the day before, and no longer
    assert "D-115 must be priced off 90s by Dec 1, 2026." in text
    assert {each.quote.quote_id for each in shown.quotes} == {
        f"Q-{number}" for number in range(30, 43)
    }
    later = book_day(book, quotations, DAY + timedelta(days=5))
    assert "D-115 must be" in later.screen() and len(later.quotes) == 9


def test_an_item_sold_out_and_no_longer_quoted_hides_no_limit():
    bought, sold = (
        Deal(f"D-{side}", DAY, side, "old item", 4e4, 200.0, where=Where.CONTRACT) for side in Side
    )
    held = Deal("D-3", DAY, Side.BUY, "90s", 4e4, 330.0)
    limits = (Limit(LimitKind.LEAN, max_lb=30_000), Limit(LimitKind.FAT, max_lb=30_000))
    quotes = [Quotation("90s", "beef", 0.9, 3.40, day) for day in (DAY, DAY + timedelta(7))]
    shown = book_day(Book((bought, sold, held), limits=limits), quotes)
    assert shown.breaches == ["Net lean: 36,000 lb, 6,000 lb over its limit of 30,000 lb."]
    assert "old item has no quotation" in " ".join(shown.screen().split())


def test_a_long_position_is_marked_at_bids_and_a_short_one_at_offers_as_far_as_they_go():
    quote = Quotation("90s", "beef", 0.9, 3.40, DAY)
    side = {"bid": QuoteSide.BID, "offer": QuoteSide.OFFER}
    quotes = [
        BidOffer(f"Q{n}", side[words], "90s", 4e4, price, DAY, DAY, is_ours=ours)
        for n, (words, price, ours) in enumerate(
            [("bid", 337, False), ("bid", 338, False), ("bid", 339, True), ("offer", 343, False)]
        )
    ]
    for which, pounds_lb, mark in (
        (Side.BUY, 4e4, 338.0), (Side.SELL, 4e4, 343.0),
        (Side.BUY, 8e4, 337.5), (Side.BUY, 16e4, (338 + 337 + 2 * 340) / 4),
    ):  # fmt: skip
        deal = Deal("D", DAY, which, "90s", pounds_lb, 330.0)
        book = Book((deal,), tuple(quotes))
        assert book_day(book, [quote], mark_at=MarkAt.EXIT).held["90s"].mark_usd_per_cwt == mark
    taken = replace(deal, takes="Q3", side=Side.SELL)
    shown = book_day(Book((taken,), tuple(quotes)), [quote], mark_at=MarkAt.EXIT)
    assert shown.held["90s"].mark_usd_per_cwt == 340.0  # the offer is taken: the quotation


def test_a_book_of_an_older_version_is_brought_up_to_date_and_a_later_one_refused(tmp_path, deals):
    old = tmp_path / "old.sqlite"
    names = ["deal_id", "traded_on", "side", "item_id", "pounds_lb", "price", "pricing",
             "priced_on", "counterparty", '"where"', "delivery_month", "currency", "lean_claim",
             "recorded_on", "corrects", "withdrawn"]  # fmt: skip
    with closing(sqlite3.connect(old)) as connection, connection:
        connection.execute(f"CREATE TABLE deals (added_at, {', '.join(names)})")
        connection.execute(
            "INSERT INTO deals VALUES ('2026-11-01 10:00:00.000000', 'D-1', '2026-10-21', 'buy', "
            "'90s', 80000, 331.5, 'fixed', NULL, 'Packer A', 'stock', '2026-10', 'USD', "
            "'not_agreed', NULL, '', 0)"
        )
    with BookStore.open(old) as book:
        assert book.book().deals == (
            Deal("D-1", date(2026, 10, 21), Side.BUY, "90s", 80_000, 331.5,
                 counterparty="Packer A", delivery_month="2026-10"),
        )  # fmt: skip
        assert book.add(deals) == len(deals)
    with BookStore.open(old) as book:
        assert len(book.book().deals) == len(deals) + 1
        with book._engine.begin() as connection:
            connection.execute(text("INSERT INTO book_versions VALUES (99, '2026-11-30')"))
    with pytest.raises(FileTrouble, match="later blend"):
        BookStore.open(old)
