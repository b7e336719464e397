"""The tables as sheets on the page: typing, pasting, undoing, files in and out."""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from blend.desk.book import (
    Edit,
    TooWide,
    TypedTable,
    delete_rows,
    edit_cells,
    insert_rows,
    paste_block,
    replace_rows,
    typed_table,
)
from blend.desk.desk import EDITED_TABLES, Desk, kept_columns
from blend.desk.journal import OWN
from blend.desk.pages import (
    Form,
    Upload,
    page,
    render_part,
    text_of,
    view,
    whole_number,
    written,
)
from blend.domain.columns import Column, Table
from blend.errors import Caution, FileTrouble, InputRefused, Problem
from blend.show.amounts import printable
from blend.tables.columns import IMPORT_TABLES, QUOTATIONS
from blend.tables.imports import read_imports
from blend.tables.quotations import read_quotations
from blend.tables.tables import MAX_BYTES, MAX_ROWS, Overlaid, RawTable, read_tables
from blend.tables.write import write_csv, write_plain_workbook
from blend.units import LB_PER_CWT

ROWS_AT_ONCE = 100
MAX_CELL_CHARACTERS = 32_767
_LIVE_AFTER = 2
"""How a lot stands is told after its id and its item, where it is seen without scrolling."""
_SEEN_FIRST = {"lots": ("lot_id", "item", "lean", "price", "price_unit", "quantity_lb")}
"""What is looked at and changed most stands first on the page; files keep their own order."""
Part = Callable[[Desk, Request], Mapping[str, Any]]


# What is shown -----------------------------------------------------------------------------------


def sheet_page(desk: Desk, request: Request, form: Form) -> Response:
    """One table alone on a page."""
    name = _name_of(request)
    return page(desk, request, "sheet.html", grid=grid_of(desk, request, name), title=name)


def grid_of(desk: Desk, request: Request, name: str) -> dict[str, Any]:
    """What the template of a sheet needs: `?from_LOTS=100` begins further down, `?only_LOTS=text`
    keeps rows that hold a text, `?columns_LOTS=all` shows columns that nobody filled in too."""
    table, typed = EDITED_TABLES[name], desk.table(name)
    asked = request.query_params
    only = asked.get(f"only_{name}", "").strip().casefold()
    rows = [
        (number, row_id, typed.rows[row_id])
        for number, row_id in enumerate(typed.order, 2)
        if not only or any(only in cell.casefold() for cell in typed.rows[row_id])
    ]
    first = whole_number(asked.get(f"from_{name}", "0")) or 0
    start = min(first, max(0, len(rows) - 1))
    start -= start % ROWS_AT_ONCE
    shows_all = asked.get(f"columns_{name}") == "all" or not typed.order
    filled = {
        place for cells in typed.rows.values() for place, cell in enumerate(cells) if cell.strip()
    }
    known = {column.name: column for column in table.columns}
    first_seen = _SEEN_FIRST.get(name, ())
    columns = [
        (place, column_name, known.get(column_name))
        for place, column_name in enumerate(typed.columns)
        if shows_all
        or place in filled
        or (column_name in known and known[column_name].required)
        or column_name == table.id_column
        or column_name in first_seen
    ]
    columns.sort(
        key=lambda each: first_seen.index(each[1]) if each[1] in first_seen else len(first_seen)
    )
    return {
        "name": name,
        "table": table,
        "columns": columns,
        "hidden": len(typed.columns) - len(columns),
        "rows": rows[start : start + ROWS_AT_ONCE],
        "start": start,
        "count": len(rows),
        "only": only,
        "step": ROWS_AT_ONCE,
        "hint": column_hint,
        "is_number": _is_number,
        "live": name == "lots",
        "live_after": min(_LIVE_AFTER, len(columns)),
    }


def column_hint(column: Column | None) -> str:
    """What a column holds, for who points at its name."""
    if column is None:
        return "no column of this table"
    unit = f", {column.unit}" if column.unit else ""
    return f"{column.about}{unit}. Allowed: {column.allowed}. Blank: {column.when_blank}."


def _is_number(column: Column | None) -> bool:
    return column is not None and column.is_number


def _status(desk: Desk, request: Request) -> Mapping[str, Any]:
    book = desk.book
    return {
        "undo": book.done[-1].about if book.done else "",
        "redo": book.undone[-1].about if book.undone else "",
        "state": desk.state(),
    }


def _marks(desk: Desk, request: Request) -> Mapping[str, Any]:
    """What the script paints into sheets: faults by cell, and of lots how they stand."""
    state = desk.state()
    faults: dict[str, list[list[Any]]] = {}
    for told in (*state.problems, *state.warnings, *_told_beside(desk)):
        table = told.file.removesuffix(".csv")
        typed = desk.book.tables.get(table)
        if typed is None or told.row is None or not 2 <= told.row < len(typed.order) + 2:
            continue
        row_id = typed.order[told.row - 2]
        faults.setdefault(table, []).append([row_id, told.column or "", printable(told.words)])
    lots = {}
    if state.plan is not None:
        lots = {
            lot.lot_id: [
                f"{lot.used_lb:,.0f}" if lot.used_lb >= 0.5 else "",
                "" if lot.value_usd_per_lb is None else f"{lot.value_usd_per_lb * LB_PER_CWT:,.2f}",
            ]
            for lot in state.plan.lots
        }
    return {"data": {"faults": faults, "lots": lots, "revision": state.revision}}


def _told_beside(desk: Desk) -> tuple[Problem | Caution, ...]:
    """What is wrong with tables that the plan does not hang on, and what to look at twice."""
    return tuple(
        told
        for read, names in ((read_quotations, (QUOTATIONS.name,)), (read_imports, IMPORT_TABLES))
        for told in _told_in(read, desk.place, *(desk.table(name).raw(name) for name in names))
    )


@lru_cache(maxsize=8)
def _told_in(
    read: Callable[[Overlaid], Any], place: Path, *raws: RawTable
) -> tuple[Problem, ...] | tuple[Caution, ...]:
    """By the rows themselves: it is asked for after every edit, of whatever table."""
    try:
        return read(Overlaid(place, {raw.file: raw for raw in raws})).warnings
    except InputRefused as refused:
        return refused.problems
    except FileTrouble:
        return ()


def _grid_part(name: str) -> Part:
    return lambda desk, request: {"grid": grid_of(desk, request, name)}


parts: dict[str, tuple[str, Part]] = {
    "status": ("parts/status.html", _status),
    "problems": ("parts/problems.html", lambda desk, request: {"state": desk.state()}),
    "marks": ("parts/marks.html", _marks),
    **{f"grid-{name}": ("parts/grid.html", _grid_part(name)) for name in EDITED_TABLES},
}
"""What may stand on any page and is made anew after an edit: template, and its values."""


def fresh_parts(desk: Desk, request: Request, form: Form) -> Response:
    """The parts that the page says it has, to take the place of the old ones."""
    asked = dict.fromkeys(text_of(form, "parts").split(","))
    known = request.app.state.parts
    return HTMLResponse(
        "\n".join(render_part(desk, request, n, oob=True) for n in asked if n in known)
    )


# What is done ------------------------------------------------------------------------------------


def change_cells(desk: Desk, request: Request, form: Form) -> Response:
    """Fields `row`, `column`, `text`; `group` joins the steps of a drag."""
    name, text = _name_of(request), text_of(form, "text")
    if len(text) > MAX_CELL_CHARACTERS:
        raise _refused(name, f"{len(text)} characters", f"at most {MAX_CELL_CHARACTERS}")
    cell = _row_of(form, name), text_of(form, "column")
    return _edit(desk, request, form, lambda typed: edit_cells(name, typed, {cell: text}))


def paste(desk: Desk, request: Request, form: Form) -> Response:
    """Fields `row` (blank: below the last), `column`, `text` as a spreadsheet copies it, `shown`:
    the columns on the page, tabs between them."""
    name, text = _name_of(request), text_of(form, "text")
    try:
        rows = csv.reader(io.StringIO(text, newline=""), delimiter="\t")
        # a blank line is a blank cell of a single column
        block = [row or [""] for row in rows]
    except csv.Error as error:
        raise _refused(name, f"what cannot be split into cells ({error})", "copied cells") from None
    if not any(any(row) for row in block):
        raise _refused(name, "nothing", "copied cells")
    longest = max(len(cell) for row in block for cell in row)
    if longest > MAX_CELL_CHARACTERS:
        raise _refused(name, f"{longest} characters", f"at most {MAX_CELL_CHARACTERS} in a cell")
    if len(block) + len(desk.table(name).order) > MAX_ROWS:
        raise _refused(name, f"{len(block)} rows", f"{MAX_ROWS} rows in all")
    row_id = _row_of(form, name) if text_of(form, "row") else None
    shown = text_of(form, "shown").split("\t") if "shown" in form else desk.table(name).columns
    column = text_of(form, "column") or shown[0]
    return _edit(
        desk,
        request,
        form,
        lambda typed: paste_block(name, typed, row_id, column, block, shown),
    )


def add_row(desk: Desk, request: Request, form: Form) -> Response:
    """A blank row below `row`, or below the last."""
    name = _name_of(request)
    row_id = _row_of(form, name) if text_of(form, "row") else None

    def edit(typed: TypedTable) -> Edit:
        place = len(typed.order) if row_id is None else typed.place_of(row_id) + 1
        return insert_rows(name, typed, place, [("",) * len(typed.columns)])

    return _edit(desk, request, form, edit)


def take_rows_out(desk: Desk, request: Request, form: Form) -> Response:
    """Field `rows`: ids of rows, joined by commas."""
    name = _name_of(request)
    ids = [whole_number(each) for each in text_of(form, "rows").split(",")]
    if None in ids:
        raise _refused(name, "no row", "rows that are there")
    return _edit(desk, request, form, lambda typed: delete_rows(name, typed, ids))


def undo(desk: Desk, request: Request, form: Form) -> Response:
    with desk.as_typed_in(text_of(form, "book")):
        desk.undo(_name_of_edit(form))
    return fresh_parts(desk, request, form)


def redo(desk: Desk, request: Request, form: Form) -> Response:
    with desk.as_typed_in(text_of(form, "book")):
        desk.redo(_name_of_edit(form))
    return fresh_parts(desk, request, form)


def keep_draft(desk: Desk, request: Request, form: Form) -> Response:
    """A text that is being written, by `key`, so that neither reload nor crash loses it."""
    key = text_of(form, "key")
    if not key or len(key) > 200 or key.startswith(OWN):
        raise _refused("draft", printable(key)[:60] or "no key", "the name of a form")
    with desk.lock:
        desk.journal.keep_draft(key, text_of(form, "text"))
    return Response(status_code=204)


def _edit(desk: Desk, request: Request, form: Form, make: Callable[[TypedTable], Edit]) -> Response:
    name = _name_of(request)
    try:
        with desk.as_typed_in(text_of(form, "book")):
            desk.edit(
                lambda book: make(book.tables[name]),
                name=_name_of_edit(form),
                group=text_of(form, "group")[:64],
            )
    except InputRefused:
        raise
    except TooWide as error:
        hint = "Show the blank columns too, or copy the row with the columns' names as well."
        allowed = "a block no wider than the columns from its cell on"
        raise InputRefused([Problem(name, None, None, str(error), allowed, hint)]) from None
    except (KeyError, ValueError) as error:
        raise _refused(name, f"a cell or row that is gone ({error})", "one that is there") from None
    return fresh_parts(desk, request, form)


def _name_of_edit(form: Form) -> str:
    return text_of(form, "name")[:64]


def _name_of(request: Request) -> str:
    name = request.path_params["table"]
    if name not in EDITED_TABLES:
        raise _refused(printable(name)[:60], "no such table", ", ".join(EDITED_TABLES))
    return name


def _row_of(form: Form, name: str) -> int:
    row = whole_number(text_of(form, "row"))
    if row is None:
        raise _refused(name, "no row", "a row that is there")
    return row


def _refused(table: str, read: str, allowed: str) -> InputRefused:
    return InputRefused([Problem(table, None, None, read, allowed)])


# Files -------------------------------------------------------------------------------------------


def upload(desk: Desk, request: Request, form: Form) -> Response:
    """A .csv or .xlsx in the place of the table; checked as the command line checks it, and
    refused whole where any of it is at fault."""
    name, sent = _name_of(request), form.get("file")
    if not isinstance(sent, Upload) or not sent.data:
        raise _refused(name, "no file", "a .csv or .xlsx")
    typed = uploaded_table(sent, EDITED_TABLES[name])
    desk.edit(lambda book: replace_rows(name, book.tables[name], typed))
    return RedirectResponse(_own_path(text_of(form, "back")) or f"/tables/{name}", 303)


def _own_path(text: str) -> str:
    """A path of the desk itself; empty for anything else."""
    is_own = text.startswith("/") and not text.startswith("//") and text.isprintable()
    return text if is_own and "\\" not in text else ""


def uploaded_table(sent: Upload, table: Table) -> TypedTable:
    """The table in a file that was sent; raise InputRefused or FileTrouble."""
    from blend.tables.rows import read_sheet

    ending = Path(sent.name).suffix.lower()
    if ending not in (".csv", ".xlsx"):
        raise _refused(sent.name, f"a file that ends in {ending or 'nothing'}", ".csv or .xlsx")
    if len(sent.data) > MAX_BYTES:
        raise _refused(sent.name, "a larger file", f"at most {MAX_BYTES // 1_000_000} MB")
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / f"{table.name}{ending}").write_bytes(sent.data)
        raw = read_tables(Path(folder), {table.name: table})
    if raw.problems:
        raise InputRefused(tuple(raw.problems.values()))
    sheet = read_sheet(raw.tables[table.name], table)
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())
    return typed_table(raw.tables[table.name], table)


def download(desk: Desk, request: Request, form: Form) -> Response:
    name = _name_of(request)
    header, rows = kept_columns(desk.table(name))
    return written(f"{name}.csv", lambda path: write_csv(path, header, rows))


def download_all(desk: Desk, request: Request, form: Form) -> Response:
    sheets = {
        name: kept_columns(table)
        for name, table in desk.book.tables.items()
        if table.order or EDITED_TABLES[name].required
    }
    return written("tables.xlsx", lambda path: write_plain_workbook(path, sheets))


def save(desk: Desk, request: Request, form: Form) -> Response:
    with desk.as_typed_in(text_of(form, "book")):
        desk.save(even_if_changed=text_of(form, "over") == "yes")
    return fresh_parts(desk, request, form)


def take_folder(desk: Desk, request: Request, form: Form) -> Response:
    # sent twice, it is done once: after the first the book is another
    if text_of(form, "book") in ("", desk.book.book_id):
        desk.take_folder()
    return fresh_parts(desk, request, form)


routes = [
    Route("/tables.xlsx", view(download_all)),
    Route("/tables/{table}.csv", view(download)),
    Route("/tables/{table}", view(sheet_page)),
    Route("/tables/{table}/cell", view(change_cells), methods=["POST"]),
    Route("/tables/{table}/paste", view(paste), methods=["POST"]),
    Route("/tables/{table}/add", view(add_row), methods=["POST"]),
    Route("/tables/{table}/remove", view(take_rows_out), methods=["POST"]),
    Route("/tables/{table}/file", view(upload), methods=["POST"]),
    Route("/undo", view(undo), methods=["POST"]),
    Route("/redo", view(redo), methods=["POST"]),
    Route("/draft", view(keep_draft), methods=["POST"]),
    Route("/save", view(save), methods=["POST"]),
    Route("/take", view(take_folder), methods=["POST"]),
    Route("/parts", view(fresh_parts), methods=["POST"]),
]
