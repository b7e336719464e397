"""The plan of a book against another statement of it, and what it must never do."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import LinearConstraint, milp

from blend.domain.book import BidOffer, Book, Deal, Where
from blend.domain.book import Side as Way
from blend.domain.horizon import Cooler, Freezing, Side
from blend.domain.quotations import Quotation
from blend.domain.selectors import EVERY_LOT, parse_selector
from blend.errors import InputRefused
from blend.trader.book_plan import book_plan

TODAY = date(2026, 11, 25)
MONTHS = ("", "2026-12", "2027-01", "2027-02")
STARTS = (TODAY, date(2026, 12, 1), date(2027, 1, 1), date(2027, 2, 1))
QUOTED = [
    Quotation("90 CL", "beef", 0.9, 3.24, TODAY, "frozen"),
    Quotation("50s", "beef", 0.5, 0.9, TODAY),
]
HOLD = 0.0003
STORE = Cooler("store", EVERY_LOT, None, HOLD)
LOAD = 40_000


def quote(number: int, side: Side, month: str, price: float, loads: float, item="90 CL"):
    return BidOffer(f"Q{number}", side, item, loads * LOAD, price, TODAY, TODAY, month)


def stated_again(stock_lb: float, quotes, whole: bool) -> float:
    """The same plan of one item: what is held after each date is all in less all out."""
    sign = np.array([1.0 if each.side is Side.OFFER else -1.0 for each in quotes])
    at = [MONTHS.index(each.delivery_month) for each in quotes]
    days = [(later - day).days for day, later in pairwise(STARTS)]
    used = sorted({0, *at})
    after = {place: sum(days[place:following]) for place, following in pairwise(used)}
    price = np.array([each.price_usd_per_cwt / 100 for each in quotes])
    cost, fixed, rows = sign * price, 0.0, []
    for place in used:
        moved = np.where(np.array(at) <= place, sign, 0.0)
        rows.append(moved)
        nights = after.get(place, 1)
        cost = cost + HOLD * nights * moved
        fixed += HOLD * nights * stock_lb
    found = milp(
        cost * LOAD,
        constraints=LinearConstraint(np.array(rows) * LOAD, -stock_lb, np.inf),
        bounds=(0, np.array([each.pounds_lb / LOAD for each in quotes])),
        integrality=np.full(len(quotes), int(whole)),
    )
    return -(found.fun + fixed)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("whole", [False, True])
def test_the_plan_of_one_item_agrees_with_another_statement_of_it(seed, whole):
    rng = np.random.default_rng(seed)
    quotes = tuple(
        quote(n, list(Side)[n % 2], MONTHS[rng.integers(4)], rng.integers(300, 340),
              rng.integers(1, 4) if whole else rng.uniform(0.5, 3))
        for n in range(8)
    )  # fmt: skip
    held = Deal("D", TODAY, Way.BUY, "90 CL", 60_000, 310.0)
    found = book_plan(Book((held,), quotes), QUOTED, [STORE], whole_loads=whole)
    assert found.profit_usd == pytest.approx(stated_again(60_000, quotes, whole), abs=1.0)
    assert found.profit_usd <= found.highest_usd + 0.01
    assert found.figures["is_certified"] is not whole
    loads = found.tables["actions"].query("do in ['buy', 'sell']")["planned_loads"]
    assert not whole or np.allclose(loads, loads.round())


def test_what_was_agreed_is_delivered_and_what_cannot_be_is_named():
    sold = Deal("S", TODAY, Way.SELL, "90 CL", LOAD, 320.0, where=Where.CONTRACT,
                delivery_month="2027-01")  # fmt: skip
    cover = quote(1, Side.OFFER, "2026-12", 330.0, 2)
    actions = book_plan(Book((sold,), (cover,)), QUOTED, [STORE]).tables["actions"]
    assert actions[["do", "action_lb"]].values.tolist() == [
        ["buy", LOAD], ["hold", LOAD], ["deliver", LOAD],
    ]  # fmt: skip
    with pytest.raises(InputRefused, match="S, agreed already: 40,000 lb of 90 CL"):
        book_plan(Book((sold,)), QUOTED, [STORE])


def test_a_bid_over_its_break_even_is_taken_and_one_under_it_is_not():
    held = Deal("D", TODAY, Way.BUY, "90 CL", LOAD, 310.0)
    later = quote(1, Side.BID, "2027-01", 330.0, 1)
    low = quote(2, Side.BID, "", 320.0, 1)
    not_sold = book_plan(Book((held,), (later, low)), QUOTED, [STORE]).tables["not_sold"]
    break_even = not_sold["bid_break_even_usd_per_cwt"].item()
    assert break_even == pytest.approx(330 - 37 * HOLD * 100)
    for price, sells in ((break_even - 0.01, "2027-01"), (break_even + 0.01, "")):
        quotes = (later, quote(2, Side.BID, "", price, 1))
        actions = book_plan(Book((held,), quotes), QUOTED, [STORE]).tables["actions"]
        sold = actions.query("do == 'sell'")["through"].item()
        assert sold == ("Q1" if sells else "Q2")


def test_freezing_pays_where_the_bid_covers_it_and_market_is_no_reason_to_buy():
    freezer = Cooler("freezer", parse_selector("fresh_or_frozen=frozen"), None, HOLD,
                     freezing=Freezing(EVERY_LOT, 0.035, LOAD))  # fmt: skip
    cooler = Cooler("cooler", parse_selector("fresh_or_frozen=fresh"), None, 0.001, 12)
    held = Deal("D", TODAY, Way.BUY, "50s", 2 * LOAD, 80.0)
    quotes = (quote(1, Side.BID, "2027-02", 99.0, 2, "50s frozen"),
              quote(2, Side.OFFER, "2026-12", 70.0, 3, "50s"))  # fmt: skip
    found = book_plan(Book((held,), quotes), QUOTED, [freezer, cooler], market_share=0.98)
    did = {(row.on_or_for, row.do): row.action_lb for row in found.tables["actions"].itertuples()}
    assert did["now", "sell"] == pytest.approx(LOAD)  # all the freezer does not take
    assert did["Dec 2026", "buy"] == pytest.approx(did["Dec 2026", "freeze"]) == LOAD
    assert found.tables["rolls"]["action_lb"].item() == pytest.approx(LOAD)
