"""Risk of the book: recounted by plain pandas, refused where the history is too short."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from blend.domain.book import BookRate, RateKind, StressMove
from blend.errors import InputRefused
from blend.tables.book import read_book, read_stress
from blend.tables.quotations import read_quotations
from blend.trader.book_day import book_day
from blend.trader.book_risk import book_risk, spread_chart
from blend.trader.risk import Joint

DEMO = Path(__file__).parents[2] / "demo_data" / "book"


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
    assert shown.at_risk.value_at_risk_usd == pytest.approx(
        -profit.quantile(0.05, interpolation="lower")
    )
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


def test_a_currency_is_sold_by_its_amount_and_an_instrument_by_the_pound(demo):
    book, quotations = demo
    nineties = [each for each in quotations if each.item == "90s"]
    instrument = [
        BookRate("future", RateKind.INSTRUMENT, each.quoted_on, each.usd_per_lb * 100)
        for each in nineties
    ]
    book = replace(book, rates=(*book.rates, *instrument))
    hedges = book_risk(book, quotations, hedge_with=["NZD", "future"]).tables["hedges"]
    alone = book_risk(book, quotations, hedge_with=["NZD", "90s"]).hedges
    assert hedges["hedge_sell_amount"][0] == pytest.approx(alone.ratio[0])
    assert hedges["hedge_sell_lb"].tolist()[1] == pytest.approx(100 * alone.ratio[1])
    assert np.isnan(hedges["hedge_sell_lb"][0]) and np.isnan(hedges["hedge_sell_amount"][1])
