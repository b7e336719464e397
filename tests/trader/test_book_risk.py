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

from blend.domain.book import Book, BookRate, Deal, Pricing, RateKind, Side, StressMove
from blend.domain.quotations import Quotation
from blend.errors import InputRefused
from blend.tables.book import read_book, read_stress
from blend.tables.quotations import read_quotations
from blend.trader.book_day import book_day
from blend.trader.book_risk import book_risk, spread_chart
from blend.trader.risk import Joint

DEMO = Path(__file__).parents[2] / "demo_data" / "book"
ITEMS = {"90s": 0.90, "85s": 0.85, "50s": 0.50}
FIRST = date(2026, 1, 5)


@pytest.fixture(name="made", scope="module")
def invented_book():
    """60 days of quotations and rates, and 120 deals from one seed: fixed, in Australian dollars
    with freight still open, on a formula, on another item's basis, some corrected or withdrawn."""
    rng = np.random.default_rng(60)
    days = [FIRST + timedelta(days=n) for n in range(60)]
    prices = np.array([340.0, 300.0, 90.0, 0.65, 9.0]) * np.exp(
        rng.normal(0, 0.01, (60, 5)).cumsum(0)
    )
    prices[:, :3] = np.round(prices[:, :3] * 4) / 4
    frame = pd.DataFrame(prices, index=days, columns=[*ITEMS, "AUD", "lane"])
    quotations = [
        Quotation(item, "beef", lean, frame.loc[day, item] / 100, day)
        for day in days
        for item, lean in ITEMS.items()
    ]
    kinds = {"AUD": RateKind.EXCHANGE, "lane": RateKind.FREIGHT}
    rates = [BookRate(n, kinds[n], day, frame.loc[day, n]) for day in days for n in kinds]
    deals = []
    for number in range(120):
        n, place = int(rng.integers(0, 60)), int(rng.integers(0, 3))
        item, side = list(ITEMS)[place], list(Side)[int(rng.integers(0, 2))]
        pounds, basis = 20_000.0 * int(rng.integers(1, 5)), float(rng.integers(-8, 9)) / 4
        deal = Deal(f"D{number:03}", days[n], side, item, pounds, prices[n, place] + basis)
        on = days[n] + timedelta(days=int(rng.integers(0, 15)))
        match number % 6:
            case 0:
                deal = replace(deal, price=basis, pricing=Pricing.FORMULA, priced_on=on)
            case 1:
                deal = replace(deal, price=basis, pricing=Pricing.BASIS, priced_off="85s")
            case 2:
                rate = 0.66 if number % 12 == 2 else None
                foreign = deal.price / 0.65
                deal = replace(deal, price=foreign, currency="AUD", usd_per_currency=rate,
                               to_land_usd_per_cwt=12.5, freight_lane="lane")  # fmt: skip
        deals.append(deal)
        if number % 10 == 3:
            pounds = deal.pounds_lb - 1_000
            deals.append(replace(deal, deal_id=f"D{number:03}c", pounds_lb=pounds, recorded_on=on,
                                 corrects=deal.deal_id, withdrawn=number % 20 == 3))  # fmt: skip
    return Book(tuple(deals), rates=tuple(rates)), quotations, frame


def test_each_day_is_recounted_by_pandas(made):
    """Cash in less cash out plus the position at its mark, with no method of cost."""
    book, quotations, prices = made
    table = pd.DataFrame(
        {
            "id": deal.deal_id, "corrects": deal.corrects, "withdrawn": deal.withdrawn,
            "known": max(deal.traded_on, deal.recorded_on or deal.traded_on),
            "item": deal.item_id, "price": deal.price, "cost": deal.to_land_usd_per_cwt,
            "cwt": deal.pounds_lb / 100 * (1 if deal.side == "buy" else -1),
            "priced_on": deal.priced_on, "is_open": deal.pricing is not Pricing.FIXED,
            "off": deal.priced_off or deal.item_id, "currency": deal.currency,
            "locked": deal.usd_per_currency, "lane": deal.freight_lane,
        }
        for deal in book.deals
    )  # fmt: skip
    before, last = 0.0, None
    for day in prices.index:
        known = table[table.known <= day]
        known = known[~known.id.isin(known.corrects) & ~known.withdrawn]

        def parts(rows, on):
            set_on = [on if pd.isna(each) or each > on else each for each in rows.priced_on]
            quoted = [prices.loc[of, off] for of, off in zip(set_on, rows.off, strict=True)]
            rate = np.where(rows.currency == "USD", 1.0, rows.locked.fillna(prices.AUD[on]))
            lane = np.where(rows.lane == "lane", prices.lane[on], 0.0)
            return {
                "formula": -(rows.cwt * np.where(rows.is_open, quoted + rows.price, 0)).sum(),
                "exchange": -(rows.cwt * np.where(rows.is_open, 0, rows.price * rate)).sum(),
                "freight": -(rows.cwt.abs() * lane).sum(),
                "fixed": -(rows.cwt.abs() * rows.cost).sum(),
                "mark": (rows.cwt * rows["item"].map(prices.loc[on])).sum(),
            }

        total = float(sum(parts(known, day).values()))
        shown = book_day(book, quotations, day)
        assert shown.total_usd == pytest.approx(total, abs=1e-6)
        assert sum(each.total_usd for each in shown.moved.values()) == pytest.approx(
            total - before if shown.before else 0.0, abs=1e-6
        )
        assert abs(shown.part_usd("unexplained")) < 1e-6
        if last is not None:
            then, now = parts(last, shown.before), parts(last, day)
            for name in ("formula", "exchange", "freight"):
                assert shown.part_usd(name) == pytest.approx(now[name] - then[name], abs=1e-6)
            line = shown.part_usd("lean") + shown.part_usd("fat") + shown.part_usd("basis")
            assert line == pytest.approx(now["mark"] - then["mark"], abs=1e-6)
        before, last = total, known


def test_realized_profit_is_recounted_hundredweight_by_hundredweight(made):
    """First in first out over queues of single cwt, in exact fractions."""
    book, quotations, prices = made
    day = prices.index[-1]
    realized = dict.fromkeys(ITEMS, Fraction(0))
    queues: dict[str, deque] = {item: deque() for item in ITEMS}
    gone = {deal.corrects for deal in book.deals if (deal.recorded_on or FIRST) <= day}
    stand = [
        deal for deal in book.deals
        if deal.deal_id not in gone and not deal.withdrawn
        and max(deal.traded_on, deal.recorded_on or FIRST) <= day
    ]  # fmt: skip
    for deal in sorted(stand, key=lambda each: (each.traded_on, each.deal_id)):
        sign, queue = (1 if deal.side is Side.BUY else -1), queues[deal.item_id]
        price = Fraction(deal.price)
        if deal.pricing is not Pricing.FIXED:
            of = min(deal.priced_on or day, day)
            price += Fraction(prices.loc[of, deal.priced_off or deal.item_id])
        if deal.currency != "USD":
            price *= Fraction(deal.usd_per_currency or prices.AUD[day])
            price += sign * (Fraction(deal.to_land_usd_per_cwt) + Fraction(prices.lane[day]))
        for _ in range(int(deal.pounds_lb // 100)):
            if queue and queue[0][0] != sign:
                realized[deal.item_id] += -sign * (price - queue.popleft()[1])
            else:
                queue.append((sign, price))
    shown = book_day(book, quotations, day).held
    for item, position in shown.items():
        assert position.realized_usd == pytest.approx(float(realized[item]), abs=1e-6)
        assert position.net_lb == 100 * sum(sign for sign, _ in queues[item])


@pytest.fixture(name="demo", scope="module")
def demo_book():
    return read_book(DEMO)[0], read_quotations(DEMO).quotations


def test_value_at_risk_is_recounted_by_pandas(demo):
    """What is not priced yet is short, or long, its quotation; currency and freight move too."""
    shown = book_risk(*demo, hedge_with=["90s"])
    frame = pd.read_csv(DEMO / "quotations.csv").pivot(
        index="quoted_on", columns="item", values="price"
    )
    frame = frame.mul(np.where(frame.iloc[-1] < 10, 100, 1))
    rates = pd.read_csv(DEMO / "book_rates.csv").pivot(
        index="rated_on", columns="rate", values="value"
    )
    frame = frame.join(rates)
    nzd_per_cwt = 10.05 * 45.359237
    units = pd.Series(
        {"50s": 200, "73s": 185, "85s": 400, "90 CL": 1_200 + 800 - 400, "90s": 400, "93s": 400,
         "NZD": -800 * nzd_per_cwt, "Auckland to Philadelphia": -800}
    )  # fmt: skip
    usd = units * frame.iloc[-1][units.index]
    changes = frame.pct_change().iloc[1:]
    profit = (changes[units.index] * usd).sum(axis=1)
    assert shown.at_risk.value_at_risk_usd == pytest.approx(-profit.quantile(0.05))
    beyond = profit[profit <= profit.quantile(0.05)]
    assert shown.at_risk.expected_shortfall_usd == pytest.approx(-beyond.mean())
    assert shown.tables["items"]["tail_loss_usd"].sum() == pytest.approx(-beyond.mean())
    own = changes["90s"] * frame["90s"].iloc[-1]
    assert shown.hedges.ratio[0] == pytest.approx(profit.cov(own) / own.var())
    assert shown.stresses["Worst past week, to Jan 21, 2026"] == pytest.approx(profit.min())
    parts = shown.tables["items"]["part_at_risk_usd"].sum()
    assert parts == pytest.approx(shown.covariance.value_at_risk_usd)


def test_a_small_move_changes_the_total_by_the_exposure(demo):
    """Each price and rate up 1%, one at a time: what the book then makes, marked again."""
    book, quotations = demo
    shown = book_risk(book, quotations).exposure
    on = max(each.quoted_on for each in quotations)
    total = book_day(book, quotations, on).total_usd
    for name, usd in zip(shown.names, shown.usd, strict=True):
        up = [
            replace(each, usd_per_lb=each.usd_per_lb * 1.01)
            if (each.item, each.quoted_on) == (name, on) else each
            for each in quotations
        ]  # fmt: skip
        rates = [
            replace(each, value=each.value * 1.01)
            if (each.rate, each.rated_on) == (name, on) else each
            for each in book.rates
        ]  # fmt: skip
        moved = book_day(replace(book, rates=tuple(rates)), up, on).total_usd
        assert moved - total == pytest.approx(0.01 * usd, abs=1e-6)


@pytest.mark.parametrize("joint", Joint)
def test_joint_draws_agree_with_the_history_they_come_from(demo, joint):
    shown = book_risk(*demo, draws=4_000, joint=joint)
    drawn = shown.drawn.at_risk
    near = shown.at_risk if joint is Joint.BOOTSTRAP else shown.covariance
    assert drawn.value_at_risk_usd == pytest.approx(near.value_at_risk_usd, rel=0.25)
    prices = shown.tables["draws"][list(shown.exposure.names)].to_numpy()
    held = (prices - shown.exposure.values) @ shown.exposure.units
    assert shown.tables["draws"]["held_usd"].to_numpy() == pytest.approx(held)


def test_a_short_history_gives_stress_but_no_value_at_risk(demo):
    deals, quotations = demo
    short = [each for each in quotations if each.quoted_on >= date(2026, 10, 21)]
    shown = book_risk(deals, short, stress=read_stress(DEMO))
    assert shown.at_risk is None and "20 weeks" in shown.too_short
    assert shown.stresses["Lean falls 30"] == pytest.approx(-75_620)
    with pytest.raises(InputRefused):
        book_risk(deals, short, hedge_with=["none such"])


def test_a_missing_week_breaks_the_chain_and_is_not_bridged(demo):
    deals, quotations = demo
    gone = date(2026, 3, 25)
    shown = book_risk(deals, [each for each in quotations if each.quoted_on != gone])
    assert len(shown.week_ends) == 57 and gone not in shown.week_ends


def test_no_bar_of_the_spread_holds_both_gains_and_losses(demo):
    shown = book_risk(*demo)
    bars = spread_chart(shown)["data"]["values"]
    assert sum(bar["weeks"] for bar in bars) == len(shown.week_ends)
    assert all(bar["from"] * bar["to"] >= 0 for bar in bars)


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
    parts = dict(zip(shown.exposure.names, shown.covariance.components_usd, strict=True))
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
    assert shown.covariance.components_usd[shown.exposure.names.index("90 CL")] > 0


def test_a_price_of_zero_is_not_a_week(demo):
    deals, quotations = demo
    gone = date(2026, 3, 25)
    zero = [replace(q, usd_per_lb=0.0) if q.quoted_on == gone else q for q in quotations]
    assert len(book_risk(deals, zero).week_ends) == 57
