"""A plan as a workbook: purchases, a sheet for the grinding floor for each product, money,
break-even prices, certificate and standards."""

from __future__ import annotations

import io
import re
import zipfile
from math import ceil
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Border, Font
from openpyxl.worksheet.worksheet import Worksheet

from blend.domain.case import Case
from blend.domain.plan import Plan
from blend.files import check_place, in_memory, write_bytes
from blend.show import quantities, tables
from blend.show.amounts import printable
from blend.show.cells import (
    ABOVE,
    ACCENT_BELOW,
    BELOW,
    FAINT_BELOW,
    HEADING,
    LARGE,
    PLAIN,
    QUIET,
    STRONG,
    TITLE,
    height_of,
    lines_needed,
    natural_width,
    put,
    put_cell_of,
    set_widths,
    use_our_face,
)
from blend.show.floor import fill_floor_sheet
from blend.show.pages import lay_on_pages, orientation_for, set_up_page
from blend.show.shown import Cell, ShownColumn, ShownTable, Span, shared_widths, spans_in, squeezed

_NARROWEST, _NARROWEST_WORDS = 9, 20
_PAGE_WIDTH = 150
"""Of all columns, so that a landscape page still shows them at a size to be read."""
_GAP = 16
_OF_HEADING = 0.6
"""Headings break between words, into little more than two lines."""
_LONGEST_NAME = 31
"""Of a sheet: what spreadsheets take."""
_NO_MOMENT = b"2000-01-01T00:00:00Z"


def write_plan_workbook(case: Case, plan: Plan, path: Path) -> None:
    """Write the workbook, whole or not at all; the same plan gives the same bytes.

    Raises FileTrouble when the folder is missing, cannot be written to or is full.
    """
    check_place(path)
    written = in_memory(path, lambda file: plan_workbook(case, plan).save(file))
    write_bytes(path, _without_moment(written))


def plan_workbook(case: Case, plan: Plan) -> Workbook:
    """The workbook, not yet written."""
    book = Workbook()
    use_our_face(book)
    book.remove(book.active)
    _add_sheet(book, case, "Purchases", [quantities.purchases_table(case, plan)])
    product_ids = dict.fromkeys(run.product_id for run in plan.runs)
    taken = {"purchases", "money", "shadow_prices", "certificate", "standards", "history"}
    for product_id in product_ids:
        name = sheet_name(product_id, taken)
        taken.add(name.casefold())
        fill_floor_sheet(book.create_sheet(name), case, plan, product_id)
    money = [quantities.money_table(case, plan), quantities.blends_table(case, plan)]
    _add_sheet(book, case, "Money", money)
    if shadow_prices := tables.value_tables(case, plan):
        _add_sheet(book, case, "Worths", shadow_prices)
    certified = [*tables.certificate_tables(case, plan), quantities.set_aside_table(case)]
    _add_sheet(book, case, "Certificate", certified)
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
    widths, places = _columns(shown)
    set_widths(sheet, widths)
    plant, day = case.settings.plant, case.settings.plan_on.isoformat()
    is_one_table = len(shown) == 1
    set_up_page(sheet, plant, f"{title}, {day}", title_rows=5 if is_one_table else 2,
                orientation=orientation_for(widths))  # fmt: skip
    put(sheet, 1, 1, title, TITLE, to_column=len(widths))
    put(sheet, 2, 1, ", ".join(filter(None, (plant, day))), LARGE, to_column=len(widths),
        border=ACCENT_BELOW)  # fmt: skip
    sheet.row_dimensions[1].height = height_of(1, TITLE)
    sheet.row_dimensions[2].height = height_of(1, LARGE)
    sheet.freeze_panes = "A6" if is_one_table else "A3"
    row, firsts = 3, []
    for table, spans in zip(shown, places, strict=True):
        sheet.row_dimensions[row].height = _GAP
        firsts.append(row)
        row = _put_table(sheet, row + 1, table, spans, widths)
    lay_on_pages(sheet, [[first] for first in firsts])


def _columns(shown: list[ShownTable]) -> tuple[list[int], list[list[Span]]]:
    """Widths of the sheet's columns, and which of them each table's columns take up."""
    needed = [[_needed_width(table, index) for index, _ in _columns_of(table)] for table in shown]
    widths = shared_widths(needed)
    (maximum, *_) = [table for table in shown if len(_columns_of(table)) == len(widths)]
    floors = [
        min(width, _NARROWEST_WORDS) if column.align == "left" else width
        for width, column in zip(widths, maximum.columns, strict=True)
    ]
    widths = squeezed(widths, floors, _PAGE_WIDTH)
    return widths, [spans_in(widths, table) for table in needed]


def _needed_width(table: ShownTable, index: int) -> int:
    """In which every text of a column stays on one line, and its heading on about two."""
    column = table.columns[index]
    rows = [*table.rows, *([table.totals] if table.totals else [])]
    widths = [natural_width(column.text(row[index]), STRONG) for row in rows]
    widths += [natural_width(word, STRONG) for word in column.heading.split()]
    widths.append(_OF_HEADING * natural_width(column.heading, STRONG))
    return ceil(max(_NARROWEST, *widths))


def _put_table(
    sheet: Worksheet, row: int, table: ShownTable, spans: list[Span], widths: list[int]
) -> int:
    """Title, headings, rows, totals and note; the row after them."""
    row = _put_line(sheet, row, table.title, widths, HEADING)
    if _columns_of(table):
        lines = 1
        for column, (first, last) in zip(table.columns, spans, strict=True):
            put(sheet, row, first, column.heading, STRONG, align=column.align, vertical="bottom",
                border=BELOW, to_column=last, is_indented=first > 1)  # fmt: skip
            room = sum(widths[first - 1 : last])
            lines = max(lines, lines_needed(column.heading, room, STRONG, is_indented=first > 1))
        sheet.row_dimensions[row].height = height_of(lines, STRONG)
        row += 1
        for cells in table.rows:
            _put_row(sheet, row, table, cells, spans, widths, PLAIN, FAINT_BELOW)
            row += 1
        if table.totals is not None:
            _put_row(sheet, row, table, table.totals, spans, widths, STRONG, ABOVE)
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
    spans: list[Span],
    widths: list[int],
    font: Font,
    border: Border,
) -> None:
    placed = list(zip(table.columns, cells, spans, strict=True))
    lines = max(
        lines_needed(column.text(cell), sum(widths[first - 1 : last]), font, is_indented=first > 1)
        for column, cell, (first, last) in placed
    )
    vertical = "center" if lines == 1 else "top"
    for column, cell, (first, last) in placed:
        put_cell_of(sheet, row, first, column, cell, font, border=border, vertical=vertical,
                    to_column=last, is_indented=first > 1 and column.align == "left")  # fmt: skip
    sheet.row_dimensions[row].height = height_of(lines, font)


def _put_line(sheet: Worksheet, row: int, line: str, widths: list[int], font: Font) -> int:
    put(sheet, row, 1, line, font, to_column=len(widths))
    sheet.row_dimensions[row].height = height_of(lines_needed(line, sum(widths), font), font)
    return row + 1


def _columns_of(table: ShownTable) -> list[tuple[int, ShownColumn]]:
    """None where a table is but lines of text."""
    return list(enumerate(table.columns)) if any(c.name for c in table.columns) else []


def _without_moment(written: bytes) -> bytes:
    """The file without the moment of writing, which openpyxl puts into it."""
    lasting = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(written)) as old, zipfile.ZipFile(lasting, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT[\d:]+Z", _NO_MOMENT, content)
            new.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return lasting.getvalue()
