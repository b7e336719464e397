"""Read a case: every table, or every problem of every table at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from blend.domain.case import Case, Settings
from blend.domain.columns import made
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Loss, Rule
from blend.domain.standards import StandardRow
from blend.domain.stock import valued
from blend.errors import Caution
from blend.tables.cautions import blank_cautions, cautions
from blend.tables.cells import CellRefused, parse_cell
from blend.tables.columns import SETTING_COLUMNS, TABLES, Column
from blend.tables.cross import check_must_use, check_product_standards, check_rows
from blend.tables.rows import Sheet, Sheets
from blend.tables.standards import packaged_standards
from blend.tables.tables import Source


@dataclass(frozen=True, slots=True)
class CaseRead:
    """A case as read, and what its user should check before trusting a plan of it.

    `blanks` are those of the warnings that are about blank cells.
    """

    case: Case
    warnings: tuple[Caution, ...]
    blanks: tuple[Caution, ...] = ()

    @property
    def warnings_in_short(self) -> tuple[Caution, ...]:
        """The warnings, with those about blanks in one where there are several."""
        if len(self.blanks) < 2:
            return self.warnings
        names = ", ".join(dict.fromkeys(str(each.column) for each in self.blanks))
        fact = f"read as their defaults, some of which make a plan cheaper or allow more ({names})"
        others = (each for each in self.warnings if each not in self.blanks)
        return (Caution("blank cells", None, None, fact, "See blend check."), *others)


def read_case(source: Source) -> CaseRead:
    """Read a case from a folder of tables, one .xlsx workbook or DataFrames.

    `case.standards` are the rows of the standards that products name, built-in ones and the
    case's own, by row_id. Raise InputRefused with all problems in the order of tables, rows
    and columns; raise FileTrouble for what cannot be opened.
    """
    sheets = Sheets(source, TABLES)
    for sheet in sheets.by_name.values():
        check_rows(sheet)
    settings = read_settings(sheets["settings"], SETTING_COLUMNS) if "settings" in sheets else {}
    _check_next_grind(sheets, settings)
    standards = _read_standards(sheets)
    _check_across(sheets, standards)
    sheets.raise_problems()
    used = {name for product in sheets.records("products", Product) for name in product.standards}
    plan_settings = made(Settings, settings)
    case = Case(
        settings=plan_settings,
        lots=tuple(valued(lot, plan_settings) for lot in sheets.records("lots", Lot)),
        products=sheets.records("products", Product),
        rules=sheets.records("rules", Rule),
        losses=sheets.records("losses", Loss),
        standards=tuple(
            sorted((row for row in standards if row.standard_id in used), key=lambda r: r.row_id)
        ),
    )
    blanks = tuple(blank_cautions(sheets))
    return CaseRead(case, (*sheets.cautions, *blanks, *cautions(case, sheets)), blanks)


def read_settings(sheet: Sheet, columns: dict[str, Column]) -> dict[str, Any]:
    """Each setting by name, its default where it is blank or not named; raises nothing."""
    rows = {row["setting"]: row for row in reversed(sheet.rows) if "setting" in row}
    settings = {}
    for name, column in columns.items():
        row = rows.get(name)
        if row is not None and "value" not in row:
            continue  # a ragged row is listed already
        cell = row["value"] if row is not None else None
        try:
            settings[name] = parse_cell(column, cell)
        except CellRefused as refused:
            if row is not None:
                sheet.refuse(row.number, name, *refused.words(column, cell))
            elif sheet.has_every_id:
                sheet.refuse(None, name, "no such setting", hint=f"Enter {column.enter}.")
    return settings


def _check_next_grind(sheets: Sheets, settings: dict[str, Any]) -> None:
    following, today = settings.get("next_grind_on"), settings.get("plan_on")
    if following is not None and today is not None and following <= today:
        required = f"a day after plan_on, {today}"
        sheets["settings"].refuse(None, "next_grind_on", str(following), required)


def _read_standards(sheets: Sheets) -> list[StandardRow]:
    """Built-in standards and the case's own; none when the case has no use for any."""
    own = sheets.rows("standards")
    if not own and not any(row.values.get("standards") for row in sheets.rows("products")):
        return []
    standards = list(packaged_standards())
    packaged_ids = {row.row_id.casefold() for row in standards}
    for row in own:
        if "row_id" in row and row["row_id"].casefold() in packaged_ids:
            required = "a name that no built-in row has"
            sheets["standards"].refuse(row.number, "row_id", row["row_id"], required)
        elif sheets["standards"].is_whole(row):
            standards.append(made(StandardRow, row.values))
    return standards


def _check_across(sheets: Sheets, standards: list[StandardRow]) -> None:
    products = sheets.get("products")
    if products is not None:
        known = _known_standards(sheets, standards)
        for row in products.rows if known is not None else ():
            products.refuse_unknown(row, "standards", known or (), "standards")
        check_product_standards(products, standards)
        for name in ("rules", "losses"):
            for row in sheets.rows(name) if products.has_every_id else ():
                sheets[name].refuse_unknown(row, "products", products.ids(), "products")
    if "rules" in sheets and "lots" in sheets:
        check_must_use(sheets["rules"], sheets["lots"])


def _known_standards(sheets: Sheets, standards: list[StandardRow]) -> set[str] | None:
    """Every standard_id there is, None when the case's own cannot all be read."""
    if "standards" in sheets.raw.problems:
        return None
    own = sheets.get("standards")
    if own is not None and not (own.has_every_id and all("standard_id" in r for r in own.rows)):
        return None
    return {row.standard_id for row in standards} | {
        row["standard_id"] for row in sheets.rows("standards")
    }
