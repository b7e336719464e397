"""Read a case: every table, or every problem of every table at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from blend.domain.case import Case, Settings
from blend.domain.rules import WholeContainers
from blend.domain.standards import StandardRow
from blend.errors import Caution, InputRefused
from blend.tables.build import loss_of, lot_of, product_of, rule_of, standard_row_of
from blend.tables.cautions import blank_cautions, cautions
from blend.tables.cells import CellRefused, parse_cell, shown
from blend.tables.columns import SETTING_COLUMNS, TABLES
from blend.tables.cross import (
    check_must_use,
    check_product_standards,
    check_references,
    check_rows,
)
from blend.tables.rows import Sheet, problems_in_order, read_sheet
from blend.tables.standards import packaged_standards
from blend.tables.tables import RawCase, Source, read_tables


@dataclass(frozen=True, slots=True)
class CaseRead:
    """A case as read, and what its user should look at twice before trusting a plan of it.

    `blanks` are those of the warnings that are about blank cells.
    """

    case: Case
    warnings: tuple[Caution, ...]
    blanks: tuple[Caution, ...] = ()


def read_case(source: Source) -> CaseRead:
    """Read a case from a folder of tables or from one .xlsx workbook with a sheet for each.

    `case.standards` are the rows of the standards that products name, packaged ones and the
    case's own, by row_id. Raise InputRefused with all problems in the order of tables, rows
    and columns; raise FileTrouble for what cannot be opened.
    """
    raw = read_tables(source)
    sheets = {name: read_sheet(table, TABLES[name]) for name, table in raw.tables.items()}
    for sheet in sheets.values():
        check_rows(sheet)
    settings = _read_settings(sheets["settings"]) if "settings" in sheets else {}
    standards = _read_standards(sheets)
    _check_across(raw, sheets, standards)
    problems = problems_in_order(raw, sheets, TABLES)
    if problems:
        raise InputRefused(problems)
    case = _case_of(settings, sheets, standards)
    blanks = tuple(blank_cautions(sheets.values()))
    return CaseRead(case, (*raw.warnings, *blanks, *cautions(case, sheets)), blanks)


def _read_settings(sheet: Sheet) -> dict[str, Any]:
    """Each setting by name, its default where it is blank or not named."""
    cells = {row["setting"]: row for row in reversed(sheet.rows) if "setting" in row}
    settings = {}
    for name, column in SETTING_COLUMNS.items():
        row = cells.get(name)
        if row is not None and "value" not in row:
            # A ragged row has been told of already.
            continue
        cell = row["value"] if row is not None else None
        try:
            settings[name] = parse_cell(column, cell)
        except CellRefused as refused:
            allowed = refused.allowed or column.allowed
            if row is not None:
                sheet.refuse(row.number, name, shown(cell), allowed, refused.hint)
            elif sheet.has_every_id:
                sheet.refuse(None, name, "no such setting", allowed)
    return settings


def _read_standards(sheets: dict[str, Sheet]) -> list[StandardRow]:
    """Packaged standards and the case's own; none when the case has no use for any."""
    own = sheets["standards"].rows if "standards" in sheets else []
    products = sheets["products"].rows if "products" in sheets else []
    if not own and not any(row.values.get("standards") for row in products):
        return []
    standards = list(packaged_standards())
    packaged_ids = {row.row_id.casefold() for row in standards}
    for row in own:
        if "row_id" in row and row["row_id"].casefold() in packaged_ids:
            sheets["standards"].refuse(
                row.number, "row_id", row["row_id"], "a name that no packaged row has"
            )
        elif sheets["standards"].is_whole(row):
            standards.append(standard_row_of(row))
    return standards


def _check_across(raw: RawCase, sheets: dict[str, Sheet], standards: list[StandardRow]) -> None:
    products, lots = sheets.get("products"), sheets.get("lots")
    rules, losses = sheets.get("rules"), sheets.get("losses")
    if products is not None:
        known = _known_standards(raw, sheets, standards)
        if known is not None:
            check_references(products, "standards", known, "standards")
        check_product_standards(products, standards)
        for sheet in (rules, losses):
            if sheet is not None and products.has_every_id:
                check_references(sheet, "products", products.ids(), "products")
    if rules is not None and lots is not None:
        check_must_use(rules, lots)


def _known_standards(
    raw: RawCase, sheets: dict[str, Sheet], standards: list[StandardRow]
) -> set[str] | None:
    """Every standard_id there is, None when the case's own cannot all be read."""
    if "standards" in raw.problems:
        return None
    known = {row.standard_id for row in standards}
    own = sheets.get("standards")
    if own is None:
        return known
    if not own.has_every_id or not all("standard_id" in row for row in own.rows):
        return None
    return known | {row["standard_id"] for row in own.rows}


def _case_of(
    settings: dict[str, Any], sheets: dict[str, Sheet], standards: list[StandardRow]
) -> Case:
    def objects(table: str, build: Any) -> tuple[Any, ...]:
        return tuple(build(row) for row in sheets[table].rows) if table in sheets else ()

    products = objects("products", product_of)
    used = {standard_id for product in products for standard_id in product.standards}
    return Case(
        settings=Settings(
            **settings | {"whole_containers": WholeContainers(settings["whole_containers"])}
        ),
        lots=objects("lots", lot_of),
        products=products,
        rules=objects("rules", rule_of),
        losses=objects("losses", loss_of),
        standards=tuple(
            sorted(
                (row for row in standards if row.standard_id in used), key=lambda row: row.row_id
            )
        ),
    )
