"""Risk of the book: recounted by plain pandas, refused where the history is too short."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from blend.domain.book import Deal, Pricing, Side, StressMove
from blend.domain.quotations import Quotation
from blend.errors import InputRefused
from blend.tables.book import read_deals, read_stress
from blend.tables.quotations import read_quotations
from blend.trader.book_day import book_day
from blend.trader.book_risk import book_risk

DEMO = Path(__file__).parents[2] / "demo_data" / "book"
ITEMS = {"90s": 0.90, "85s": 0.85, "50s": 0.50}
FIRST = date(2026, 1, 5)


@pytest.fixture(name="made", scope="module")
def invented_book():
    """60 days of quotations and 90 deals, fixed and formula, from one seed."""
    rng = np.random.default_rng(60)
    days = [FIRST + timedelta(days=n) for n in range(60)]
    prices = np.array([340.0, 300.0, 90.0]) * np.exp(rng.normal(0, 0.01, (60, 3)).cumsum(0))
    prices = np.round(prices * 4) / 4
    quotations = [
        Quotation(item, "beef", lean, prices[n, place] / 100, day)
        for n, day in enumerate(days)
        for place, (item, lean) in enumerate(ITEMS.items())
    ]
    deals = []
    for number in range(90):
        n, place = int(rng.integers(0, 60)), int(rng.integers(0, 3))
        item, side = list(ITEMS)[place], list(Side)[int(rng.integers(0, 2))]
        pounds, basis = 20_000.0 * int(rng.integers(1, 5)), float(rng.integers(-8, 9)) / 4
        deal = Deal(f"D{number:03}", days[n], side, item, pounds, prices[n, place] + basis)
        if number % 5 == 0:
            on = days[n] + timedelta(days=int(rng.integers(0, 15)))
            deal = replace(deal, price=basis, pricing=Pricing.FORMULA, priced_on=on)
        deals.append(deal)
    frame = pd.DataFrame(prices, index=days, columns=list(ITEMS))
    return deals, quotations, frame


def test_each_day_is_recounted_by_pandas(made):
    """Cash in less cash out plus the position at its mark, with no method of cost."""
    deals, quotations, prices = made
    table = pd.DataFrame(
        {
            "day": deal.traded_on, "item": deal.item_id, "basis": deal.price,
            "cwt": deal.pounds_lb / 100 * (1 if deal.side == "buy" else -1),
            "priced_on": deal.priced_on, "is_formula": deal.pricing is Pricing.FORMULA,
        }
        for deal in deals
    )  # fmt: skip
    before = 0.0
    for day in prices.index:
        known = table[table.day <= day]
        marks = prices.loc[day]
        set_on = [day if pd.isna(on) or on > day else on for on in known.priced_on]
        quoted = [prices.loc[on, item] for on, item in zip(set_on, known["item"], strict=True)]
        price = known.basis + np.where(known.is_formula, quoted, 0.0)
        total = float((known.cwt * (known["item"].map(marks) - price)).sum())
        shown = book_day(deals, quotations, day)
        assert shown.total_usd == pytest.approx(total, abs=1e-6)
        moved = sum(each.total_usd for each in shown.moved.values())
        assert moved == pytest.approx(total - before if shown.before else 0.0, abs=1e-6)
        before = total


def test_realized_profit_is_recounted_hundredweight_by_hundredweight(made):
    """First in first out over queues of single cwt, in exact fractions."""
    deals, quotations, prices = made
    day = prices.index[-1]
    realized = dict.fromkeys(ITEMS, Fraction(0))
    queues: dict[str, deque] = {item: deque() for item in ITEMS}
    for deal in sorted(deals, key=lambda each: (each.traded_on, each.deal_id)):
        price = Fraction(deal.price)
        if deal.pricing is Pricing.FORMULA:
            price += Fraction(prices.loc[min(deal.priced_on, day), deal.item_id])
        sign, queue = (1 if deal.side is Side.BUY else -1), queues[deal.item_id]
        for _ in range(int(deal.pounds_lb // 100)):
            if queue and queue[0][0] != sign:
                realized[deal.item_id] += -sign * (price - queue.popleft()[1])
            else:
                queue.append((sign, price))
    shown = book_day(deals, quotations, day).held
    for item, position in shown.items():
        assert position.realized_usd == pytest.approx(float(realized[item]), abs=1e-6)
        assert position.net_lb == 100 * sum(sign for sign, _ in queues[item])


@pytest.fixture(name="demo", scope="module")
def demo_book():
    return read_deals(DEMO)[0], read_quotations(DEMO).quotations


def test_value_at_risk_is_recounted_by_pandas(demo):
    deals, quotations = demo
    shown = book_risk(deals, quotations, hedge_with=["90s"])
    frame = pd.read_csv(DEMO / "quotations.csv").pivot(
        index="quoted_on", columns="item", values="price"
    )
    frame = frame.mul(np.where(frame.iloc[-1] < 10, 100, 1))
    held_lb = pd.Series(
        {"50s": 20_000, "73s": 18_500, "85s": 40_000, "90 CL": 120_000, "93s": 40_000}
    )
    usd = held_lb / 100 * frame.iloc[-1][held_lb.index]
    changes = frame.pct_change().iloc[1:]
    profit = (changes[held_lb.index] * usd).sum(axis=1)
    assert shown.at_risk.value_at_risk_usd == pytest.approx(-profit.quantile(0.05))
    beyond = profit[profit <= profit.quantile(0.05)]
    assert shown.at_risk.expected_shortfall_usd == pytest.approx(-beyond.mean())
    assert shown.tables["items"]["tail_loss_usd"].sum() == pytest.approx(-beyond.mean())
    own = changes["90s"] * frame["90s"].iloc[-1]
    assert shown.hedges.ratio[0] == pytest.approx(profit.cov(own) / own.var())
    assert shown.stresses["Worst past week, to Jan 21, 2026"] == pytest.approx(profit.min())
    parts = shown.tables["items"]["part_at_risk_usd"].sum()
    assert parts == pytest.approx(shown.covariance.value_at_risk_usd)


def test_open_formula_deals_carry_no_price_risk(demo):
    deals, quotations = demo
    shown = book_risk(deals, quotations)
    assert shown.exposed_lb[shown.items.index("90 CL")] == 120_000
    assert shown.open_formula_lb == 80_000


def test_a_short_history_gives_stress_but_no_value_at_risk(demo):
    deals, quotations = demo
    short = [each for each in quotations if each.quoted_on >= date(2026, 10, 21)]
    shown = book_risk(deals, short, stress=read_stress(DEMO))
    assert shown.at_risk is None and "20 weeks" in shown.too_short
    assert shown.stresses["Lean falls 30"] == pytest.approx(-53_620)
    with pytest.raises(InputRefused):
        book_risk(deals, short, hedge_with=["none such"])


def test_a_missing_week_breaks_the_chain_and_is_not_bridged(demo):
    deals, quotations = demo
    gone = date(2026, 3, 25)
    shown = book_risk(deals, [each for each in quotations if each.quoted_on != gone])
    assert len(shown.week_ends) == 57 and gone not in shown.week_ends


def test_more_weeks_ahead_lose_more(demo):
    one, four = (book_risk(*demo, weeks_ahead=weeks).at_risk for weeks in (1, 4))
    assert four.value_at_risk_usd > one.value_at_risk_usd
    assert four.standard_error_usd > 0


def test_a_stress_in_percent_is_of_the_mark():
    assert StressMove("90s", -10, "percent").change_of(350) == pytest.approx(-35)
    assert StressMove("90s", -10).change_of(350) == -10


def test_an_item_that_stands_still_has_no_risk_and_hedges_nothing(demo):
    deals, quotations = demo
    still = [replace(q, usd_per_lb=3.7) if q.item == "93s" else q for q in quotations]
    shown = book_risk(deals, still)
    parts = dict(zip(shown.items, shown.covariance.components_usd, strict=True))
    assert parts["93s"] == 0 and parts["90 CL"] > 0
    with pytest.raises(InputRefused, match="never moves"):
        book_risk(deals, still, hedge_with=["93s"])


def test_an_item_that_seldom_moves_keeps_its_risk(demo):
    """Most weeks unchanged: a median distance of zero must not read as no risk."""
    deals, quotations = demo
    last = max(each.quoted_on for each in quotations)
    seldom = [
        replace(q, usd_per_lb=3.2 + 0.2 * ((last - q.quoted_on).days // 70 % 2))
        if q.item == "90 CL" else q
        for q in quotations
    ]  # fmt: skip
    shown = book_risk(deals, seldom)
    assert shown.covariance.components_usd[shown.items.index("90 CL")] > 0


def test_a_price_of_zero_is_not_a_week(demo):
    deals, quotations = demo
    gone = date(2026, 3, 25)
    zero = [replace(q, usd_per_lb=0.0) if q.quoted_on == gone else q for q in quotations]
    assert len(book_risk(deals, zero).week_ends) == 57
