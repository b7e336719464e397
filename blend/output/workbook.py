"""Frames as sheets to print: headings and number formats from the format map, cells wrapped, every
sheet as wide as the paper."""

from __future__ import annotations

import io
import math
import re
import textwrap
import zipfile
from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from blend.files import check_place, in_memory, write_bytes
from blend.output.formats import Format, day, format_of, printable
from blend.output.frames import DataFrame

FACE = "Arial"
TITLE, HEADING = Font(FACE, 16, bold=True), Font(FACE, 11, bold=True)
PLAIN, STRONG, LARGE, SMALL = (
    Font(FACE, 10),
    Font(FACE, 10, bold=True),
    Font(FACE, 14, bold=True),
    Font(FACE, 8, color="FF555555"),
)
_LINE = Side(style="thin", color="FF8A949E")
BELOW, BOX = Border(bottom=_LINE), Border(_LINE, _LINE, _LINE, _LINE)
SHADE = PatternFill("solid", fgColor="FFE9EDF1")
_LETTER = 1
"""Paper size by its number in ECMA-376 part 1, 18.3.1.63."""
_NARROWEST, _WIDEST = 8, 44
_LINE_PT = 14
_SHORT_PT, _LONG_PT = 612.0, 792.0
"""Sides of a Letter page."""
_WIDTH_PT = 5.6
"""Points of one unit of column width, at this size of letters."""
_LEGIBLE = 0.85
"""A page is made no smaller than this to spare a second one."""
_LONGEST_NAME = 31
"""Of a sheet: what spreadsheets take."""
_NO_MOMENT = b"2000-01-01T00:00:00Z"
_FOOTER = "Meat at or below 40 °F (4 °C). Current regulations and the inspector decide."


def new_book() -> Workbook:
    book = Workbook()
    book.remove(book.active)
    return book


def add_sheet(
    book: Workbook, name: str, title: str, stamp: str, *, is_landscape: bool = False
) -> Worksheet:
    """A sheet headed by its title and the stamp (plant, day, plan number, print time, digest),
    which is also in every page's footer."""
    sheet = book.create_sheet(_sheet_name(name, {each.casefold() for each in book.sheetnames}))
    sheet.sheet_view.showGridLines = False
    page = sheet.page_setup
    page.orientation = "landscape" if is_landscape else "portrait"
    page.paperSize, page.fitToWidth, page.fitToHeight = _LETTER, 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    margins = sheet.page_margins
    margins.left = margins.right = 0.5
    margins.top = margins.bottom = 0.6
    margins.header = margins.footer = 0.3
    sheet.print_title_rows = "1:2"
    put(sheet, 1, 1, title, TITLE, wraps=False)
    sheet.row_dimensions[1].height = 2 * _LINE_PT
    put(sheet, 2, 1, stamp, SMALL, wraps=False)
    for part, text in ((sheet.oddFooter.left, _FOOTER), (sheet.oddFooter.right, "&P of &N")):
        part.text, part.font, part.size = text, f"{FACE},Regular", 8
    return sheet


def add_table(
    sheet: Worksheet,
    row: int,
    frame: DataFrame,
    columns: Sequence[str] | None = None,
    *,
    title: str = "",
    note: str = "",
) -> int:
    """A frame with title, headings, totals and note; the next free row."""
    names = [name for name in (columns or list(frame.columns)) if name in frame.columns]
    formats = [format_of(name) for name in names]
    if title:
        put(sheet, row, 1, title, HEADING, wraps=False)
        row += 1
    for column, each in enumerate(formats, 1):
        put(sheet, row, column, each.title, STRONG, each, border=BELOW, fill=SHADE)
    row += 1
    for cells in frame[names].itertuples(index=False, name=None):
        for column, (each, cell) in enumerate(zip(formats, cells, strict=True), 1):
            put(sheet, row, column, cell, PLAIN, each, border=BELOW)
        row += 1
    if len(frame) > 1 and any(each.is_summed for each in formats):
        for column, (name, each) in enumerate(zip(names, formats, strict=True), 1):
            total = frame[name].round(each.decimals or 0).sum() if each.is_summed else None
            put(sheet, row, column, "Total" if column == 1 else total, STRONG, each)
        row += 1
    if note:
        put(sheet, row, 1, note, SMALL, wraps=False)
        row += 1
    return row + 1


def put(
    sheet: Worksheet,
    row: int,
    column: int,
    value: Any,
    font: Font = PLAIN,
    format_: Format | None = None,
    *,
    border: Border | None = None,
    fill: PatternFill | None = None,
    wraps: bool = True,
    align: str = "",
) -> Cell:
    """One cell. Text stays text, whatever it begins with; numbers stay numbers."""
    cell = sheet.cell(row, column)
    decimals = None if format_ is None else format_.decimals
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if value is None or value != value or value == "":
        cell.value = None
    elif is_number and math.isfinite(value):
        cell.value = value
        places = decimals or 0
        cell.number_format = "#,##0" + ("." + "0" * places if places else "")
    else:
        text = day(value) if isinstance(value, date) else str(value)
        cell.value = printable(text if format_ is None or not is_number else format_.text(value))
        cell.data_type = "s"
        cell.quotePrefix = cell.value.startswith(("=", "+", "-", "@"))
    cell.font = font
    horizontal = align or ("left" if decimals is None and not is_number else "right")
    indent = int(horizontal == "left" and column > 1)
    cell.alignment = Alignment(
        horizontal=horizontal, vertical="top", wrap_text=wraps, indent=indent
    )
    if border is not None:
        cell.border = border
    if fill is not None:
        cell.fill = fill
    return cell


def put_text(sheet: Worksheet, row: int, text: str, last_column: int, font: Font = PLAIN) -> int:
    """A sentence or more across the sheet, at the column widths set before; the next row."""
    put(sheet, row, 1, text, font, align="left")
    sheet.merge_cells(start_row=row, end_row=row, start_column=1, end_column=last_column)
    letters = map(get_column_letter, range(1, last_column + 1))
    wide = sum(sheet.column_dimensions[each].width for each in letters)
    size = font.size / PLAIN.size
    lines = math.ceil(len(text) * size * 1.1 / wide)
    sheet.row_dimensions[row].height = _LINE_PT * size * lines
    return row + 1


def fit(sheet: Worksheet, widest: int = _WIDEST) -> None:
    """Columns as wide as their text up to `widest`, where it wraps, and rows as high as their
    lines. Ids and numbers always fit whole; headings break between words."""
    for column in sheet.iter_cols():
        wide = _NARROWEST
        for cell in column:
            if cell.value is not None and cell.alignment.wrap_text:
                text = _shown(cell)
                word = max(map(len, text.split()), default=0)
                room = len(text) / 2 if cell.font.b and cell.fill.fill_type else len(text)
                wide = max(wide, word + 2, min(math.ceil(room) + 2, widest))
        sheet.column_dimensions[get_column_letter(column[0].column)].width = wide
    fit_rows(sheet)


def fit_rows(sheet: Worksheet) -> None:
    """Rows as high as their text needs at the widths set before, by its count of letters; all on
    one page where that stays legible."""
    merged = {each.start_cell.coordinate for each in sheet.merged_cells.ranges}
    for row in sheet.iter_rows():
        height = sheet.row_dimensions[row[0].row].height or _LINE_PT
        for cell in row:
            if cell.value is None or cell.coordinate in merged or not cell.alignment.wrap_text:
                continue
            wide = sheet.column_dimensions[cell.column_letter].width
            size = cell.font.size / PLAIN.size * (1.1 if cell.font.b else 1.0)
            lines = len(textwrap.wrap(_shown(cell), max(1, int(wide / size))))
            height = max(height, _LINE_PT * cell.font.size / PLAIN.size * lines)
        sheet.row_dimensions[row[0].row].height = height
    sheet.page_setup.fitToHeight = int(_fits_one_page(sheet))


def _fits_one_page(sheet: Worksheet) -> bool:
    is_landscape = sheet.page_setup.orientation == "landscape"
    wide_pt, high_pt = (_LONG_PT, _SHORT_PT) if is_landscape else (_SHORT_PT, _LONG_PT)
    needs_wide_pt = sum(each.width for each in sheet.column_dimensions.values()) * _WIDTH_PT
    needs_high_pt = sum(each.height or _LINE_PT for each in sheet.row_dimensions.values())
    scale = min(1.0, (wide_pt - 72) / needs_wide_pt)
    return min(scale, (high_pt - 90) / needs_high_pt) >= _LEGIBLE * scale


def _shown(cell: Cell) -> str:
    if isinstance(cell.value, int | float):
        places = len(cell.number_format.partition(".")[2])
        return f"{cell.value:,.{places}f}"
    return str(cell.value)


def write_book(book: Workbook, path: Path) -> None:
    """Write the workbook, whole or not at all; the same cells give the same bytes.

    Raises FileTrouble when the folder is missing, cannot be written to or is full.
    """
    check_place(path)
    written = in_memory(path, book.save)
    write_bytes(path, _without_moment(written))


def _sheet_name(name: str, taken: Iterable[str]) -> str:
    """A name that a spreadsheet takes: no forbidden characters, at most 31, none twice.
    Spreadsheets keep "history" for themselves."""
    used = {*taken, "history"}
    plain = re.sub(r"[\[\]:*?/\\]", "-", printable(name)).strip("' ") or "sheet"
    unique, count = plain[:_LONGEST_NAME].rstrip("' "), 1
    while unique.casefold() in used:
        count += 1
        ending = f" {count}"
        unique = plain[: _LONGEST_NAME - len(ending)] + ending
    return unique


def _without_moment(written: bytes) -> bytes:
    """The file without the time of writing, which openpyxl puts into it."""
    lasting = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(written)) as old, zipfile.ZipFile(lasting, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT[\d:]+Z", _NO_MOMENT, content)
            new.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return lasting.getvalue()
