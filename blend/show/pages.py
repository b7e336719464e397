"""How sheets of our workbooks lie on paper: margins, headers, and where pages break."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from openpyxl.worksheet.pagebreak import Break
from openpyxl.worksheet.worksheet import Worksheet

from blend.show.amounts import printable
from blend.show.cells import FACE, POINTS_PER_WIDTH

LETTER = 1
"""Paper size by its number in ECMA-376 part 1, 18.3.1.63; sheets fit A4 as well."""
MIN_SCALE = 0.85
"""Smaller than this a page is hard to read at arm's length; it is broken instead."""
_MIN_SCALE_IN_HAND = 0.8
"""Ten points printed as eight."""
_FILLED_TO = 0.97
"""Of the page: what programs make of a height differs by a hair."""
_MAX_STRETCH_PT = 14.0
_SHORT_PT, _LONG_PT = 612.0, 792.0
"""Sides of a Letter page; the longer one is 8.5 by 11 inches."""
_MARGIN_INCHES, _MARGIN_ENDS_INCHES = 0.5, 0.6
_POINTS_PER_INCH = 72.0
_TITLE_ROWS = 2
_FOOTER_CAUTION = "Meat at or below 40 °F (4 °C). Current regulations and the inspector decide."


def set_up_page(
    sheet: Worksheet,
    left: str,
    right: str,
    *,
    title_rows: int = _TITLE_ROWS,
    orientation: str = "landscape",
) -> None:
    """As wide as the paper, and headed on every page by the first rows."""
    sheet.sheet_view.showGridLines = False
    page = sheet.page_setup
    page.orientation = orientation
    page.paperSize = LETTER
    page.fitToWidth = 1
    page.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_margins.left = sheet.page_margins.right = _MARGIN_INCHES
    sheet.page_margins.top = sheet.page_margins.bottom = _MARGIN_ENDS_INCHES
    sheet.page_margins.header = sheet.page_margins.footer = 0.3
    sheet.print_title_rows = f"1:{title_rows}"
    for part, text in (
        (sheet.oddHeader.left, _in_margin(left)),
        (sheet.oddHeader.right, _in_margin(right)),
        (sheet.oddFooter.left, _FOOTER_CAUTION),
        (sheet.oddFooter.right, "Page &P of &N"),
    ):
        part.text = text
        part.font = f"{FACE},Regular"
        part.size = 9


def orientation_for(widths: Sequence[float]) -> str:
    """Upright where so many columns still print legibly."""
    is_legible = _scale_to_width(widths, "portrait") >= _MIN_SCALE_IN_HAND
    return "portrait" if is_legible else "landscape"


def lay_on_pages(
    sheet: Worksheet, groups: Sequence[Sequence[int]], to_stretch: Sequence[int] = ()
) -> None:
    """Put the sheet on one page where that leaves it legible, else break it where it may break.

    `groups` hold the first rows of blocks that are not to be cut; a group stays on one page
    if it can. Rows `to_stretch` take up, evenly, what is left of a single page.
    """
    orientation = sheet.page_setup.orientation
    widths = (column.width for column in sheet.column_dimensions.values())
    page_pt, scale = _page_height_pt(orientation), _scale_to_width(widths, orientation)
    room_pt = page_pt / scale
    needed_pt = _height_pt(sheet, 1, sheet.max_row)
    if needed_pt > page_pt / min(scale, MIN_SCALE):
        _break(sheet, groups, room_pt)
        return
    sheet.page_setup.fitToHeight = 1
    spare_pt = max(0.0, room_pt * _FILLED_TO - needed_pt)
    for row in to_stretch:
        sheet.row_dimensions[row].height += min(spare_pt / len(to_stretch), _MAX_STRETCH_PT)


def _break(sheet: Worksheet, groups: Sequence[Sequence[int]], room_pt: float) -> None:
    """Begin a page before each group, or else each block, that would not fit on the page begun."""
    titles_pt = _height_pt(sheet, 1, _TITLE_ROWS)
    firsts = [first for group in groups for first in group]
    ends = dict(zip(firsts, [*(first - 1 for first in firsts[1:]), sheet.max_row], strict=True))
    used_pt = _height_pt(sheet, 1, firsts[0] - 1)

    def place(blocks: Sequence[int]) -> None:
        nonlocal used_pt
        needed_pt = _height_pt(sheet, blocks[0], ends[blocks[-1]])
        fits_page_begun = used_pt + needed_pt <= room_pt
        fits_a_page = titles_pt + needed_pt <= room_pt
        if not fits_page_begun and not fits_a_page and len(blocks) > 1:
            for block in blocks:
                place([block])
            return
        if not fits_page_begun and fits_a_page:
            sheet.row_breaks.append(Break(id=blocks[0] - 1))
            used_pt = titles_pt
        used_pt = (used_pt + needed_pt) % room_pt

    for group in groups:
        place(group)


def _page_height_pt(orientation: str) -> float:
    side_pt = _LONG_PT if orientation == "portrait" else _SHORT_PT
    return side_pt - 2 * _MARGIN_ENDS_INCHES * _POINTS_PER_INCH


def _scale_to_width(widths: Iterable[float], orientation: str) -> float:
    """At which columns are printed so that they are no wider than the paper."""
    side_pt = _SHORT_PT if orientation == "portrait" else _LONG_PT
    room_pt = side_pt - 2 * _MARGIN_INCHES * _POINTS_PER_INCH
    return min(1.0, room_pt / (sum(widths) * POINTS_PER_WIDTH))


def _height_pt(sheet: Worksheet, first: int, last: int) -> float:
    return sum(sheet.row_dimensions[row].height for row in range(first, last + 1))


def _in_margin(text: str) -> str:
    """A text for header or footer, where `&` starts a code and 255 characters are all."""
    return printable(text)[:60].replace("&", "&&")
