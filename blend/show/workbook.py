"""A plan as a workbook: purchases, a sheet for the grinding floor for each product, money,
worths, proof and standards."""

from __future__ import annotations

import io
import os
import re
import zipfile
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Border, Font
from openpyxl.worksheet.worksheet import Worksheet

from blend.domain.case import Case
from blend.domain.plan import Plan
from blend.errors import FileTrouble
from blend.show import quantities, tables
from blend.show.amounts import printable
from blend.show.cells import (
    ABOVE,
    ACCENT_BELOW,
    BELOW,
    HEADING,
    LARGE,
    PLAIN,
    QUIET,
    STRONG,
    TITLE,
    lines_needed,
    put,
    put_cell_of,
    set_up_page,
    set_widths,
)
from blend.show.floor import fill_floor_sheet
from blend.show.shown import Cell, ShownTable, squeezed

_NARROWEST, _NARROWEST_WORDS = 12, 20
_PAGE_WIDTH = 150
"""Characters abreast that a landscape page shows at a size to be read."""
_LONGEST_NAME = 31
"""Of a sheet: what spreadsheets take."""
_NO_MOMENT = b"2000-01-01T00:00:00Z"


def write_plan_workbook(case: Case, plan: Plan, path: Path) -> None:
    """Write the workbook, whole or not at all; the same plan gives the same bytes.

    Raises FileTrouble when the folder is missing, cannot be written to or is full.
    """
    content = _bytes_of(plan_workbook(case, plan))
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            part.write_bytes(content)
            os.replace(part, path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise FileTrouble(f"{path}: cannot be written: {error.strerror or error}") from error


def plan_workbook(case: Case, plan: Plan) -> Workbook:
    """The workbook, not yet written."""
    book = Workbook()
    book.remove(book.active)
    _add_sheet(book, case, "Purchases", [quantities.purchases_table(case, plan)])
    product_ids = dict.fromkeys(run.product_id for run in plan.runs)
    taken = {"purchases", "money", "worths", "proof", "standards", "history"}
    for product_id in product_ids:
        name = sheet_name(product_id, taken)
        taken.add(name.casefold())
        fill_floor_sheet(book.create_sheet(name), case, plan, product_id)
    money = [quantities.money_table(case, plan), quantities.blends_table(case, plan)]
    _add_sheet(book, case, "Money", money)
    if worths := tables.worth_tables(case, plan):
        _add_sheet(book, case, "Worths", worths)
    _add_sheet(book, case, "Proof", tables.proof_tables(case, plan))
    _add_sheet(book, case, "Standards", tables.standards_tables(case, plan))
    return book


def sheet_name(product_id: str, taken: set[str]) -> str:
    """A name that a spreadsheet takes: no forbidden characters, at most 31, none twice.

    `taken` holds names in lower case, "history" among them, which spreadsheets reserve.
    """
    plain = re.sub(r"[\[\]:*?/\\]", "-", printable(product_id)).strip("' ") or "product"
    name, count = plain[:_LONGEST_NAME].rstrip("' "), 1
    while name.casefold() in taken:
        count += 1
        ending = f" {count}"
        name = plain[: _LONGEST_NAME - len(ending)] + ending
    return name


def _add_sheet(book: Workbook, case: Case, title: str, shown: list[ShownTable]) -> None:
    sheet = book.create_sheet(title)
    width = max(len(table.columns) for table in shown)
    widths = _fitted_widths(shown, width)
    set_widths(sheet, widths)
    plant, day = case.settings.plant, case.settings.plan_on.isoformat()
    is_one_table = len(shown) == 1
    set_up_page(sheet, plant, f"{title}, {day}", title_rows=5 if is_one_table else 2)
    put(sheet, 1, 1, title, TITLE, to_column=width)
    put(sheet, 2, 1, ", ".join(filter(None, (plant, day))), LARGE, to_column=width,
        border=ACCENT_BELOW)  # fmt: skip
    sheet.row_dimensions[1].height = 28
    sheet.row_dimensions[2].height = 20
    sheet.freeze_panes = "A6" if is_one_table else "A3"
    row = 4
    for table in shown:
        row = _put_table(sheet, row, table, widths) + 1


def _fitted_widths(shown: list[ShownTable], width: int) -> list[int]:
    """Of each column of the sheet, over all its tables."""
    widths = [_NARROWEST] * width
    words = set()
    for table in filter(_has_columns, shown):
        for index, column in enumerate(table.columns):
            cells = [row[index] for row in (*table.rows, table.totals or ()) if row]
            longest = max((len(column.text(cell)) for cell in cells), default=0)
            widths[index] = max(widths[index], longest + 4)
            if column.align == "left":
                words.add(index)
    floors = [
        min(natural, _NARROWEST_WORDS) if index in words else natural
        for index, natural in enumerate(widths)
    ]
    return squeezed(widths, floors, _PAGE_WIDTH)


def _put_table(sheet: Worksheet, row: int, table: ShownTable, widths: list[int]) -> int:
    """Title, headings, rows, totals and note; the row after them."""
    put(sheet, row, 1, table.title, HEADING, to_column=len(widths))
    sheet.row_dimensions[row].height = 20
    row += 1
    if _has_columns(table):
        for index, column in enumerate(table.columns, start=1):
            put(sheet, row, index, column.heading, STRONG, align=column.align, border=BELOW)
        heights = [lines_needed(c.heading, w) for c, w in zip(table.columns, widths, strict=False)]
        sheet.row_dimensions[row].height = 14 * max(heights)
        row += 1
        for cells in table.rows:
            _put_row(sheet, row, table, cells, widths)
            row += 1
        if table.totals is not None:
            _put_row(sheet, row, table, table.totals, widths, STRONG, ABOVE)
            row += 1
    else:
        for (line,) in table.rows:
            row = _put_line(sheet, row, line, widths, PLAIN)
    return _put_line(sheet, row, table.note, widths, QUIET) if table.note else row


def _put_row(
    sheet: Worksheet,
    row: int,
    table: ShownTable,
    cells: tuple[Cell, ...],
    widths: list[int],
    font: Font = PLAIN,
    border: Border | None = None,
) -> None:
    lines = 1
    for index, (column, cell) in enumerate(zip(table.columns, cells, strict=True)):
        put_cell_of(sheet, row, index + 1, column, cell, font, border=border)
        lines = max(lines, lines_needed(column.text(cell), widths[index]))
    sheet.row_dimensions[row].height = 14 * lines + 2


def _put_line(sheet: Worksheet, row: int, line: str, widths: list[int], font: Font) -> int:
    put(sheet, row, 1, line, font, to_column=len(widths))
    sheet.row_dimensions[row].height = 13 * lines_needed(line, sum(widths)) + 3
    return row + 1


def _has_columns(table: ShownTable) -> bool:
    return any(column.name for column in table.columns)


def _bytes_of(book: Workbook) -> bytes:
    """The file's bytes, without the moment of writing, which openpyxl puts into it."""
    written = io.BytesIO()
    book.save(written)
    lasting = io.BytesIO()
    with zipfile.ZipFile(written) as old, zipfile.ZipFile(lasting, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT[\d:]+Z", _NO_MOMENT, content)
            new.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return lasting.getvalue()
