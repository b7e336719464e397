"""The tables as sheets on the page: typing, pasting, undoing, files in and out."""

from __future__ import annotations

import csv
import io
import json
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
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
    readable,
    render_part,
    text_of,
    view,
    whole_number,
    written,
)
from blend.domain.columns import Column, Kind, Table
from blend.errors import Caution, FileTrouble, InputRefused, Problem, meant
from blend.output.formats import printable
from blend.tables.cells import number_meant
from blend.tables.columns import IMPORT_TABLES, QUOTATIONS
from blend.tables.forms import label_of, shown_word
from blend.tables.imports import read_imports
from blend.tables.quotations import read_quotations
from blend.tables.tables import MAX_BYTES, MAX_ROWS, Overlaid, RawTable, read_tables
from blend.tables.write import write_csv, write_plain_workbook
from blend.units import LB_PER_CWT

MOST_LISTED = 20
MAX_CELL_CHARACTERS = 32_767
_SEEN_FIRST = {"lots": ("lot_id", "item", "lean", "price", "price_unit", "quantity_lb")}
"""What is looked at and changed most stands first on the page; files keep their own order."""
Part = Callable[[Desk, Request], Mapping[str, Any]]


# What is shown -----------------------------------------------------------------------------------


def sheet_page(desk: Desk, request: Request, form: Form) -> Response:
    """One table alone on a page."""
    name = _name_of(request)
    return page(desk, request, "sheet.html", table=EDITED_TABLES[name], title=name)


def grid_data(desk: Desk, name: str) -> dict[str, Any]:
    """A table for the page's grid: its columns, the most used first, and its rows as typed.

    Each row begins with its id and its number in the file, whose header is row 1. `is_blank`
    columns are those that the page may hide.
    """
    table, typed = EDITED_TABLES[name], desk.table(name)
    filled = {
        place for cells in typed.rows.values() for place, cell in enumerate(cells) if cell.strip()
    }
    known = {column.name: column for column in table.columns}
    first = _SEEN_FIRST.get(name, ())
    places = sorted(
        range(len(typed.columns)),
        key=lambda place: (
            first.index(typed.columns[place]) if typed.columns[place] in first else len(first)
        ),
    )
    columns = []
    for place in places:
        column_name = typed.columns[place]
        column = known.get(column_name)
        is_needed = column is not None and column.required
        columns.append(
            {
                "name": column_name,
                "title": column_name.replace("_", " ") if column is None else label_of(column),
                "hint": f"{column_name}: {column_hint(column)}",
                "kind": "number" if _is_number(column) else "text",
                "words": _words_of(column),
                "shown": {
                    word: shown for word in _words_of(column) if (shown := shown_word(word)) != word
                },
                "is_known": column is not None,
                "is_blank": not (place in filled or is_needed or column_name in first),
            }
        )
    rows = [
        [row_id, number, *(typed.rows[row_id][place] for place in places)]
        for number, row_id in enumerate(typed.order, 2)
    ]
    return {"columns": columns, "rows": rows, "id_column": table.id_column}


def _words_of(column: Column | None) -> list[str]:
    """The words that a cell of the column can only hold."""
    if column is None:
        return []
    if column.kind is Kind.YES_NO:
        return ["yes", "no"]
    return list(column.choices) if column.kind is Kind.CHOICE else []


def suggestion(column: Column | None, text: str) -> str:
    """What a refused cell was likely meant to say; empty where that is anyone's guess."""
    if column is None or not text.strip():
        return ""
    if _is_number(column):
        number = number_meant(column, text)
        likely = "" if number is None else f"{number:.12g}"
    else:
        low = text.strip().casefold()
        begun = [word for word in _words_of(column) if word.casefold().startswith(low)]
        names = begun if len(begun) == 1 else meant(text, _words_of(column))
        likely = names[0] if len(names) == 1 else ""
    return "" if likely == text.strip() else likely


def column_hint(column: Column | None) -> str:
    """What a column holds, for who points at its name."""
    if column is None:
        return "no column of this table"
    unit = f", {column.unit}" if column.unit else ""
    return f"{column.about}{unit}. Allowed: {column.allowed}. Blank: {column.when_blank}."


def _is_number(column: Column | None) -> bool:
    return column is not None and column.is_number


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing to fix, or to look at, in a cell or a row of a table as typed."""

    table: str
    row_id: int
    column: str
    where: str
    words: str
    suggestion: str


def fault_of(desk: Desk, found: Problem | Caution) -> Fault | None:
    """Where on the page it is; None where it is of no row of the tables that are edited."""
    table = found.file.removesuffix(".csv")
    typed = desk.book.tables.get(table)
    if typed is None or found.row is None or not 2 <= found.row < len(typed.order) + 2:
        return None
    row_id, column, likely = typed.order[found.row - 2], found.column or "", ""
    cells = dict(zip(typed.columns, typed.rows[row_id], strict=True))
    known = {each.name: each for each in EDITED_TABLES[table].columns}
    if isinstance(found, Problem) and column in cells:
        likely = suggestion(known.get(column), cells[column])
    name = cells.get(EDITED_TABLES[table].id_column, "").strip()
    shown_column = known.get(column)
    label = column.replace("_", " ") if shown_column is None else label_of(shown_column)
    where = " ".join(filter(None, (name or f"row {found.row}", label.partition(",")[0].lower())))
    return Fault(table, row_id, column, printable(where), printable(found.words), likely)


def _problems(desk: Desk, request: Request) -> Mapping[str, Any]:
    """What is wrong with the tables, each with its place on the page where it has one."""
    state = desk.state()
    listed = [(problem, fault_of(desk, problem)) for problem in state.problems]
    return {"state": state, "listed": listed, "more": max(0, len(listed) - MOST_LISTED)}


def _marks(desk: Desk, request: Request) -> Mapping[str, Any]:
    """What the script paints into sheets: faults by cell, and how each lot stands."""
    state = desk.state()
    faults: dict[str, list[list[Any]]] = {}
    for found in (*state.problems, *state.warnings, *_found_elsewhere(desk)):
        fault = fault_of(desk, found)
        if fault is not None:
            at = [fault.row_id, fault.column, fault.words, fault.suggestion]
            faults.setdefault(fault.table, []).append(at)
    lots = {}
    if state.shown is not None:
        lots = {
            lot.lot_id: [
                f"{lot.used_lb:,.0f}" if lot.used_lb >= 0.5 else "",
                "" if lot.value_usd_per_lb is None else f"{lot.value_usd_per_lb * LB_PER_CWT:,.2f}",
            ]
            for lot in state.shown.lots
        }
    return {"data": {"faults": faults, "lots": lots, "revision": state.revision}}


def _found_elsewhere(desk: Desk) -> tuple[Problem | Caution, ...]:
    """What is wrong with tables that the plan does not depend on, and what to check."""
    return tuple(
        found
        for read, names in ((read_quotations, (QUOTATIONS.name,)), (read_imports, IMPORT_TABLES))
        for found in _found_in(read, desk.place, *(desk.table(name).raw(name) for name in names))
    )


@lru_cache(maxsize=8)
def _found_in(
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
    return lambda desk, request: {"name": name, "data": grid_data(desk, name)}


parts: dict[str, tuple[str, Part]] = {
    "status": ("parts/status.html", lambda desk, request: {"book": desk.book}),
    "problems": ("parts/problems.html", _problems),
    "marks": ("parts/marks.html", _marks),
    **{f"grid-{name}": ("parts/grid.html", _grid_part(name)) for name in EDITED_TABLES},
}
"""What may stand on any page and is rebuilt after an edit: template, and its values."""


def fresh_parts(desk: Desk, request: Request, form: Form) -> Response:
    """The parts that the page says it has, to take the place of the old ones."""
    asked = dict.fromkeys(text_of(form, "parts").split(","))
    known = request.app.state.parts
    return HTMLResponse("\n".join(render_part(desk, request, n) for n in asked if n in known))


# What is done ------------------------------------------------------------------------------------


def change_cells(desk: Desk, request: Request, form: Form) -> Response:
    """Fields `row`, `column`, `text`, or `edits` with several of them as JSON: one action, undone
    as one; `group` joins the steps of a drag."""
    name = _name_of(request)
    texts = _edits_of(form, name) if "edits" in form else _one_edit_of(form, name)
    longest = max(map(len, texts.values()))
    if longest > MAX_CELL_CHARACTERS:
        raise _refused(name, f"{longest} characters", f"at most {MAX_CELL_CHARACTERS}")
    return _edit(desk, request, form, lambda typed: edit_cells(name, typed, texts))


def _one_edit_of(form: Form, name: str) -> dict[tuple[int, str], str]:
    return {(_row_of(form, name), text_of(form, "column")): text_of(form, "text")}


def _edits_of(form: Form, name: str) -> dict[tuple[int, str], str]:
    try:
        edits = json.loads(text_of(form, "edits"))
        texts = {(each["row"], each["column"]): each["text"] for each in edits}
    except (ValueError, TypeError, KeyError, RecursionError):
        raise _refused(name, "edits that are none", "a row, a column and a text in each") from None
    is_sound = all(
        type(row) is int and isinstance(column, str) and isinstance(text, str)
        for (row, column), text in texts.items()
    )
    if not texts or not is_sound:
        raise _refused(name, "edits that are none", "a row, a column and a text in each")
    return {cell: readable(text) for cell, text in texts.items()}


def paste(desk: Desk, request: Request, form: Form) -> Response:
    """Fields `rows` (ids from the cell down, as they stand on the page; what is longer goes below
    the last) or `row` (all from this one on; blank: below the last), `column`, `text` as a
    spreadsheet copies it, `shown`: the columns on the page, tabs between them."""
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
    targets = _ids_of(form, name) if text_of(form, "rows") else None
    row_id = _row_of(form, name) if text_of(form, "row") else None
    shown = text_of(form, "shown").split("\t") if "shown" in form else desk.table(name).columns
    column = text_of(form, "column") or shown[0]

    def edit(typed: TypedTable) -> Edit:
        below = [] if row_id is None else typed.order[typed.place_of(row_id) :]
        return paste_block(name, typed, targets or below, column, block, shown)

    return _edit(desk, request, form, edit)


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
    ids = _ids_of(form, name)
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


def _ids_of(form: Form, name: str) -> list[int]:
    ids = [whole_number(each) for each in text_of(form, "rows").split(",")]
    if None in ids:
        raise _refused(name, "no row", "rows that are there")
    return [each for each in ids if each is not None]


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
