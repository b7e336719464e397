"""The book: worked cases, two ways of recounting, and parts that add up exactly."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.book import Deal, Pricing, Side, live, wrong_corrections
from blend.trader.book import CostMethod, Mark, NoMark, explain, positions

D0 = date(2026, 3, 2)


def on(day: int) -> date:
    return D0 + timedelta(days=day)


def deals_of(*trades):
    return [
        Deal(f"d{at}", on(at), side, "90s", pounds, price)
        for at, (side, pounds, price) in enumerate(trades)
    ]


def at(price: float):
    return lambda item, day: Mark(price)


BUY, SELL = Side.BUY, Side.SELL


@pytest.mark.parametrize(
    ("trades", "method", "realized", "unrealized"),
    [  # worked cases of a trading book, recomputed by hand
        ([(BUY, 4e4, 300), (BUY, 4e4, 310), (SELL, 6e4, 315)], "fifo", 7_000, -1_000),
        ([(BUY, 4e4, 300), (BUY, 4e4, 310), (SELL, 6e4, 315)], "average", 6_000, 0),
        (
            [(BUY, 4e4, 300), (SELL, 2e4, 306), (BUY, 4e4, 310), (SELL, 4e4, 315)],
            "fifo",
            5_200,
            -1_000,
        ),
        (
            [(BUY, 4e4, 300), (SELL, 2e4, 306), (BUY, 4e4, 310), (SELL, 4e4, 315)],
            "average",
            4_533.33,
            -333.33,
        ),
        ([(SELL, 4e4, 310), (BUY, 2e4, 300)], "fifo", 2_000, 1_000),
    ],
)
def test_cost_of_a_worked_case(trades, method, realized, unrealized):
    found = positions(deals_of(*trades), on(9), at(305), CostMethod(method))["90s"]
    assert found.realized_usd == pytest.approx(realized, abs=0.01)
    assert found.unrealized_usd == pytest.approx(unrealized, abs=0.01)


TRADES = st.lists(
    st.tuples(
        st.sampled_from(Side), st.sampled_from([1e4, 2e4, 4e4, 9e4]), st.integers(250, 390)
    ),
    min_size=1, max_size=12,
)  # fmt: skip


@given(TRADES, st.integers(250, 390))
@settings(deadline=None)
def test_the_total_does_not_depend_on_the_cost_method(trades, mark):
    deals = deals_of(*trades)
    cash = sum(-deal.signed_lb / 100 * deal.price for deal in deals)
    net_lb = sum(deal.signed_lb for deal in deals)
    for method in CostMethod:
        found = positions(deals, on(20), at(mark), method)["90s"]
        assert found.net_lb == net_lb
        assert found.total_usd == pytest.approx(cash + net_lb / 100 * mark, abs=1e-6)


def test_the_change_of_a_mark_splits_into_line_and_basis():
    """50,000 lb long; the line moves 300 to 306, the basis -4 to -6: +2,000 = 3,000 - 1,000."""

    def marks(item, day):
        later = day > D0
        return Mark(300.0 if later else 296.0, lean_usd_per_cwt=306.0 if later else 300.0,
                    fat_usd_per_cwt=306.0 if later else 300.0)  # fmt: skip

    found = explain([Deal("a", D0, BUY, "90s", 5e4, 296.0)], D0, on(1), marks, {"90s": 0.9})["90s"]
    assert found.total_usd == pytest.approx(2_000)
    assert found.lean_usd + found.fat_usd == pytest.approx(3_000)
    assert (found.basis_usd, found.unexplained_usd) == pytest.approx((-1_000, 0), abs=1e-9)


MARKS = st.lists(st.integers(250, 390), min_size=15, max_size=15)


@given(TRADES, MARKS, MARKS, st.integers(1, 13), st.booleans())
@settings(deadline=None, max_examples=60)
def test_parts_add_up_to_the_change_of_the_total(trades, prices, leans, day, formula):
    deals = deals_of(*trades)
    if formula:
        deals[0] = Deal("d0", D0, deals[0].side, "90s", deals[0].pounds_lb, -3.0, Pricing.FORMULA)
    deals.append(Deal("c", on(1), BUY, "90s", 500.0, 300.0, recorded_on=on(day), corrects="d0"))

    def marks(item, of):
        index = min((of - D0).days, 14)
        return Mark(prices[index], lean_usd_per_cwt=leans[index], fat_usd_per_cwt=-200.0)

    def total(of):
        return sum(each.total_usd for each in positions(deals, of, marks).values())

    parts = explain(deals, on(day - 1), on(day), marks, {"90s": 0.9}).values()
    change = total(on(day)) - total(on(day - 1))
    assert sum(each.total_usd for each in parts) == pytest.approx(change, abs=1e-6)
    assert sum(each.unexplained_usd for each in parts) == pytest.approx(0, abs=1e-6)


def test_a_correction_takes_the_place_of_its_deal_from_the_day_it_is_recorded():
    deals = [
        Deal("a", D0, BUY, "90s", 4e4, 300.0),
        Deal("b", D0, BUY, "90s", 3.9e4, 300.0, recorded_on=on(2), corrects="a"),
        Deal("c", on(3), BUY, "90s", 3.9e4, 300.0, corrects="b", withdrawn=True),
    ]
    assert [[d.deal_id for d in live(deals, on(day))] for day in (1, 2, 3)] == [["a"], ["b"], []]


@pytest.mark.parametrize(
    ("corrects", "wrong"),
    [
        ({"a": "", "b": "a", "c": "b"}, set()),
        ({"b": "a", "a": ""}, set()),
        ({"a": "", "b": "none such"}, {"b"}),
        ({"a": "", "b": "a", "c": "a"}, {"c"}),
        ({"a": "a"}, {"a"}),
        ({"a": "c", "b": "a", "c": "b", "d": "c"}, {"a", "b", "c"}),
    ],
)
def test_an_entry_is_corrected_once_and_never_by_itself(corrects, wrong):
    assert wrong_corrections(corrects).keys() == wrong


def test_a_formula_deal_moves_with_the_quotation_until_it_is_priced():
    prices = {D0: 300.0, on(1): 310.0, on(2): 330.0}
    deal = Deal("a", D0, BUY, "90s", 1e4, -2.0, Pricing.FORMULA, priced_on=on(1))
    profit = [
        positions([deal], day, lambda item, of: Mark(prices[of]))["90s"].total_usd for day in prices
    ]
    assert profit == pytest.approx([200.0, 200.0, 100 * (330 - 308)])


def test_an_item_without_a_mark_is_named():
    with pytest.raises(NoMark, match="90s"):
        positions(deals_of((BUY, 1e4, 300)), on(1), lambda item, day: None)
