"""Confirmations and lean claims of the invented book, and deals typed in the trade's units."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from blend.cli import main
from blend.domain.book import LeanClaim, Side
from blend.errors import InputRefused
from blend.store.book import BookStore
from blend.tables.book import deal_of_words, read_book
from blend.tables.quotations import read_quotations
from blend.trader.deal_papers import confirmation, find_entry, settlement

DEMO = Path(__file__).parents[2] / "demo_data" / "book"


@pytest.fixture(name="deals", scope="module")
def demo_deals():
    return read_book(DEMO)[0].deals


@pytest.fixture(name="quotations", scope="module")
def demo_quotations():
    return read_quotations(DEMO).quotations


def test_a_claim_is_recounted_two_ways(deals, quotations):
    deal = find_entry(deals, "D-106")
    claim = settlement(deal, quotations, 0.835)
    assert claim.off_usd_per_cwt[LeanClaim.PRO_RATA] == pytest.approx(301.75 * 1.5 / 85)
    fresh = [each for each in quotations if each.quoted_on == deal.traded_on
             and each.species == "beef" and each.fresh_or_frozen == "fresh"]  # fmt: skip
    points = (claim.off_usd_per_cwt[LeanClaim.BY_LINE] / 1.5) * 100
    slope = np.polyfit([each.lean for each in fresh], [each.usd_per_lb * 100 for each in fresh], 1)
    assert points == pytest.approx(slope[0], rel=0.1)  # the day's own line is a robust one
    assert claim.claim_usd == pytest.approx(800 * 301.75 * 1.5 / 85)
    unsaid = replace(deal, lean_claim=LeanClaim.NOT_AGREED)
    assert settlement(unsaid, quotations, 0.835).claim_usd is None


@pytest.mark.parametrize(
    ("deal_id", "what"), [("D-108", "price"), ("D-114", "exchange rate"), ("D-106", "")]
)
def test_a_claim_on_a_price_still_open_is_not_final(deals, quotations, deal_id, what):
    rates = read_book(DEMO)[0].rates
    claim = settlement(find_entry(deals, deal_id), quotations, 0.8, rates=rates)
    shown = " ".join(claim.screen().split())
    assert (f"deal's {what} is open" in shown) if what else ("Not final" not in shown)


def test_a_confirmation_names_only_its_own_counterparty(deals, quotations):
    others = {each.counterparty for each in deals} - {"Grinder G"}
    text = confirmation(find_entry(deals, "D-104"), quotations)
    assert "Grinder G" in text and not any(name in text for name in others)
    with pytest.raises(InputRefused, match="D-112"):
        find_entry(deals, "D-109")


@pytest.mark.parametrize(
    ("pounds", "pounds_lb"),
    [
        ("3 loads", 120_000),
        ("20 t", 44_092.4524),
        ("400 cwt", 40_000),
        ("1000 kg", 2_204.6226),
        ("2 containers of 19 t", 83_775.6596),
        ("1 container of 42,000 lb", 42_000),
        ("20 mt", 44_092.4524),
    ],
)
def test_weights_in_the_trades_units(pounds, pounds_lb):
    assert deal_of_words(WORDS | {"pounds_lb": pounds}).pounds_lb == pytest.approx(pounds_lb)


@pytest.mark.parametrize("price", ["341.50", "3.415/lb", "341.5 cents/lb", "$7.52879/kg"])
def test_prices_in_the_trades_units(price):
    assert deal_of_words(WORDS | {"price": price}).price == pytest.approx(341.5, abs=1e-3)


@pytest.mark.parametrize(
    ("column", "typed", "asked"),
    [
        ("pounds_lb", "2 tons", "metric"),
        ("pounds_lb", "2 containers", "what one holds"),
        ("pounds_lb", "2 containers of 3 containers", "any size"),
        ("pounds_lb", "2 stone", "not a weight"),
        ("price", "-3", "0 or more"),
    ],
)
def test_a_deal_whose_units_are_not_clear_is_refused(column, typed, asked):
    with pytest.raises(InputRefused, match=asked):
        deal_of_words(WORDS | {column: typed})


WORDS = {
    "deal_id": "D-1", "traded_on": "2026-11-24", "side": "buy", "item_id": "90s",
    "pounds_lb": "40000", "price": "341.50",
}  # fmt: skip


def test_deals_are_added_corrected_and_withdrawn_and_all_stay_on_file(tmp_path):
    place = str(tmp_path / "book.sqlite")

    def run(*words: str) -> int:
        return CliRunner().invoke(main, ["book", *words, "--book", place]).exit_code

    new = [part for name, text in WORDS.items() for part in (f"--{name.replace('_', '-')}", text)]
    assert run("add", *new) == 0
    assert run("correct", "D-1", "--pounds-lb", "2 loads", "--side", "sell") == 0
    assert run("withdraw", "D-1c") == 0
    assert run("withdraw", "D-1") != 0
    with BookStore.open(place) as book:
        first, second, third = book.book().deals
    assert (second.corrects, second.pounds_lb, second.side) == ("D-1", 80_000, Side.SELL)
    assert third.withdrawn and third.corrects == "D-1c" and first.pounds_lb == 40_000


def test_a_settled_deal_takes_the_place_of_the_one_agreed(tmp_path):
    place = str(tmp_path / "book.sqlite")

    def run(*words: str) -> int:
        return CliRunner().invoke(main, ["book", *words, "--book", place]).exit_code

    settle = ("settle", "D-106", str(DEMO), "--delivered", "79,500", "--tested", "83.5")
    assert run("import", str(DEMO)) == 0
    assert run(*settle, "--record") == 0
    assert run("settle", "D-108", str(DEMO), "--record") == 2  # its price is still open
    assert run("settle", "D-101", str(DEMO), "--tested", "89", "--record") == 2  # no way agreed
    with BookStore.open(place) as book:
        settled = find_entry(book.book().deals, "D-106s")
    assert settled.corrects == "D-106" and settled.pounds_lb == 79_500
    assert settled.price == pytest.approx(301.75 * 83.5 / 85, abs=1e-4)
