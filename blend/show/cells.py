"""How cells and sheets of our workbooks look: black and grey, one accent, made to be printed."""

from __future__ import annotations

from textwrap import wrap

from openpyxl.styles import Alignment, Border, Font, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.pagebreak import Break
from openpyxl.worksheet.worksheet import Worksheet

from blend.show.amounts import printable
from blend.show.shown import Cell, Format, ShownColumn

ACCENT = "7A2E2A"
_FACE = "Arial"
_GREY = "6B6B6B"
TITLE = Font(name=_FACE, size=20, bold=True, color=ACCENT)
HEADING = Font(name=_FACE, size=12, bold=True)
STRONG = Font(name=_FACE, size=10, bold=True)
PLAIN = Font(name=_FACE, size=10)
LARGE = Font(name=_FACE, size=12)
LARGE_STRONG = Font(name=_FACE, size=12, bold=True)
QUIET = Font(name=_FACE, size=9, color=_GREY)

_LINE = Side(style="thin", color="000000")
_HAIR = Side(style="thin", color="A0A0A0")
BOX = Border(left=_HAIR, right=_HAIR, top=_HAIR, bottom=_HAIR)
ABOVE = Border(top=_LINE)
BELOW = Border(bottom=_LINE)
ACCENT_BELOW = Border(bottom=Side(style="medium", color=ACCENT))

NUMBER_FORMATS = {
    Format.WHOLE: "#,##0",
    Format.TENTHS: "#,##0.0",
    Format.HUNDREDTHS: "#,##0.00",
    Format.TEN_THOUSANDTHS: "#,##0.0000",
}
_LETTERS_PER_WIDTH = 1.1
"""A column is as wide as so many digits of the default face; our letters are narrower."""
_POINTS_PER_PIXEL, _PIXELS_PER_WIDTH = 0.75, 7
"""Of the default face, as spreadsheets reckon widths."""
_PAGE_WIDTH_PT, _PAGE_HEIGHT_PT = 720.0, 525.0
"""What margins leave of a Letter page on its side."""
_TITLE_ROWS = 2
LETTER = 1
"""Paper size by its number in ECMA-376 part 1, 18.3.1.63; sheets fit A4 as well."""
_FOOTER_CAUTION = "Meat at or below 40 F (4 C). Current regulations and the inspector decide."


def put(
    sheet: Worksheet,
    row: int,
    column: int,
    value: Cell,
    font: Font = PLAIN,
    *,
    align: str = "left",
    border: Border | None = None,
    number_format: str | None = None,
    to_column: int | None = None,
) -> None:
    """Fill one cell, or one merged as far as `to_column`.

    A text stays a text: one that begins like a formula is marked so that neither opening
    nor editing it makes it run.
    """
    cell = sheet.cell(row, column)
    if isinstance(value, str):
        text = printable(value)
        cell.value = text
        cell.data_type = "s"
        cell.quotePrefix = text.startswith(("=", "+", "-", "@"))
    else:
        cell.value = value
    cell.font = font
    indent = 1 if align == "right" or (align == "left" and border is BOX) else 0
    cell.alignment = Alignment(align, "center", wrap_text=isinstance(value, str), indent=indent)
    if number_format:
        cell.number_format = number_format
    for each in range(column, (to_column or column) + 1):
        if border:
            sheet.cell(row, each).border = border
    if to_column and to_column > column:
        sheet.merge_cells(start_row=row, end_row=row, start_column=column, end_column=to_column)


def put_cell_of(
    sheet: Worksheet,
    row: int,
    at: int,
    column: ShownColumn,
    value: Cell,
    font: Font = PLAIN,
    *,
    border: Border | None = None,
    to_column: int | None = None,
) -> None:
    """Fill one cell of a shown table, aligned and with the decimals of its column."""
    put(
        sheet,
        row,
        at,
        value,
        font,
        align=column.align,
        border=border,
        number_format=NUMBER_FORMATS.get(column.format),
        to_column=to_column,
    )


def lines_needed(text: str, width: float) -> int:
    """Lines of a wrapped text in a column that many characters wide."""
    return max(1, len(wrap(text, int(width * _LETTERS_PER_WIDTH))))


def leave_gap(sheet: Worksheet, row: int) -> int:
    """Make the row a low blank one; the row after it."""
    sheet.row_dimensions[row].height = 6
    return row + 1


def keep_on_one_page(sheet: Worksheet, first: int, last: int) -> None:
    """Begin a page at the row `first` where rows up to `last` would not fit on the page begun."""
    breaks = sheet.row_breaks.brk
    begun = breaks[-1].id + 1 if breaks else 1
    titles = range(1, _TITLE_ROWS + 1) if begun > 1 else ()
    needed_pt = sum(sheet.row_dimensions[row].height for row in (*titles, *range(begun, last + 1)))
    widths = (column.width for column in sheet.column_dimensions.values())
    width_pt = sum(_POINTS_PER_PIXEL * (_PIXELS_PER_WIDTH * width + 5) for width in widths)
    if needed_pt > _PAGE_HEIGHT_PT * max(1.0, width_pt / _PAGE_WIDTH_PT):
        sheet.row_breaks.append(Break(id=first - 1))


def set_widths(sheet: Worksheet, widths: list[float]) -> None:
    for index, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(index)].width = width


def set_up_page(sheet: Worksheet, left: str, right: str, title_rows: int = _TITLE_ROWS) -> None:
    """Landscape, as wide as the paper, headed on every page by the first rows."""
    sheet.sheet_view.showGridLines = False
    page = sheet.page_setup
    page.orientation = "landscape"
    page.paperSize = LETTER
    page.fitToWidth = 1
    page.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_margins.left = sheet.page_margins.right = 0.5
    sheet.page_margins.top = sheet.page_margins.bottom = 0.6
    sheet.page_margins.header = sheet.page_margins.footer = 0.3
    sheet.print_title_rows = f"1:{title_rows}"
    for part, text in (
        (sheet.oddHeader.left, _in_margin(left)),
        (sheet.oddHeader.right, _in_margin(right)),
        (sheet.oddFooter.left, _FOOTER_CAUTION),
        (sheet.oddFooter.right, "Page &P of &N"),
    ):
        part.text = text
        part.size = 9


def _in_margin(text: str) -> str:
    """A text for header or footer, where `&` starts a code and 255 characters are all."""
    return printable(text)[:60].replace("&", "&&")
