"""How cells of our workbooks look: black and gray, one accent, made to be printed."""

from __future__ import annotations

from math import ceil

from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from blend.show.amounts import printable
from blend.show.letters import line_count, width_pt
from blend.show.shown import Cell, Format, ShownColumn

ACCENT = "7A2E2A"
FACE = "Arial"
_GREY = "6B6B6B"
TITLE = Font(name=FACE, size=20, bold=True, color=ACCENT)
HEADING = Font(name=FACE, size=12, bold=True)
STRONG = Font(name=FACE, size=10, bold=True)
PLAIN = Font(name=FACE, size=10)
LARGE = Font(name=FACE, size=12)
LARGE_STRONG = Font(name=FACE, size=12, bold=True)
WEIGHED = Font(name=FACE, size=22, bold=True)
"""Of the pounds that a person weighs by, to be read from where the scale stands."""
WEIGHED_IN_ALL = Font(name=FACE, size=15, bold=True)
QUIET = Font(name=FACE, size=9, color=_GREY)

_LINE = Side(style="thin", color="000000")
_HAIR = Side(style="thin", color="A0A0A0")
_FAINT = Side(style="hair", color="A0A0A0")
BOX = Border(left=_HAIR, right=_HAIR, top=_HAIR, bottom=_HAIR)
ABOVE = Border(top=_LINE)
BELOW = Border(bottom=_LINE)
FAINT_BELOW = Border(bottom=_FAINT)
ACCENT_BELOW = Border(bottom=Side(style="medium", color=ACCENT))
SHADE = PatternFill("solid", fgColor="EDEDED")

_ROOM_TO_EDGE = "_)_)"
"""Two brackets' width: an indent on the right is not kept to by every program that prints."""
NUMBER_FORMATS = {
    Format.WHOLE: f"#,##0{_ROOM_TO_EDGE}",
    Format.TENTHS: f"#,##0.0{_ROOM_TO_EDGE}",
    Format.HUNDREDTHS: f"#,##0.00{_ROOM_TO_EDGE}",
    Format.TEN_THOUSANDTHS: f"#,##0.0000{_ROOM_TO_EDGE}",
}
POINTS_PER_WIDTH = 5.5
"""A column's width counts digits of the book's face, Arial 10, of 5.56 points each; the hair
less is for programs that round letters to pixels."""
_PADDING_PT, _INDENT_PT = 4.0, 9.0
_LEADING = 1.17
"""Height of a line, as a multiple of its letters' size."""


def use_our_face(book: Workbook) -> None:
    """Make Arial 10 the book's face. Widths of columns count its digits, so without it pages
    would print smaller wherever the face that is usual here is missing."""
    # openpyxl has no public way to change the style that all others stand on
    book._named_styles["Normal"].font = PLAIN


def put(
    sheet: Worksheet,
    row: int,
    column: int,
    value: Cell,
    font: Font = PLAIN,
    *,
    align: str = "left",
    vertical: str = "center",
    border: Border | None = None,
    fill: PatternFill | None = None,
    number_format: str | None = None,
    to_column: int | None = None,
    is_indented: bool = False,
) -> None:
    """Fill one cell, or one merged as far as `to_column`.

    A text stays a text: one that begins like a formula is marked so that neither opening
    nor editing it makes it run.
    """
    cell = sheet.cell(row, column)
    is_text = isinstance(value, str)
    if is_text:
        text = printable(value)
        cell.value = text
        cell.data_type = "s"
        cell.quotePrefix = text.startswith(("=", "+", "-", "@"))
    else:
        cell.value = value
    cell.font = font
    indent = int(is_indented or (align == "right" and is_text))
    cell.alignment = Alignment(align, vertical, wrap_text=is_text, indent=indent)
    if number_format:
        cell.number_format = number_format
    for each in range(column, (to_column or column) + 1):
        if border:
            sheet.cell(row, each).border = border
        if fill:
            sheet.cell(row, each).fill = fill
    if to_column and to_column > column:
        sheet.merge_cells(start_row=row, end_row=row, start_column=column, end_column=to_column)


def put_cell_of(
    sheet: Worksheet,
    row: int,
    at: int,
    column: ShownColumn,
    value: Cell,
    font: Font = PLAIN,
    **how,
) -> None:
    """Fill one cell of a shown table, aligned and with the decimals of its column."""
    number_format = NUMBER_FORMATS.get(column.format)
    put(sheet, row, at, value, font, align=column.align, number_format=number_format, **how)


def lines_needed(text: str, width: float, font: Font = PLAIN, *, is_indented: bool = False) -> int:
    """Lines of a wrapped text in a column, or in merged ones, of that width."""
    room_pt = width * POINTS_PER_WIDTH - _PADDING_PT - is_indented * _INDENT_PT
    return line_count(text, room_pt, font.size, is_bold=font.bold)


def height_of(lines: int, font: Font = PLAIN) -> int:
    """Height of a row of that many lines, in points."""
    return ceil(lines * font.size * _LEADING) + 3


def natural_width(text: str, font: Font = PLAIN) -> float:
    """Width of a column in which the text stays on one line."""
    room_pt = width_pt(text, font.size, is_bold=font.bold) + _PADDING_PT + _INDENT_PT
    return room_pt / POINTS_PER_WIDTH


def set_widths(sheet: Worksheet, widths: list[float]) -> None:
    for index, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(index)].width = width
