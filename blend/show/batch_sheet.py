"""What a foreman needs to make a recipe: lines to read, what to pull, what to weigh, a log."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from blend.domain.case import Case
from blend.domain.plan import BatchRun, Ingredient, Plan
from blend.domain.standards import Action
from blend.show.amounts import count_of, lean_percent, number_words, pounds, printable
from blend.show.checks import CAUTIONS, held_words
from blend.show.quantities import labelled_runs, run_finished_lb
from blend.show.shown import Format, ShownColumn, ShownTable, shown_table
from blend.show.words import CONTAINERS_WORDS
from blend.units import POINTS_PER_SHARE

_MAX_LOTS_ABREAST = 7
PULL_CAUTION = (
    "Hold each lot's label, use-by and temperature against this sheet before it is opened; what "
    "is off, or above 40 °F (4 °C), goes to whoever decides on it."
)


@dataclass(frozen=True, slots=True)
class BatchSheet:
    """One recipe on paper: `log` are groups of lots that fit side by side, each (lot, pounds)."""

    title: str
    where: str
    to_make: tuple[str, ...]
    round_plan: ShownTable
    log: tuple[tuple[tuple[str, str], ...], ...]
    batches: range
    to_confirm: tuple[str, ...]
    cautions: tuple[str, ...]


def batch_sheets(case: Case, plan: Plan) -> list[BatchSheet]:
    """A sheet for each recipe; batches of a product are numbered through its recipes."""
    sheets, first = [], {}
    for run, label in labelled_runs(case, plan):
        start = first.get(run.product_id, 1)
        first[run.product_id] = start + run.batches
        sheets.append(_sheet(case, plan, run, label, start))
    return sheets


def _sheet(case: Case, plan: Plan, run: BatchRun, label: str, first_batch: int) -> BatchSheet:
    product = case.product(run.product_id)
    day, plant = case.settings.plan_on.isoformat(), case.settings.plant
    return BatchSheet(
        title=printable(label),
        where=printable(", ".join(filter(None, (plant, day, f"product {run.product_id}")))),
        to_make=tuple(printable(line) for line in _to_make(case, plan, run)),
        round_plan=_weigh_table(case, run, label),
        log=_abreast(run.ingredients),
        batches=range(first_batch, first_batch + run.batches),
        to_confirm=tuple(
            printable(f"{row.title} ({row.section})")
            for row in case.standard_rows(product)
            if row.action is Action.NOTE
        ),
        cautions=CAUTIONS,
    )


def _to_make(case: Case, plan: Plan, run: BatchRun) -> list[str]:
    product = case.product(run.product_id)
    batches = count_of(run.batches, "batch", "batches")
    each = number_words(run.finished_lb, min_decimals=1, max_decimals=1)
    in_all = number_words(run_finished_lb(run), min_decimals=1, max_decimals=1)
    species, origins, _ = held_words(case, plan, run.product_id)
    lean = number_words(run.lean * POINTS_PER_SHARE, min_decimals=2)
    fat = number_words((1 - run.lean) * POINTS_PER_SHARE, min_decimals=2)
    min_fat = lean_percent(1 - product.max_lean)
    max_fat = lean_percent(1 - product.min_lean)
    return [
        f"{batches} of {each} lb finished, {in_all} lb in all.",
        f"Lean aimed at {lean_percent(product.target_lean)}; allowed from "
        f"{lean_percent(product.min_lean)} to {lean_percent(product.max_lean)}. "
        f"This recipe: {lean} % lean, {fat} % fat. Tested fat must lie between {min_fat} and "
        f"{max_fat}.",
        f"Holds {species}; origin {origins}.",
    ]


def _weigh_table(case: Case, run: BatchRun, label: str) -> ShownTable:
    """What goes into one batch in the order of weighing, with the scale's running total."""
    in_containers = any(each.containers is not None for each in run.ingredients)
    columns = (
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Supplier"),
        ShownColumn("Lean", "%", Format.TENTHS),
        ShownColumn("Weigh", "lb", Format.WHOLE),
        ShownColumn("Scale then shows", "lb", Format.WHOLE),
        ShownColumn("All batches", "lb", Format.WHOLE),
        ShownColumn("Comes in"),
        *([ShownColumn("Containers, each batch")] if in_containers else []),
    )
    rows, so_far = [], 0.0
    for each in run.ingredients:
        lot = case.lot(each.lot_id)
        so_far += each.pounds_lb
        size = "" if lot.container_lb is None else f" of {pounds(lot.container_lb)}"
        containers = [] if not in_containers else [_containers(each, lot.container)]
        rows.append(
            (
                lot.lot_id,
                lot.item,
                lot.supplier,
                lot.lean * POINTS_PER_SHARE,
                each.pounds_lb,
                so_far,
                run.batches * each.pounds_lb,
                f"{CONTAINERS_WORDS[lot.container]}{size}",
                *containers,
            )
        )
    lost = so_far - run.finished_lb
    note = f"Weighed before losses; {number_words(lost, max_decimals=1)} lb are lost on the way."
    return shown_table(f"Each batch of {label}", columns, rows, note)


def _containers(each: Ingredient, container: str) -> str:
    if each.containers is None:
        return ""
    return count_of(each.containers, container, CONTAINERS_WORDS[container])


def _abreast(lots: tuple[Ingredient, ...]) -> tuple[tuple[tuple[str, str], ...], ...]:
    size = ceil(len(lots) / ceil(len(lots) / _MAX_LOTS_ABREAST))
    told = [(printable(each.lot_id), number_words(each.pounds_lb)) for each in lots]
    return tuple(tuple(told[start : start + size]) for start in range(0, len(told), size))


def pull_table(case: Case, plan: Plan) -> ShownTable:
    """What to have ready before the first batch: what is pulled from stock first."""
    columns = (
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Supplier"),
        ShownColumn("From"),
        ShownColumn("Containers"),
        ShownColumn("Pounds", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Use by"),
        ShownColumn("For"),
    )
    rows = []
    for take in sorted(
        plan.takes, key=lambda take: case.lot(take.lot_id).on_hand_or_offered != "on hand"
    ):
        lot = case.lot(take.lot_id)
        containers = ""
        if take.containers is not None:
            containers = count_of(take.containers, lot.container, CONTAINERS_WORDS[lot.container])
        elif lot.container_lb is not None:
            containers = f"{CONTAINERS_WORDS[lot.container]} of {pounds(lot.container_lb)}"
        into = dict.fromkeys(
            run.product_id
            for run in plan.runs
            if any(each.lot_id == take.lot_id for each in run.ingredients)
        )
        rows.append(
            (
                lot.lot_id,
                lot.item,
                lot.supplier,
                lot.on_hand_or_offered,
                containers,
                take.pounds_lb,
                "" if lot.use_by is None else lot.use_by.isoformat(),
                ", ".join(into),
            )
        )
    return shown_table("What to pull", columns, rows, PULL_CAUTION)
