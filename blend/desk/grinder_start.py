"""The first plan of an empty folder, step by step: a lot, a product, or the invented plant."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import partial
from uuid import uuid4

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.desk.book import Book, Edit, edit_cells, insert_rows, replace_rows, typed_table
from blend.desk.desk import CASE_TABLES, Desk
from blend.desk.loosening import row_of
from blend.desk.pages import Form, text_of, view
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.errors import InputRefused
from blend.tables.forms import form_fields
from blend.tables.rows import read_sheet
from blend.tables.starter import demo_folder
from blend.tables.tables import RawTable, read_tables

_FIRST: Mapping[str, tuple[type, tuple[str, ...]]] = {
    "lots": (Lot, ("lot_id", "item", "species", "lean", "price", "price_unit", "quantity_lb",
                   "origin")),
    "products": (
        Product,
        ("product_id", "name", "species", "target_lean", "tolerance_below_points",
         "tolerance_above_points", "min_lb", "batch_lb", "blender_min_lb", "blender_max_lb"),
    ),
}  # fmt: skip
"""The columns that a first row asks for."""


def first_rows(desk: Desk) -> list[dict[str, object]]:
    """The steps: for each table its fields, an example in each, and whether it is done."""
    steps: list[dict[str, object]] = []
    for table, (kind, names) in _FIRST.items():
        fields = {each.name: each for each in form_fields(kind)}
        examples = {each.name: each.example for each in CASE_TABLES[table].columns}
        shown = [(fields[name], examples[name]) for name in names]
        steps.append({"table": table, "fields": shown, "is_done": bool(desk.table(table).order)})
    return steps


def start(desk: Desk, request: Request, form: Form) -> Response:
    """Field `table` adds a row of its other fields; without one the invented plant comes in."""
    table = text_of(form, "table")
    if table in _FIRST:
        _add_row(desk, table, {name: text_of(form, name).strip() for name in _FIRST[table][1]})
    else:
        _take_demo(desk)
    return RedirectResponse("/grinder", 303)


def _add_row(desk: Desk, table: str, values: Mapping[str, str]) -> None:
    """Raise InputRefused with all that is wrong: nothing is added then."""
    raw = RawTable(table, ((1, tuple(values)), (2, tuple(values.values()))))
    sheet = read_sheet(raw, CASE_TABLES[table])
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())

    def edit(book: Book) -> Edit:
        typed = book.tables[table]
        row = tuple(values.get(column, "") for column in typed.columns)
        return insert_rows(table, typed, len(typed.order), [row])

    group = uuid4().hex
    desk.edit(edit, group=group)
    _plan_for_today(desk, group)


def _plan_for_today(desk: Desk, group: str) -> None:
    """Where no day is set yet."""
    settings, row = desk.table("settings"), row_of(desk.book, "settings", "plan_on")
    if row is not None and not settings.rows[row][settings.columns.index("value")].strip():
        cell = {(row, "value"): date.today().isoformat()}
        desk.edit(lambda book: edit_cells("settings", book.tables["settings"], cell), group=group)


def _take_demo(desk: Desk) -> None:
    """The invented plant in place of what is there, as one action."""
    raw, group = read_tables(demo_folder(), CASE_TABLES), uuid4().hex
    for table in raw.tables:
        desk.edit(partial(_replaced, table, raw.tables[table]), group=group)


def _replaced(table: str, raw: RawTable, book: Book) -> Edit:
    return replace_rows(table, book.tables[table], typed_table(raw, CASE_TABLES[table]))


routes = [Route("/grinder/start", view(start), methods=["POST"])]
