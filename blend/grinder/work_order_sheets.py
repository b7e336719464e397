"""The work order on paper, as a workbook or a page to print: the run order, then a sheet for each
product with boxes to fill in. It has no prices and no costs."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from blend.domain.plan import Plan
from blend.errors import refusal
from blend.grinder.plan_workbook import PULL_CAUTION, RECORD_NOTE, TICK, printed_stamp, to_confirm
from blend.grinder.work_order import BATCH_BLANKS, LINE_BLANKS, Batch, WorkOrder
from blend.output.formats import Format, day, percent, printable, register
from blend.output.frames import DataFrame
from blend.output.pages import Page, write_pages

if TYPE_CHECKING:
    from openpyxl import Workbook

register(
    {
        "tested_fat_percent": Format("Tested fat", "%", 2),
        "supplier_establishment": Format("Est. no."),
        "supplier_production_date": Format("Produced"),
    }
)
RUN_ORDER = "Run order"
ENDINGS = (".xlsx", ".html")
TO_FILL_IN = frozenset((*LINE_BLANKS, *BATCH_BLANKS))
_WRITING_PT = 24
_WRITING_WIDTH = {"supplier_lot": 20, "supplier_establishment": 9, "supplier_production_date": 11}


def work_order_pages(order: WorkOrder, plan: Plan) -> tuple[Page, ...]:
    """The run order first, then a page for each product in that order."""
    products = dict.fromkeys(batch.product_id for batch in order.batches)
    return (_run_order(order), *(_of_product(order, plan, each) for each in products))


def _run_order(order: WorkOrder) -> Page:

    left = DataFrame(
        [
            {
                "lot_id": lot_id,
                "item": order.case.lot(lot_id).item,
                "use_by": _day(order, lot_id),
                "left_open_lb": pounds_lb,
            }
            for lot_id, pounds_lb in sorted(order.left_open_lb.items())
        ]
    )
    tables = [("", _batches(order, order.batches).drop(columns=list(BATCH_BLANKS)))]
    if len(left):
        tables.append(("Left in opened combos and boxes at the end of the day", left))
    return Page(RUN_ORDER, "Work order: run order", (PULL_CAUTION,), tuple(tables))


def _of_product(order: WorkOrder, plan: Plan, product_id: str) -> Page:
    product = order.case.product(product_id)
    batches = [batch for batch in order.batches if batch.product_id == product_id]
    lines = order.lines
    lines = lines[lines["batch"].isin([batch.number for batch in batches])]
    columns = ["batch", "lot_id", "item", "supplier", "use_by", "planned_lb", "from_open_lb"]
    columns += ["combos_opened", "left_open_lb", *LINE_BLANKS]
    shown = lines[columns].assign(
        use_by=[_day(order, lot_id) for lot_id in lines["lot_id"]],
        from_open_lb=lines["from_open_lb"].where(lines["from_open_lb"] > 0),
        left_open_lb=lines["left_open_lb"].where(lines["left_open_lb"] > 0),
    )
    low_fat, high_fat = 1 - product.max_lean, 1 - product.min_lean
    return Page(
        product_id,
        printable(product.name),
        (
            f"Target {percent(product.target_lean, min_decimals=1)} lean. Tested fat in spec: "
            f"{percent(low_fat, min_decimals=1)} to {percent(high_fat, min_decimals=1)}."
            " Meat at or below 40 °F (4 °C).",
            RECORD_NOTE,
        ),
        (
            ("Weigh for each batch", shown),
            ("Record of each batch", _batches(order, batches).drop(columns="product")),
        ),
        tuple(map(printable, to_confirm(order.case, plan, product_id))),
    )


def _batches(order: WorkOrder, batches: Sequence[Batch]) -> DataFrame:

    of = {
        batch.product_id: sum(each.product_id == batch.product_id for each in order.batches)
        for batch in batches
    }
    return DataFrame(
        [
            {
                "batch": batch.number,
                "product": order.case.product(batch.product_id).name,
                "of_product": f"{batch.of_product} of {of[batch.product_id]}",
                "finished_lb": batch.finished_lb,
                "clean_first": batch.cleanup_before,
                **dict.fromkeys(BATCH_BLANKS, ""),
            }
            for batch in batches
        ]
    )


def _day(order: WorkOrder, lot_id: str) -> str:
    use_by = order.case.lot(lot_id).use_by
    return "" if use_by is None else day(use_by)


def check_ending(path: Path) -> None:
    """Refuse a work order that is neither a workbook nor a page."""
    if path.suffix.lower() not in ENDINGS:
        raise refusal("--work-order", None, str(path), "a file that ends in .xlsx or .html")


def write_work_order(order: WorkOrder, plan: Plan, path: Path, printed_at: datetime) -> None:
    """Write the work order, whole or not at all; the same plan and time give the same bytes."""
    from blend.output.workbook import write_book

    pages = work_order_pages(order, plan)
    stamp = printed_stamp(order.case, plan, printed_at)
    if path.suffix.lower() == ".html":
        write_pages(pages, stamp, path, to_fill_in=TO_FILL_IN, title="Work order")
    else:
        write_book(_book(pages, stamp), path)


def _book(pages: Sequence[Page], stamp: str) -> Workbook:
    from openpyxl.utils import get_column_letter

    from blend.output import workbook as books

    book = books.new_book()
    for page in pages:
        sheet = books.add_sheet(book, page.name, page.title, stamp, is_landscape=True)
        last = max(len(frame.columns) for _, frame in page.tables)
        row = 5 + len(page.notes)
        for title, frame in page.tables:
            top = row + bool(title) + 1
            row = books.add_table(sheet, row, frame, title=title)
            for column, name in enumerate(frame.columns, 1):
                for at in range(top, top + len(frame)):
                    cell = sheet.cell(at, column)
                    cell.border = books.BOX if name in TO_FILL_IN else books.BELOW
                    if TO_FILL_IN & set(frame.columns):
                        sheet.row_dimensions[at].height = _WRITING_PT
        books.fit(sheet, widest=30)
        for _, frame in page.tables:
            for column, name in enumerate(frame.columns, 1):
                width = sheet.column_dimensions[get_column_letter(column)]
                width.width = max(width.width, _WRITING_WIDTH.get(name, 0))
        for at, note in enumerate(page.notes, 4):
            books.put_text(sheet, at, printable(note), last, books.STRONG)
        for text in page.confirm:
            row = books.put_text(sheet, row, f"{TICK} {text}", last)
        books.fit_rows(sheet)
        sheet.page_setup.fitToHeight = 0
    return book
