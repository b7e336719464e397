"""Read the market's quotations, all problems told at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from blend.domain.quotations import Quotation
from blend.errors import Caution, InputRefused
from blend.tables.build import usd_per_lb
from blend.tables.cautions import price_cautions
from blend.tables.columns import QUOTATIONS
from blend.tables.rows import Row, Sheet, read_sheet
from blend.tables.tables import Source, read_tables


@dataclass(frozen=True, slots=True)
class QuotationsRead:
    """The quotations in the order of the rows, and what to look at twice."""

    quotations: tuple[Quotation, ...]
    warnings: tuple[Caution, ...]


def read_quotations(source: Source) -> QuotationsRead:
    """Read the table of quotations from a folder or a workbook.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    raw = read_tables(source, {QUOTATIONS.name: QUOTATIONS})
    if raw.problems:
        raise InputRefused(tuple(raw.problems.values()))
    sheet = read_sheet(raw.tables[QUOTATIONS.name], QUOTATIONS)
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())
    quotations = tuple(map(_quotation_of, sheet.rows))
    prices = [each.usd_per_lb for each in quotations]
    warnings = (
        *raw.warnings,
        *price_cautions(sheet, prices, "all quotations"),
        *_repeated(sheet),
    )
    return QuotationsRead(quotations, warnings)


def _repeated(sheet: Sheet) -> Iterator[Caution]:
    """Rows that quote what another quotes: as a rule a row was copied and its day left."""
    first_of: dict[tuple[object, ...], int] = {}
    for row in sheet.rows:
        terms = row["quoted_on"], row["item"], row["species"], row["fresh_or_frozen"], row["lean"]
        first = first_of.setdefault(terms, row.number)
        if first != row.number:
            fact = f"{row['item']} of {row['quoted_on']} is quoted in row {first} too"
            yield Caution(sheet.file, row.number, "item", fact, "Both count.")


def _quotation_of(row: Row) -> Quotation:
    values = dict(row.values)
    price, unit = values.pop("price"), values.pop("price_unit")
    return Quotation(usd_per_lb=usd_per_lb(price, unit), **values)
