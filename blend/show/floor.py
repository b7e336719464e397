"""The sheet a foreman prints: one product's recipe, and a log to tick and fill in by hand."""

from __future__ import annotations

from math import ceil

from openpyxl.styles import Border, Font
from openpyxl.worksheet.worksheet import Worksheet

from blend.domain.case import Case
from blend.domain.plan import BatchRun, Ingredient, Plan
from blend.domain.standards import Action
from blend.show.amounts import count_of, lean_percent, number_words
from blend.show.cells import (
    ACCENT_BELOW,
    BELOW,
    BOX,
    HEADING,
    LARGE,
    LARGE_STRONG,
    PLAIN,
    QUIET,
    SHADE,
    STRONG,
    TITLE,
    WEIGHED,
    WEIGHED_IN_ALL,
    height_of,
    lines_needed,
    put,
    put_cell_of,
    set_widths,
)
from blend.show.checks import CAUTIONS, held_words
from blend.show.gap import short_tenths
from blend.show.pages import lay_on_pages, set_up_page
from blend.show.quantities import EACH_BATCH, labelled_runs, recipe_table, run_finished_lb
from blend.show.shown import ShownTable

TICK = "\N{BALLOT BOX}"
_PAGE_WIDTH = 98
"""Of all columns: as wide as a portrait page, so that nothing prints smaller than it is."""
_MIN_COLUMNS = 9
_MAX_LOTS_ABREAST = 7
_MAX_BATCHES_ON_A_PAGE, _MAX_BATCHES_UNDER_ONE_HEADING = 16, 10
"""A longer log is headed anew every few batches, so that pages fill and each is headed."""
_WRITING_HEIGHT, _WEIGHED_HEIGHT, _GAP = 24, 30, 8


def fill_floor_sheet(sheet: Worksheet, case: Case, plan: Plan, product_id: str) -> None:
    """Title, what to make, then recipe and log of each run, and what to mind."""
    runs = [each for each in labelled_runs(case, plan) if each[0].product_id == product_id]
    width = max(_MIN_COLUMNS, *(3 + len(lots) for run, _ in runs for lots in _abreast(run)))
    set_widths(sheet, [_PAGE_WIDTH / width] * width)
    row = _put_head(sheet, case, plan, product_id, width)
    groups, to_write_in, first_batch = [], [], 1
    for run, label in runs:
        row = _leave_gap(sheet, row)
        blocks = [row]
        title = f"Recipe: {label}" if len(runs) > 1 else ""
        row = _put_recipe(sheet, row, recipe_table(case, run, label), title, width)
        for batches in _under_one_heading(first_batch, run.batches):
            for lots in _abreast(run):
                row = _leave_gap(sheet, row)
                blocks.append(row - 1)
                row = _put_log_head(sheet, row, lots, width)
                to_write_in += range(row, row + len(batches))
                row = _put_log(sheet, row, len(lots), batches, width)
        groups.append(blocks)
        first_batch += run.batches
    groups.append([row])
    _put_foot(sheet, _leave_gap(sheet, row), case, product_id, width)
    lay_on_pages(sheet, groups, to_write_in)


def _put_head(sheet: Worksheet, case: Case, plan: Plan, product_id: str, width: int) -> int:
    """Name, day and what to make; the row after them."""
    product = case.product(product_id)
    plant, day = case.settings.plant, case.settings.plan_on.isoformat()
    set_up_page(sheet, plant, f"{product.name}, {day}", orientation="portrait")
    sheet.freeze_panes = "A3"
    _put_line(sheet, 1, product.name, TITLE, width)
    where = ", ".join(filter(None, (plant, day, f"product {product_id}")))
    _put_line(sheet, 2, where, LARGE, width, border=ACCENT_BELOW)
    row = _leave_gap(sheet, 3)
    for line in _what_to_make(case, plan, product_id):
        row = _put_line(sheet, row, line, LARGE, width)
    return row


def _what_to_make(case: Case, plan: Plan, product_id: str) -> list[str]:
    product = case.product(product_id)
    runs = [run for run in plan.runs if run.product_id == product_id]
    batches = count_of(sum(run.batches for run in runs), "batch", "batches")
    in_all = number_words(sum(map(run_finished_lb, runs)), min_decimals=1, max_decimals=1)
    species, origins, _ = held_words(case, plan, product_id)
    short_lb = short_tenths(plan.short_lb(product_id))
    short_words = number_words(short_lb, max_decimals=1)
    short = f", {short_words} lb short of the order" if short_lb else ""
    return [
        f"{batches}, {in_all} lb finished in all{short}.",
        f"Lean aimed at {lean_percent(product.target_lean)}; allowed from "
        f"{lean_percent(product.min_lean)} to {lean_percent(product.max_lean)}.",
        f"Holds {species}; origin {origins}.",
    ]


def _put_recipe(sheet: Worksheet, row: int, table: ShownTable, title: str, width: int) -> int:
    """The recipe's table and note; the row after them."""
    if title:
        row = _put_line(sheet, row, title, HEADING, width)
    places = _recipe_places(table, width)
    room = _PAGE_WIDTH / width
    lines = 1
    for column, (first, last) in zip(table.columns, places, strict=True):
        put(sheet, row, first, column.heading, STRONG, align=column.align, vertical="bottom",
            to_column=last)  # fmt: skip
        of_column = (1 + last - first) * room
        lines = max(lines, lines_needed(column.heading, of_column, STRONG, is_indented=True))
    sheet.row_dimensions[row].height = height_of(lines, STRONG)
    for cells in table.rows:
        row += 1
        lines = 1
        for column, cell, (first, last) in zip(table.columns, cells, places, strict=True):
            is_weighed = column.name == EACH_BATCH
            font = WEIGHED if is_weighed else LARGE
            fill = SHADE if is_weighed else None
            put_cell_of(sheet, row, first, column, cell, font, to_column=last, border=BOX,
                        fill=fill, is_indented=column.align == "left")  # fmt: skip
            of_column = (1 + last - first) * room
            lines = max(lines, lines_needed(column.text(cell), of_column, font, is_indented=True))
        sheet.row_dimensions[row].height = max(_WEIGHED_HEIGHT, height_of(lines, LARGE))
    if table.totals is not None:
        row += 1
        for column, cell, (first, last) in zip(table.columns, table.totals, places, strict=True):
            font = WEIGHED_IN_ALL if column.name == EACH_BATCH else LARGE_STRONG
            put_cell_of(sheet, row, first, column, cell, font, to_column=last)
        sheet.row_dimensions[row].height = 22
    return _put_line(sheet, row + 1, table.note, LARGE, width)


def _recipe_places(table: ShownTable, width: int) -> list[tuple[int, int]]:
    """First and last column of the sheet for each column of the recipe: what is weighed has
    two, and the item whatever the others leave."""
    taken = {column.name: 2 if column.name == EACH_BATCH else 1 for column in table.columns}
    taken["Item"] += width - sum(taken.values())
    places, first = [], 1
    for columns in taken.values():
        places.append((first, first + columns - 1))
        first += columns
    return places


def _put_log_head(sheet: Worksheet, row: int, lots: list[Ingredient], width: int) -> int:
    after = len(lots) + 2
    columns = [
        ("Batch", "tick, write lb", QUIET),
        *((each.lot_id, number_words(each.pounds_lb), LARGE_STRONG) for each in lots),
        ("Temperature, °F", "40 or below", QUIET),
        ("Initials", "", QUIET),
    ]
    for column, (head, below, font) in enumerate(columns, start=1):
        put(sheet, row, column, head, STRONG, align="center", border=BOX)
        fill = SHADE if font is LARGE_STRONG else None
        put(sheet, row + 1, column, below, font, align="center", border=BOX, fill=fill)
    if width > after + 1:
        for each, text in ((row, "Remarks"), (row + 1, "")):
            put(sheet, each, after + 2, text, STRONG, align="center", border=BOX, to_column=width)
    room = _PAGE_WIDTH / width
    lines = max(lines_needed(head, room, STRONG) for head, _, _ in columns)
    sheet.row_dimensions[row].height = height_of(lines, STRONG)
    sheet.row_dimensions[row + 1].height = 26
    return row + 2


def _put_log(sheet: Worksheet, row: int, lots: int, batches: range, width: int) -> int:
    """A row to fill in for each batch; the row after them."""
    after = lots + 2
    for batch in batches:
        put(sheet, row, 1, batch, LARGE_STRONG, align="center", border=BOX)
        for column in range(2, after):
            put(sheet, row, column, TICK, LARGE, border=BOX, is_indented=True)
        for column in (after, after + 1):
            put(sheet, row, column, None, border=BOX)
        if width > after + 1:
            put(sheet, row, after + 2, None, border=BOX, to_column=width)
        sheet.row_dimensions[row].height = _WRITING_HEIGHT
        row += 1
    return row


def _put_foot(sheet: Worksheet, row: int, case: Case, product_id: str, width: int) -> None:
    """Who signs, what to confirm by hand, and what to mind."""
    for column, last, text in ((1, 3, "Started"), (4, 6, "Ended"), (7, width, "Checked by")):
        put(sheet, row, column, text, STRONG, border=BELOW, to_column=last)
    sheet.row_dimensions[row].height = _WRITING_HEIGHT
    row = _leave_gap(sheet, row + 1)
    for standard in case.standard_rows(case.product(product_id)):
        if standard.action is Action.NOTE:
            line = f"{TICK} {standard.title} ({standard.section})"
            row = _put_line(sheet, row, line, PLAIN, width)
    for caution in CAUTIONS:
        row = _put_line(sheet, row, caution, QUIET, width)


def _put_line(
    sheet: Worksheet, row: int, text: str, font: Font, width: int, *, border: Border | None = None
) -> int:
    """A text across the page; the row after it."""
    put(sheet, row, 1, text, font, to_column=width, border=border)
    sheet.row_dimensions[row].height = height_of(lines_needed(text, _PAGE_WIDTH, font), font)
    return row + 1


def _leave_gap(sheet: Worksheet, row: int) -> int:
    """Make the row a low blank one; the row after it."""
    sheet.row_dimensions[row].height = _GAP
    return row + 1


def _under_one_heading(first_batch: int, batches: int) -> list[range]:
    """Batches by number, parted evenly where there are too many for one page."""
    parts = ceil(batches / _MAX_BATCHES_UNDER_ONE_HEADING)
    step = batches if batches <= _MAX_BATCHES_ON_A_PAGE else ceil(batches / parts)
    past_last = first_batch + batches
    return [
        range(start, min(start + step, past_last)) for start in range(first_batch, past_last, step)
    ]


def _abreast(run: BatchRun) -> list[list[Ingredient]]:
    """The run's lots in groups of nearly equal size that fit side by side."""
    lots = list(run.ingredients)
    groups = ceil(len(lots) / _MAX_LOTS_ABREAST)
    size = ceil(len(lots) / groups)
    return [lots[start : start + size] for start in range(0, len(lots), size)]
