"""Read a book: deals, bids and offers, rates, limits; all problems listed at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from blend.domain.book import (
    BidOffer,
    Book,
    BookRate,
    CorrelatedPair,
    Deal,
    Entry,
    Limit,
    LimitKind,
    Pricing,
    RateKind,
    StressMove,
    first_of_month,
    wrong_corrections,
)
from blend.domain.columns import cells
from blend.errors import Caution, InputRefused, Problem
from blend.tables.cells import typed_text
from blend.tables.columns import BIDS_OFFERS, BOOK_TABLES, CORRELATIONS, DEALS, STRESS
from blend.tables.history import record_of_words
from blend.tables.rows import Sheet, Sheets
from blend.tables.tables import Source


def read_book(source: Source, *, entries: bool = True) -> tuple[Book, tuple[Caution, ...]]:
    """The deals in the order of the rows with what is next to them, and what to check; without
    `entries` rates and limits alone, for a book that is kept in a database.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    kept = (DEALS.name, BIDS_OFFERS.name)
    sheets = Sheets(
        source, {name: each for name, each in BOOK_TABLES.items() if entries or name not in kept}
    )
    for name, ids in ((DEALS.name, "deal_id"), (BIDS_OFFERS.name, "quote_id")):
        if name in sheets:
            _check_corrections(sheets[name], ids)
    for row in sheets.rows(DEALS.name):
        for fault in _faults(row.values):
            sheets[DEALS.name].refuse(row.number, *fault)
    for row in sheets.rows(BIDS_OFFERS.name):
        for fault in _month_faults(row.values):
            sheets[BIDS_OFFERS.name].refuse(row.number, *fault)
    _check_with_each_other(sheets)
    for row in sheets.rows("limits"):
        is_share = row.values.get("kind") in (LimitKind.LEAN, LimitKind.FAT)
        if is_share:
            why = "lean and fat are limited in pounds, all items together"
            sheets["limits"].refuse_unused(row, (), ("limited", "max_usd"), why)
        if row.has("max_lb", "max_usd") and row["max_lb"] is None and row["max_usd"] is None:
            sheets["limits"].refuse(row.number, "max_lb", "blank", hint="Enter pounds or max_usd.")
    sheets.raise_problems()
    book = Book(
        sheets.records(DEALS.name, Deal),
        sheets.records(BIDS_OFFERS.name, BidOffer),
        sheets.records("book_rates", BookRate),
        sheets.records("limits", Limit),
    )
    return book, tuple(sheets.cautions)


def _check_with_each_other(sheets: Sheets) -> None:
    """Rates and quotes that deals name are there."""
    rates = {kind: set[str]() for kind in RateKind}
    for row in sheets.rows("book_rates"):
        if row.has("rate", "kind"):
            rates[row["kind"]].add(row["rate"])
    quotes = {row.values.get("quote_id") for row in sheets.rows(BIDS_OFFERS.name)}
    for row in sheets.rows(DEALS.name):
        sheet = sheets[DEALS.name]
        if "book_rates" in sheets and row.has("currency", "usd_per_currency"):
            is_open = row["currency"].upper() != "USD" and row["usd_per_currency"] is None
            if is_open and row["currency"].upper() not in rates[RateKind.EXCHANGE]:
                required = "a currency of book_rates, or usd_per_currency filled in"
                sheet.refuse(row.number, "currency", row["currency"], required)
        lane = row.values.get("freight_lane")
        if "book_rates" in sheets and lane and lane not in rates[RateKind.FREIGHT]:
            sheet.refuse(row.number, "freight_lane", lane, "a freight lane of book_rates")
        takes = row.values.get("takes")
        if takes and BIDS_OFFERS.name in sheets and takes not in quotes:
            sheet.refuse(row.number, "takes", takes, "a quote_id of bids_offers")


def deal_of_words(words: Mapping[str, str]) -> Deal:
    """One deal from what was typed; raise InputRefused with all problems."""
    deal = record_of_words(Deal, "book", words)
    problems = [Problem("book", None, *fault) for fault in _faults(cells(deal))]
    if deal.withdrawn and not deal.corrects:
        required = "no, as corrects names no deal"
        problems.append(Problem("book", None, "withdrawn", "yes", required))
    if problems:
        raise InputRefused(problems)
    return deal


def bid_offer_of_words(words: Mapping[str, str]) -> BidOffer:
    """As `deal_of_words`."""
    made = record_of_words(BidOffer, "book", words)
    problems = [Problem("book", None, *fault) for fault in _month_faults(cells(made))]
    if made.good_until < made.given_on:
        required = f"given_on ({made.given_on}) or later"
        problems.append(Problem("book", None, "good_until", str(made.good_until), required))
    if problems:
        raise InputRefused(problems)
    return made


def corrected(last: Entry, entry_id: str, words: Mapping[str, str]) -> Entry:
    """What takes the place of a deal, a bid or an offer: what is given, the rest as it was."""
    was = {name: typed_text(value) for name, value in cells(last).items()}
    name = "deal_id" if isinstance(last, Deal) else "quote_id"
    own = {name: entry_id, "corrects": last.entry_id, "withdrawn": "no", "recorded_on": ""}
    given = {name: text for name, text in words.items() if text}
    make: Any = deal_of_words if isinstance(last, Deal) else bid_offer_of_words
    new: Entry = make({**was, **own, **given})
    return new


def _check_corrections(sheet: Sheet, id_column: str) -> None:
    wrong = wrong_corrections(
        {row[id_column]: row.values.get("corrects", "") for row in sheet.rows if row.has(id_column)}
    )
    if id_column == "quote_id":
        sheet.refuse_unordered("given_on", "good_until")
    for row in sheet.rows:
        corrects = row.values.get("corrects")
        if corrects and row.values.get(id_column) in wrong:
            sheet.refuse(row.number, "corrects", corrects, wrong[row[id_column]])
        if row.values.get("withdrawn") and not corrects:
            sheet.refuse(row.number, "withdrawn", "yes", "no, as corrects names no other row")


def _faults(row: Mapping[str, Any]) -> Iterable[tuple[str, str, str]]:
    """Columns that do not go together: column, value, and what is required."""
    yield from _month_faults(row)
    if "pricing" not in row:
        return
    is_fixed = Pricing(row["pricing"]) is Pricing.FIXED
    for name in ("priced_on", "priced_off", "price_by") if is_fixed else ():
        if row.get(name):
            yield name, str(row[name]), "blank for a fixed price"
    if is_fixed and "price" in row and row["price"] < 0:
        yield "price", f"{row['price']:g}", "0 or more for a fixed price"
    if not is_fixed and "currency" in row and row["currency"].upper() != "USD":
        yield "currency", row["currency"], "USD where a quotation sets the price"


def _month_faults(row: Mapping[str, Any]) -> Iterable[tuple[str, str, str]]:
    month = row.get("delivery_month")
    if month and first_of_month(month) is None:
        yield "delivery_month", month, "a month such as 2026-12"


def read_stress(source: Source) -> tuple[StressMove, ...]:
    """Stress moves made by hand; none where there is no such table. Raises as `read_book`."""
    sheets = Sheets(source, {STRESS.name: STRESS})
    sheets.raise_problems()
    return sheets.records(STRESS.name, StressMove)


def read_correlations(source: Source) -> dict[frozenset[str], float]:
    """Correlations by pairs of names. Raises as `read_book`."""
    sheets = Sheets(source, {CORRELATIONS.name: CORRELATIONS})
    for row in sheets.rows(CORRELATIONS.name):
        if row.has("one", "other") and row["one"] == row["other"]:
            sheets[CORRELATIONS.name].refuse(row.number, "other", row["other"], "another name")
    sheets.raise_problems()
    pairs = sheets.records(CORRELATIONS.name, CorrelatedPair)
    return {frozenset((each.one, each.other)): each.correlation for each in pairs}
