"""Read the market's quotations, all problems told at once."""

from __future__ import annotations

from dataclasses import dataclass

from blend.domain.quotations import Quotation
from blend.errors import InputRefused, Problem
from blend.sheets.build import usd_per_lb
from blend.sheets.columns import QUOTATIONS
from blend.sheets.rows import Row, read_sheet
from blend.sheets.tables import Source, read_tables


@dataclass(frozen=True, slots=True)
class QuotationsRead:
    """The quotations in the order of the rows, and what to look at twice."""

    quotations: tuple[Quotation, ...]
    warnings: tuple[Problem, ...]


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
    return QuotationsRead(tuple(map(_quotation_of, sheet.rows)), tuple(raw.warnings))


def _quotation_of(row: Row) -> Quotation:
    values = dict(row.values)
    price, unit = values.pop("price"), values.pop("price_unit")
    return Quotation(usd_per_lb=usd_per_lb(price, unit), **values)
