"""Read the deals of a book, all problems listed at once."""

from __future__ import annotations

from blend.domain.book import Deal, Pricing, StressMove
from blend.errors import Caution
from blend.tables.columns import DEALS, STRESS
from blend.tables.rows import Sheet, Sheets
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


def _check(sheet: Sheet) -> None:
    ids = {row["deal_id"] for row in sheet.rows}
    for row in sheet.rows:
        if row["corrects"] and row["corrects"] not in ids:
            sheet.refuse(row.number, "corrects", row["corrects"], "a deal_id of this table")
        if row["withdrawn"] and not row["corrects"]:
            sheet.refuse(row.number, "withdrawn", "yes", "no, as corrects names no deal")
        if row["priced_on"] and Pricing(row["pricing"]) is Pricing.FIXED:
            sheet.refuse(row.number, "priced_on", str(row["priced_on"]), "blank for a fixed price")
        if row["price"] < 0 and Pricing(row["pricing"]) is Pricing.FIXED:
            sheet.refuse(row.number, "price", f"{row['price']:g}", "0 or more for a fixed price")


def read_stress(source: Source) -> tuple[StressMove, ...]:
    """Stress moves made by hand; none where there is no such table. Raises as `read_deals`."""
    sheets = Sheets(source, {STRESS.name: STRESS})
    sheets.raise_problems()
    return sheets.records(STRESS.name, StressMove)
