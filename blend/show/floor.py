"""The sheet a foreman prints: one product's recipe, and a log to tick and fill in by hand."""

from __future__ import annotations

from math import ceil

from openpyxl.worksheet.worksheet import Worksheet

from blend.domain.case import Case
from blend.domain.plan import BatchRun, Ingredient, Plan
from blend.domain.standards import Action
from blend.show.amounts import lean_percent, number_words, pounds
from blend.show.cells import (
    ACCENT_BELOW,
    BELOW,
    BOX,
    HEADING,
    LARGE,
    LARGE_STRONG,
    PLAIN,
    QUIET,
    STRONG,
    TITLE,
    keep_on_one_page,
    leave_gap,
    lines_needed,
    put,
    put_cell_of,
    set_up_page,
    set_widths,
)
from blend.show.checks import CAUTIONS, held_words
from blend.show.quantities import labelled_runs, recipe_table, run_finished_lb
from blend.show.shown import ShownTable

TICK = "\N{BALLOT BOX}"
_FIRST_WIDTH, _WIDTH = 17, 15
_MOST_LOTS_ABREAST = 8
_BATCHES_UNDER_ONE_HEADING = 14
"""As many as fit on a page, so that a log of several pages is headed on each of them."""
_WRITING_HEIGHT = 26
_RECIPE_PLACES = [(1, 1), (2, 4), (5, 5), (6, 6), (7, 7), (8, 8), (9, 9)]
"""First and last column of the sheet for each column of the recipe: the item has three."""
_ITEM_WIDTH = 39
"""Letters of the larger face that they hold."""


def fill_floor_sheet(sheet: Worksheet, case: Case, plan: Plan, product_id: str) -> None:
    """Title, what to make, then recipe and log of each run, and what to mind."""
    product = case.product(product_id)
    plant, day = case.settings.plant, case.settings.plan_on.isoformat()
    runs = [each for each in labelled_runs(case, plan) if each[0].product_id == product_id]
    width = max(
        _RECIPE_PLACES[-1][1], *(3 + len(lots) for run, _ in runs for lots in _abreast(run))
    )
    set_widths(sheet, [_FIRST_WIDTH] + [_WIDTH] * (width - 1))
    set_up_page(sheet, plant, f"{product.name}, {day}")
    put(sheet, 1, 1, product.name, TITLE, to_column=width)
    where = ", ".join(filter(None, (plant, day, f"product {product_id}")))
    put(sheet, 2, 1, where, LARGE, to_column=width, border=ACCENT_BELOW)
    sheet.row_dimensions[1].height = 28
    sheet.row_dimensions[2].height = 20
    sheet.freeze_panes = "A3"

    row = leave_gap(sheet, 3)
    for line in _what_to_make(case, plan, product_id):
        put(sheet, row, 1, line, LARGE, to_column=width)
        sheet.row_dimensions[row].height = 17
        row += 1
    first_batch = 1
    for run, label in runs:
        row = leave_gap(sheet, row)
        row = _put_recipe(sheet, row, recipe_table(case, run, label), width)
        row = leave_gap(sheet, row)
        row = _put_logs(sheet, row, run, first_batch, width)
        first_batch += run.batches
    for column, last, text in ((1, 2, "Started"), (3, 4, "Ended"), (5, width, "Checked by")):
        put(sheet, row, column, text, STRONG, border=BELOW, to_column=last)
    sheet.row_dimensions[row].height = _WRITING_HEIGHT
    last = _put_lines(sheet, leave_gap(sheet, row + 1), _to_mind(case, product_id), width)
    keep_on_one_page(sheet, row, last)


def _what_to_make(case: Case, plan: Plan, product_id: str) -> list[str]:
    product = case.product(product_id)
    runs = [run for run in plan.runs if run.product_id == product_id]
    in_all = number_words(sum(map(run_finished_lb, runs)), least_decimals=1, most_decimals=1)
    species, origins, _ = held_words(case, plan, product_id)
    short_lb = plan.shortfall_lb.get(product_id, 0.0)
    short = f", {pounds(short_lb)} short of the order" if short_lb else ""
    return [
        f"{_batches(sum(run.batches for run in runs))}, {in_all} lb finished in all{short}. "
        f"Lean aimed at {lean_percent(product.target_lean_share)}; allowed from "
        f"{lean_percent(product.least_lean_share)} to {lean_percent(product.most_lean_share)}.",
        f"Holds {species}; origin {origins}.",
    ]


def _put_recipe(sheet: Worksheet, row: int, table: ShownTable, width: int) -> int:
    """The recipe's table and note; the row after them."""
    put(sheet, row, 1, table.title, HEADING, to_column=width)
    sheet.row_dimensions[row].height = 18
    row += 1
    places = _RECIPE_PLACES[: len(table.columns)]
    for column, (first, last) in zip(table.columns, places, strict=True):
        put(sheet, row, first, column.heading, STRONG, align=column.align, border=BELOW,
            to_column=last)  # fmt: skip
    sheet.row_dimensions[row].height = 28
    for cells in table.rows:
        row += 1
        for column, cell, (first, last) in zip(table.columns, cells, places, strict=True):
            put_cell_of(sheet, row, first, column, cell, LARGE, to_column=last, border=BOX)
        sheet.row_dimensions[row].height = 16 * lines_needed(str(cells[1]), _ITEM_WIDTH) + 4
    if table.totals is not None:
        row += 1
        for column, cell, (first, last) in zip(table.columns, table.totals, places, strict=True):
            put_cell_of(sheet, row, first, column, cell, LARGE_STRONG, to_column=last)
        sheet.row_dimensions[row].height = 18
    row += 1
    put(sheet, row, 1, table.note, LARGE, to_column=width)
    sheet.row_dimensions[row].height = 17
    return row + 1


def _put_logs(sheet: Worksheet, row: int, run: BatchRun, first_batch: int, width: int) -> int:
    """Logs of as many batches as fit on a page and lots as fit abreast; the row after them."""
    past_last = first_batch + run.batches
    for start in range(first_batch, past_last, _BATCHES_UNDER_ONE_HEADING):
        batches = range(start, min(start + _BATCHES_UNDER_ONE_HEADING, past_last))
        for lots in _abreast(run):
            row = _put_log(sheet, row, lots, batches, width)
    return row


def _put_log(sheet: Worksheet, row: int, lots: list[Ingredient], batches: range, width: int) -> int:
    put(sheet, row, 1, "Batch", STRONG, border=BOX)
    put(sheet, row + 1, 1, "tick, write lb", QUIET, border=BOX)
    for column, each in enumerate(lots, start=2):
        put(sheet, row, column, each.lot_id, STRONG, align="center", border=BOX)
        put(sheet, row + 1, column, pounds(each.pounds_lb), PLAIN, align="center", border=BOX)
    after = len(lots) + 2
    put(sheet, row, after, "Temp., °F", STRONG, align="center", border=BOX)
    put(sheet, row + 1, after, "40 or below", PLAIN, align="center", border=BOX)
    put(sheet, row, after + 1, "Initials", STRONG, align="center", border=BOX)
    put(sheet, row + 1, after + 1, "", border=BOX)
    if width > after + 1:
        for each in (row, row + 1):
            text = "Remarks" if each == row else ""
            put(sheet, each, after + 2, text, STRONG, border=BOX, to_column=width)
    sheet.row_dimensions[row].height = 15 * max(lines_needed(e.lot_id, _WIDTH) for e in lots) + 3
    sheet.row_dimensions[row + 1].height = 15
    first, row = row, row + 2
    for batch in batches:
        put(sheet, row, 1, batch, LARGE_STRONG, align="center", border=BOX)
        for column in range(2, after):
            put(sheet, row, column, TICK, LARGE, border=BOX)
        for column in (after, after + 1):
            put(sheet, row, column, None, border=BOX)
        if width > after + 1:
            put(sheet, row, after + 2, None, border=BOX, to_column=width)
        sheet.row_dimensions[row].height = _WRITING_HEIGHT
        row += 1
    keep_on_one_page(sheet, first, row - 1)
    return leave_gap(sheet, row)


def _to_mind(case: Case, product_id: str) -> list[str]:
    rows = case.standard_rows(case.product(product_id))
    by_hand = [f"{TICK} {row.title} ({row.section})" for row in rows if row.action is Action.NOTE]
    return [*by_hand, *CAUTIONS]


def _put_lines(sheet: Worksheet, row: int, lines: list[str], width: int) -> int:
    """The row of the last line."""
    room = _FIRST_WIDTH + _WIDTH * (width - 1)
    for index, line in enumerate(lines, start=row):
        put(sheet, index, 1, line, QUIET, to_column=width)
        sheet.row_dimensions[index].height = 12 * lines_needed(line, room)
    return row + len(lines) - 1


def _abreast(run: BatchRun) -> list[list[Ingredient]]:
    """The run's lots in groups of nearly equal size that fit side by side."""
    lots = list(run.ingredients)
    groups = ceil(len(lots) / _MOST_LOTS_ABREAST)
    size = ceil(len(lots) / groups)
    return [lots[start : start + size] for start in range(0, len(lots), size)]


def _batches(count: int) -> str:
    return f"{count:,} {'batch' if count == 1 else 'batches'}"
