"""Forward prices: every point is an entry's own, none is interpolated, and none marks today."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.book import BidOffer, Book, Deal, Pricing, Side
from blend.domain.horizon import Side as QuoteSide
from blend.domain.quotations import Quotation
from blend.errors import InputRefused
from blend.tables.book import bid_offer_of_words
from blend.trader.book import MarkAt
from blend.trader.book_day import book_day
from blend.trader.forward import BID, BOUGHT, OFFER, SOLD, forward_curve

TODAY = date(2026, 11, 25)
QUOTED = [
    Quotation("90s", "beef", 0.9, price / 100, TODAY - timedelta(days=back))
    for back, price in ((0, 349.0), (14, 340.0))
]
MONTHS = ("2026-12", "2027-01", "2027-02", "2027-03")
JANUARY = date(2027, 1, 1)


def quote(number: int, side: QuoteSide, month: str, price: float, **more) -> BidOffer:
    return BidOffer(f"Q-{number}", side, "90s", 40_000, price, TODAY, TODAY, month, **more)


@given(
    st.lists(
        st.tuples(st.sampled_from(QuoteSide), st.sampled_from(MONTHS), st.integers(300, 400)),
        max_size=8,
    )
)
def test_each_point_is_the_best_entry_of_its_month_and_empty_months_have_none(drawn):
    quotes = tuple(quote(number, *each) for number, each in enumerate(drawn))
    curve = forward_curve(Book((), quotes), QUOTED)
    best = {}
    for side, month, price in drawn:
        key = "90s", date.fromisoformat(f"{month}-01"), str(side)
        other = best.get(key, price)
        best[key] = max(price, other) if side is QuoteSide.BID else min(price, other)
    assert {key: each.usd_per_cwt for key, each in curve.points.items()} == best
    last = max((month for _, month, _ in best), default=None)
    priced = {month for _, month, _ in best}
    between = [date.fromisoformat(f"{month}-01") for month in MONTHS]
    gaps = [each for each in between if last and each < last and each not in priced]
    assert [month for _, month in curve.gaps] == gaps


def test_a_contract_counts_at_its_basis_landed_and_an_old_one_is_left_out():
    then = TODAY - timedelta(days=14)
    sold = Deal("D-1", then, Side.SELL, "90s", 40_000, -2.0, Pricing.FORMULA,
                delivery_month="2027-01")  # fmt: skip
    bought = Deal("D-2", then, Side.BUY, "90s", 40_000, 330.0, to_land_usd_per_cwt=4.0,
                  delivery_month="2027-01")  # fmt: skip
    old = replace(sold, deal_id="D-3", traded_on=TODAY - timedelta(days=60),
                  delivery_month="2027-03")  # fmt: skip
    curve = forward_curve([sold, bought, old], QUOTED)
    points = {side: each.over_spot_usd_per_cwt for (_, _, side), each in curve.points.items()}
    assert points == {SOLD: -2.0, BOUGHT: 330 + 4 - 340}
    assert curve.old == ("D-3",) and set(curve.unpriced) == {("90s", date(2027, 3, 1))}


def test_expired_and_own_quotes_are_left_out_and_a_month_later_marks_nothing_today():
    held = Deal("D-1", TODAY, Side.BUY, "90s", 40_000, 340.0)
    forward = quote(1, QuoteSide.BID, "2027-01", 360.0)
    others = (
        replace(forward, quote_id="Q-2", price_usd_per_cwt=370.0, is_ours=True),
        replace(forward, quote_id="Q-3", price_usd_per_cwt=380.0, given_on=TODAY - timedelta(7),
                good_until=TODAY - timedelta(1)),
    )  # fmt: skip
    book = Book((held,), (forward, *others))
    assert forward_curve(book, QUOTED).points["90s", JANUARY, BID].rests_on == "Q-1"
    day = book_day(book, QUOTED, mark_at=MarkAt.EXIT)
    assert day.figures["unrealized_usd"] == pytest.approx(400 * (349 - 340))


def test_a_bid_over_an_offer_is_pointed_out():
    crossed = (quote(1, QuoteSide.BID, "2027-01", 350), quote(2, QuoteSide.OFFER, "2027-01", 349))
    curve = forward_curve(Book((), crossed), QUOTED)
    assert {side for _, _, side in curve.points} == {BID, OFFER}
    assert "Q-1" in curve.screen().split("WATCH")[1]


@pytest.mark.parametrize("month", ["2026-13", "Dec 2026", "2026"])
def test_a_month_that_is_none_is_refused(month):
    words = {"quote_id": "Q-1", "side": "bid", "item_id": "90s", "pounds_lb": "1 load",
             "price_usd_per_cwt": "350", "given_on": "2026-11-25", "good_until": "2026-11-27",
             "delivery_month": month}  # fmt: skip
    with pytest.raises(InputRefused, match="delivery_month"):
        bid_offer_of_words(words)
