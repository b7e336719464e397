"""The demo's book from its tables as typed, in fractions: money to the cent."""

from __future__ import annotations

import csv
from collections import defaultdict
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest

from blend.tables.book import read_book
from blend.tables.quotations import read_quotations
from blend.trader.book_day import book_day

DEMO = Path(__file__).parents[2] / "demo_data" / "book"
CENT = 0.005
KG_PER_CWT = Fraction("45.359237")


def rows_of(name: str) -> list[dict[str, str]]:
    with (DEMO / f"{name}.csv").open() as file:
        return list(csv.DictReader(file))


DEALS = rows_of("deals")
QUOTES = {
    (row["item"], row["quoted_on"]): Fraction(row["price"])
    * (100 if row["price_unit"] == "usd_per_lb" else 1)
    for row in rows_of("quotations")
}
RATES = {(row["rate"], row["rated_on"]): Fraction(row["value"]) for row in rows_of("book_rates")}
DAYS = sorted({day for _, day in QUOTES if day >= min(row["traded_on"] for row in DEALS)})


def standing(day: str) -> list[dict[str, str]]:
    known = [row for row in DEALS if max(row["traded_on"], row["recorded_on"]) <= day]
    gone = {row["corrects"] for row in known}
    return [row for row in known if row["deal_id"] not in gone and row["withdrawn"] != "yes"]


def cwt_of(deal: dict[str, str]) -> Fraction:
    """Above zero for a purchase."""
    number, _, unit = deal["pounds_lb"].partition(" ")
    cwt = Fraction(number) * (400 if unit else Fraction(1, 100))
    return cwt if deal["side"] == "buy" else -cwt


def profit_of(deal: dict[str, str], day: str) -> Fraction:
    """What it makes at the day's quotation, less what it still costs to land."""
    number, per_kg, _ = deal["price"].partition("/kg")
    price = Fraction(number) * (KG_PER_CWT if per_kg else 1)
    if deal["pricing"] != "fixed":
        of = deal["priced_on"] if deal["priced_on"] and deal["priced_on"] <= day else day
        price += QUOTES[deal["priced_off"] or deal["item_id"], of]
    if deal["currency"]:
        price *= RATES[deal["currency"], day]
    to_land = Fraction(deal["to_land_usd_per_cwt"] or 0)
    if deal["freight_lane"]:
        to_land += RATES[deal["freight_lane"], day]
    cwt = cwt_of(deal)
    return cwt * (QUOTES[deal["item_id"], day] - price) - abs(cwt) * to_land


def profits(day: str) -> dict[str, Fraction]:
    found: dict[str, Fraction] = defaultdict(Fraction)
    for deal in standing(day):
        found[deal["item_id"]] += profit_of(deal, day)
    return found


@pytest.fixture(name="shown", scope="module")
def shown_days():
    book, quotations = read_book(DEMO)[0], read_quotations(DEMO).quotations
    return {day: book_day(book, quotations, date.fromisoformat(day)) for day in DAYS}


def test_each_items_profit_of_each_day_is_right_to_the_cent(shown):
    for day in DAYS:
        recounted = profits(day)
        assert shown[day].held.keys() == recounted.keys()
        for item, position in shown[day].held.items():
            assert position.total_usd == pytest.approx(float(recounted[item]), abs=CENT)


def test_what_moved_the_last_week_part_by_part(shown):
    """800 cwt at NZD 10.05/kg on an open rate and lane; 385 for 400 cwt of 73s; one new sale;
    800 cwt sold on the item's own quotation, 400 on that of 90s."""
    before, after = DAYS[-2:]
    rate, lane = (
        RATES[name, after] - RATES[name, before] for name in ("NZD", "Auckland to Philadelphia")
    )
    moved = {item: QUOTES[item, after] - QUOTES[item, before] for item in ("90 CL", "90s")}
    found = shown[after].part_usd
    expected = {
        "exchange": -800 * Fraction("10.05") * KG_PER_CWT * rate,
        "freight": -800 * lane,
        "quantity": (385 - 400) * (QUOTES["73s", after] - 224),
        "new_business": -200 * (QUOTES["73s", after] - 233),
        "formula": 800 * moved["90 CL"] + 400 * moved["90s"],
    }
    for part, usd in expected.items():
        assert found(part) == pytest.approx(float(usd), abs=CENT)
