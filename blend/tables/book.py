"""Read the deals of a book, all problems listed at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from blend.domain.book import Deal, Pricing, StressMove
from blend.domain.columns import cells
from blend.errors import Caution, InputRefused, Problem
from blend.tables.cells import typed_text
from blend.tables.columns import DEALS, STRESS
from blend.tables.history import record_of_words
from blend.tables.rows import Row, Sheet, Sheets
from blend.tables.tables import Source


def read_deals(source: Source) -> tuple[tuple[Deal, ...], tuple[Caution, ...]]:
    """The deals in the order of the rows, and what to check.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    sheets = Sheets(source, {DEALS.name: DEALS})
    sheets.raise_problems()
    sheet = sheets[DEALS.name]
    _check(sheet)
    sheets.raise_problems()
    return sheet.records(Deal), tuple(sheets.cautions)


def deal_of_words(words: Mapping[str, str]) -> Deal:
    """One deal from what was typed; raise InputRefused with all problems."""
    deal = record_of_words(Deal, "book", words)
    problems = [Problem("book", None, *fault) for fault in _faults(cells(deal))]
    if problems:
        raise InputRefused(problems)
    return deal


def corrected(last: Deal, deal_id: str, words: Mapping[str, str]) -> Deal:
    """The deal that takes the place of another: what is given, the rest as it was."""
    was = {name: typed_text(value) for name, value in cells(last).items()}
    own = {"deal_id": deal_id, "corrects": last.deal_id, "withdrawn": "no", "recorded_on": ""}
    given = {name: text for name, text in words.items() if text}
    return deal_of_words({**was, **own, **given})


def _check(sheet: Sheet) -> None:
    ids = {row["deal_id"] for row in sheet.rows}
    for row in sheet.rows:
        if row["corrects"] and row["corrects"] not in ids:
            sheet.refuse(row.number, "corrects", row["corrects"], "a deal_id of this table")
        for fault in _faults(row):
            sheet.refuse(row.number, *fault)


def _faults(row: Mapping[str, Any] | Row) -> Iterable[tuple[str, str, str]]:
    """Columns that do not go together, what they say and what they must."""
    is_fixed = Pricing(row["pricing"]) is Pricing.FIXED
    if row["withdrawn"] and not row["corrects"]:
        yield "withdrawn", "yes", "no, as corrects names no deal"
    if row["priced_on"] and is_fixed:
        yield "priced_on", str(row["priced_on"]), "blank for a fixed price"
    if row["price"] < 0 and is_fixed:
        yield "price", f"{row['price']:g}", "0 or more for a fixed price"


def read_stress(source: Source) -> tuple[StressMove, ...]:
    """Stress moves made by hand; none where there is no such table. Raises as `read_deals`."""
    sheets = Sheets(source, {STRESS.name: STRESS})
    sheets.raise_problems()
    return sheets.records(STRESS.name, StressMove)
