"""Read the market's quotations, all problems listed at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from blend.domain.quotations import Quotation
from blend.errors import Caution
from blend.tables.cautions import price_cautions
from blend.tables.columns import QUOTATIONS
from blend.tables.rows import Sheet, Sheets
from blend.tables.tables import Source


@dataclass(frozen=True, slots=True)
class QuotationsRead:
    """The quotations in the order of the rows, and what to check."""

    quotations: tuple[Quotation, ...]
    warnings: tuple[Caution, ...]


def read_quotations(source: Source) -> QuotationsRead:
    """Read the table of quotations.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    sheets = Sheets(source, {QUOTATIONS.name: QUOTATIONS})
    sheets.raise_problems()
    sheet = sheets[QUOTATIONS.name]
    quotations = sheet.records(Quotation)
    prices = price_cautions(sheet, [each.usd_per_lb for each in quotations], "all quotations")
    return QuotationsRead(quotations, (*sheets.cautions, *prices, *_repeated(sheet)))


def _repeated(sheet: Sheet) -> Iterator[Caution]:
    """Rows that quote what another quotes: usually a row was copied and its day left."""
    first_of: dict[tuple[object, ...], int] = {}
    for row in sheet.rows:
        terms = row["quoted_on"], row["item"], row["species"], row["fresh_or_frozen"], row["lean"]
        first = first_of.setdefault(terms, row.number)
        if first != row.number:
            fact = f"{row['item']} on {row['quoted_on']} is quoted in row {first} too"
            yield Caution(sheet.file, row.number, "item", fact, "Both count.")
