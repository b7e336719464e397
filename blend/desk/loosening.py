"""Cells typed by a button: a price to try, a change that makes a plan possible."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from uuid import uuid4

from blend.desk.book import Book, Edit, edit_cells
from blend.desk.desk import EDITED_TABLES, Desk
from blend.domain.case import Case
from blend.domain.plan import Change
from blend.domain.requirements import ConstraintClass
from blend.errors import InputRefused, Problem
from blend.grinder.ways_out import rounded
from blend.model.rules import limit_of
from blend.output.formats import printable
from blend.tables.cells import restored

_OF_PRODUCT: dict[str, str] = {
    ConstraintClass.LEAN_MIN: "tolerance_below_points",
    ConstraintClass.LEAN_MAX: "tolerance_above_points",
    ConstraintClass.VOLUME_MIN: "min_lb",
    ConstraintClass.VOLUME_MAX: "max_lb",
}


@dataclass(frozen=True, slots=True)
class CellEdit:
    """One cell and the text that goes into it."""

    table: str
    row_id: int
    column: str
    text: str


def cell_of(change: Change, case: Case, book: Book) -> CellEdit | None:
    """Where the change is typed; None where no single cell holds it, as for what is set
    by a published standard or can only be given up."""
    asked = change.requirement
    if change.unit == "drop":
        return None
    if asked.constraint_class in _OF_PRODUCT:
        place = "products", asked.product_id, _OF_PRODUCT[asked.constraint_class]
    elif asked.constraint_class is ConstraintClass.SUPPLY and asked.lot_id:
        place = "lots", asked.lot_id, "quantity_lb"
    elif any(rule.rule_id == asked.rule_id for rule in case.rules):
        limit = limit_of(asked.constraint_class)
        if limit is None or not limit.column:
            return None
        place = "rules", asked.rule_id, limit.column
    else:
        return None
    table, name, column = place
    row_id = row_of(book, table, name)
    return None if row_id is None else CellEdit(table, row_id, column, _text(change, case))


def rows_by_id(book: Book, table: str) -> dict[str, int]:
    """The rows of a table by their id as the readers take it; the first, where two share one."""
    typed = book.tables[table]
    place = typed.columns.index(EDITED_TABLES[table].id_column)
    return {as_read(typed.rows[row][place]): row for row in reversed(typed.order)}


def row_of(book: Book, table: str, name: str) -> int | None:
    """The row of a table whose id is this; None where there is none."""
    return rows_by_id(book, table).get(name)


def as_read(cell: str) -> str:
    """A name as the readers take it."""
    return restored(" ".join(unicodedata.normalize("NFC", cell).split()))


def _text(change: Change, case: Case) -> str:
    """The number as typed, rounded to the easier side so that it is enough."""
    becomes = rounded(change, case).becomes
    if change.unit == "share":
        percent = f"{100 * becomes:.4f}".rstrip("0").rstrip(".")
        is_lean = change.requirement.constraint_class in (
            ConstraintClass.LEAN_MIN,
            ConstraintClass.LEAN_MAX,
        )
        return percent if is_lean else f"{percent}%"
    return f"{max(0.0, becomes):.12g}"


def all_cells(changes: Iterable[Change], case: Case, book: Book) -> list[CellEdit] | None:
    """The cells of changes that help only together; None where any of them has none."""
    cells = []
    for change in changes:
        cell = cell_of(change, case, book)
        if cell is None:
            return None
        cells.append(cell)
    return cells or None


def type_cells(desk: Desk, cells: Iterable[CellEdit], *, name: str = "") -> None:
    """Type cells, as one action in each table; raise InputRefused where one is gone."""
    group = uuid4().hex
    by_table: dict[str, dict[tuple[int, str], str]] = {}
    for cell in cells:
        by_table.setdefault(cell.table, {})[cell.row_id, cell.column] = cell.text
    for table, texts in by_table.items():
        try:
            desk.edit(partial(_edit_of, table, texts), name=name_in(table, name), group=group)
        except KeyError:
            raise gone(table) from None


def _edit_of(table: str, texts: Mapping[tuple[int, str], str], book: Book) -> Edit:
    return edit_cells(table, book.tables[table], texts)


def name_in(table: str, name: str) -> str:
    """The name of what one action changes in one table; blank where the action has none."""
    return f"{name[:40]} {table}" if name else ""


def was_typed(desk: Desk, name: str) -> bool:
    """Whether an action of this name was done before."""
    return any(name_in(table, name) in desk.book.names for table in EDITED_TABLES)


def gone(table: str) -> InputRefused:
    read, allowed = "a cell that is gone", "one that is there"
    return InputRefused([Problem(printable(table)[:60], None, None, read, allowed)])
