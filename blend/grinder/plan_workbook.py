"""The plan on paper: what to pull, a batch sheet for each recipe, and the office's sheets."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blend.domain.case import Case
from blend.domain.plan import BatchRun, Plan, Verdict
from blend.domain.standards import Action
from blend.grinder import plan_frames as frames
from blend.grinder.day_plan import CAUTIONS, Block, DayPlan, run_name
from blend.grinder.work_order import work_order
from blend.output.formats import (
    Format,
    counted,
    day,
    number,
    percent,
    pounds,
    printable,
    printed_on,
    register,
)
from blend.output.frames import DataFrame
from blend.output.gap import short_tenths
from blend.phrases import CONTAINERS_WORDS, containers, requirement_words

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

register(
    {
        "scale_shows_lb": Format("Scale then shows", "lb", 0),
        "pull_lb": Format("Pounds", "lb", 0, is_summed=True),
        "used_in": Format("For"),
    }
)
PULL_CAUTION = (
    "Check each lot's label, use-by and temperature against this sheet before you open it. What is"
    " off, or above 40 °F (4 °C), stays shut until your supervisor decides."
)
RECORD_NOTE = (
    "Has the fields of the grinding record of 9 CFR 320.1(b)(4). The plant completes it and answers"
    " for it."
)
TO_WRITE = ("Tested fat, %", "Temperature, °F (40 or below)", "Time", "Initials")
TICK = "\N{BALLOT BOX}"
_MAX_BATCHES_ABREAST = 5
_WRITING_PT = 26


@dataclass(frozen=True, slots=True)
class BatchSheet:
    """One recipe on paper. `weigh` is what goes into one batch, in the order of weighing."""

    title: str
    where: str
    to_make: tuple[str, ...]
    weigh: DataFrame
    batches: range
    to_confirm: tuple[str, ...]
    in_containers: bool = False
    """Each batch takes whole containers."""
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def batch_groups(self) -> list[range]:
        """Batches by number, in groups that fit side by side."""
        groups = ceil(len(self.batches) / _MAX_BATCHES_ABREAST)
        step = ceil(len(self.batches) / groups)
        return [self.batches[start : start + step] for start in range(0, len(self.batches), step)]


def batch_sheets(case: Case, plan: Plan) -> list[BatchSheet]:
    """A sheet for each recipe; batches of a product are numbered through its recipes."""
    sheets: list[BatchSheet] = []
    first: dict[str, int] = {}
    for recipe, run in frames.recipe_numbers(plan):
        start = first.get(run.product_id, 1)
        first[run.product_id] = start + run.batches
        where = filter(
            None, (case.settings.plant, day(case.settings.plan_on), f"product {run.product_id}")
        )
        sheets.append(
            BatchSheet(
                printable(run_name(case, plan, run.product_id, recipe)),
                printable(", ".join(where)),
                tuple(map(printable, _to_make(case, plan, run))),
                _weigh(case, run),
                range(start, start + run.batches),
                tuple(map(printable, to_confirm(case, plan, run.product_id))),
                any(each.containers is not None for each in run.ingredients),
            )
        )
    return sheets


def _to_make(case: Case, plan: Plan, run: BatchRun) -> list[str]:
    product = case.product(run.product_id)
    batches = counted(run.batches, "batch", "batches")
    each = number(run.finished_lb, min_decimals=1, max_decimals=1)
    run_lb = number(run.batches * round(run.finished_lb, 1), min_decimals=1, max_decimals=1)
    short_lb = short_tenths(plan.short_lb(run.product_id))
    short = f" The order is {number(short_lb, max_decimals=1)} lb short." if short_lb else ""
    species, origins, _ = frames.contents(case, plan, run.product_id)
    low_fat, high_fat = 1 - product.max_lean, 1 - product.min_lean
    return [
        f"{batches} of {each} lb finished, {run_lb} lb in all.{short}",
        f"Target {percent(product.target_lean, min_decimals=1)} lean, spec "
        f"{100 * product.min_lean:.1f} to {100 * product.max_lean:.1f}. This recipe: "
        f"{100 * run.lean:.2f}% lean, {100 - 100 * run.lean:.2f}% fat. Tested fat in spec: "
        f"{100 * low_fat:.1f}% to {100 * high_fat:.1f}%.",
        f"Species {species}; origin {origins}.",
    ]


def _weigh(case: Case, run: BatchRun) -> DataFrame:

    rows, so_far_lb = [], 0.0
    for each in run.ingredients:
        lot = case.lot(each.lot_id)
        so_far_lb += each.pounds_lb
        size = "" if lot.container_lb is None else f" of {pounds(lot.container_lb)}"
        rows.append(
            {
                "lot_id": lot.lot_id,
                "item": lot.item,
                "supplier": lot.supplier,
                "use_by": None if lot.use_by is None else day(lot.use_by),
                "comes_in": containers(each.containers, lot.container)
                or f"{CONTAINERS_WORDS[lot.container]}{size}",
                "weigh_lb": each.pounds_lb,
                "scale_shows_lb": so_far_lb,
                "run_lb": run.batches * each.pounds_lb,
            }
        )
    return DataFrame(rows)


def to_confirm(case: Case, plan: Plan, product_id: str) -> list[str]:
    """What the label needs because of this plan, then what the standards leave to check by hand."""
    needed = [
        f"{requirement_words(check.requirement, case)}: this plan is over it. {check.note}"
        for check in plan.certificate.checks
        if check.verdict is Verdict.WARNING and check.requirement.product_id == product_id
    ]
    points = [
        f"{row.title} ({row.section})"
        for row in case.standard_rows(case.product(product_id))
        if row.action is Action.NOTE
    ]
    return needed + points


def pull_frame(case: Case, plan: Plan) -> DataFrame:
    """What to have ready before the first batch, stock first. It has no prices."""

    rows = []
    takes = sorted(plan.takes, key=lambda take: not case.lot(take.lot_id).is_on_hand)
    for take in takes:
        lot = case.lot(take.lot_id)
        into = dict.fromkeys(
            run.product_id
            for run in plan.runs
            if any(each.lot_id == take.lot_id for each in run.ingredients)
        )
        rows.append(
            {
                "lot_id": lot.lot_id,
                "item": lot.item,
                "supplier": lot.supplier,
                "from": lot.on_hand_or_offered,
                "containers": containers(take.containers, lot.container),
                "pull_lb": take.pounds_lb,
                "use_by": "" if lot.use_by is None else day(lot.use_by),
                "used_in": ", ".join(into),
            }
        )
    return DataFrame(rows)


def plan_number(plan: Plan, case: Case) -> str:
    """Short and the same for the same plan: the day, and a digest of what is made of what."""
    return f"{case.settings.plan_on:%m%d}-{_digest((plan.takes, plan.runs))[:4].upper()}"


def inputs_digest(case: Case) -> str:
    """Eight characters that change with any cell the plan was made from."""
    return _digest(case)[:8]


def printed_stamp(case: Case, plan: Plan, printed_at: datetime) -> str:
    """Plant, day, plan number, digest of the tables and print time: on every sheet."""
    parts = (
        case.settings.plant,
        day(case.settings.plan_on),
        f"plan {plan_number(plan, case)}",
        f"tables {inputs_digest(case)}",
        printed_on(printed_at),
    )
    return ", ".join(filter(None, parts))


def _digest(of: Any) -> str:
    def plain(each: Any) -> Any:
        return sorted(each) if isinstance(each, set | frozenset) else str(each)

    parts = of if isinstance(of, tuple) else (of,)
    content = [
        [asdict(each) for each in part] if isinstance(part, tuple) else _fields(part)
        for part in parts
    ]
    return hashlib.sha256(json.dumps(content, default=plain).encode()).hexdigest()


def _fields(part: Any) -> dict[str, Any]:
    return {name: each for name, each in asdict(part).items() if not name.startswith("_")}


def write_plan_workbook(answer: DayPlan, path: Path, printed_at: datetime) -> None:
    """Write the workbook, whole or not at all; the same plan and time give the same bytes.

    Raises FileTrouble when the folder is missing, cannot be written to or is full.
    """
    from blend.output.workbook import write_book

    write_book(plan_workbook(answer, printed_at), path)


def plan_workbook(answer: DayPlan, printed_at: datetime) -> Workbook:
    """Purchases; for the floor, without prices, the pull list, the work order and a sheet for each
    product; then money, break-evens, limits, checks and standards."""
    from blend.output.workbook import add_sheet, add_table, fit, new_book

    case, plan = answer.case, answer.plan
    stamp = printed_stamp(case, plan, printed_at)
    book = new_book()

    def office(name: str, blocks: Sequence[Block], widest: int = 44) -> None:
        blocks = [each for each in blocks if len(each.frame)]
        if not blocks:
            return
        is_wide = max(len(each.columns or each.frame.columns) for each in blocks) > 6
        sheet = add_sheet(book, name, name, stamp, is_landscape=is_wide)
        row = 4
        for each in blocks:
            row = add_table(sheet, row, each.frame, each.columns, title=each.title, note=each.note)
        fit(sheet, widest)

    office("Purchases", [Block("", answer.purchases)])
    office("Pull list", [Block("", pull_frame(case, plan), note=PULL_CAUTION)])
    lines = work_order(case, plan).lines.drop(columns="item", errors="ignore")
    office("Work order", [Block("In run order", lines, note=RECORD_NOTE)], widest=30)
    by_product: dict[str, list[BatchSheet]] = {}
    for run, paper in zip(plan.runs, batch_sheets(case, plan), strict=True):
        by_product.setdefault(run.product_id, []).append(paper)
    for product_id, papers in by_product.items():
        name = case.product(product_id).name
        sheet = add_sheet(book, product_id, name, stamp, is_landscape=True)
        _fill_batch_sheet(sheet, papers)
    office("Money", [*answer.blocks("money"), Block("Products", answer.products)])
    office("Break-even", answer.blocks("break-even"))
    office("Limits", answer.blocks("limits"))
    office("Checks", [*answer.blocks("certificate"), *answer.blocks("checks")[:4]])
    office("Standards", answer.blocks("checks")[4:])
    office("Margins", answer.blocks("margins"))
    office("Temperatures", answer.blocks("temps"))
    return book


def _fill_batch_sheet(sheet: Worksheet, papers: Sequence[BatchSheet]) -> None:
    """Each recipe to weigh with a column to write in for each batch; then what to sign and mind."""
    from openpyxl.utils import get_column_letter

    from blend.output import workbook as books
    from blend.output.formats import format_of

    weighed = [
        name for name in papers[0].weigh.columns if name != "comes_in" or papers[0].in_containers
    ]
    last = len(weighed) + max(len(group) for paper in papers for group in paper.batch_groups)
    ids = max(len(lot_id) for paper in papers for lot_id in paper.weigh["lot_id"])
    widths = {"lot_id": max(9, ids) + 2, "item": 22, "supplier": 16, "use_by": 13}
    for column in range(1, last + 1):
        name = weighed[column - 1] if column <= len(weighed) else ""
        sheet.column_dimensions[get_column_letter(column)].width = widths.get(name, 10)
    row = 4
    for paper in papers:
        if len(papers) > 1:
            row = books.put_text(sheet, row, paper.title, last, books.HEADING)
        for line in paper.to_make:
            row = books.put_text(sheet, row, line, last, books.HEADING)
        for group in paper.batch_groups:
            row += 1
            for column, name in enumerate(weighed, 1):
                heading = format_of(name).title
                books.put(sheet, row, column, heading, books.STRONG, border=books.BOX)
            for column, batch in enumerate(group, len(weighed) + 1):
                heading = f"Batch {batch}, actual lb"
                books.put(sheet, row, column, heading, books.STRONG, border=books.BOX)
            row += 1
            for cells in paper.weigh[weighed].itertuples(index=False, name=None):
                for column, (name, cell) in enumerate(zip(weighed, cells, strict=True), 1):
                    font = books.LARGE if name == "weigh_lb" else books.PLAIN
                    fill = books.SHADE if name == "weigh_lb" else None
                    books.put(
                        sheet, row, column, cell, font, format_of(name), border=books.BOX, fill=fill
                    )
                _boxes(sheet, row, len(weighed), group, TICK)
                row += 1
            for label in TO_WRITE:
                books.put(sheet, row, 1, label, books.STRONG, wraps=False)
                _boxes(sheet, row, len(weighed), group, "")
                row += 1
        row += 1
    for column, text in ((1, "Started"), (3, "Ended"), (5, "Checked by")):
        books.put(sheet, row, column, text, books.STRONG, border=books.BELOW, wraps=False)
    sheet.row_dimensions[row].height = _WRITING_PT
    row += 2
    for line in papers[0].to_confirm:
        row = books.put_text(sheet, row, f"{TICK} {line}", last)
    for line in papers[0].cautions:
        row = books.put_text(sheet, row, line, last, books.SMALL)
    books.fit_rows(sheet)


def _boxes(sheet: Worksheet, row: int, after: int, batches: range, mark: str) -> None:
    """Boxes to write in, one for each batch."""
    from blend.output import workbook as books

    sheet.row_dimensions[row].height = _WRITING_PT
    for column in range(after + 1, after + 1 + len(batches)):
        books.put(sheet, row, column, mark, border=books.BOX)
