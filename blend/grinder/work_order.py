"""The work order: batches in run order, which combos are opened for which, and what carries over.

It has the fields of the raw ground beef grinding record of 9 CFR 320.1(b)(4): establishment numbers
and lot numbers of suppliers, production dates, names of materials and carryover, time of each
lot, time of cleaning. What only the floor knows stays blank; the plant completes the record and
is responsible for it. The run order is the plant's choice; no official order is claimed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.plan import BatchRun, Plan
from blend.domain.products import Product
from blend.output.frames import DataFrame

_HALF_A_POUND = 0.5


class RunOrder(StrEnum):
    """How batches follow one another within a species and its label claims."""

    LEAN_TO_FAT = "lean to fat"
    FAT_TO_LEAN = "fat to lean"
    AS_LISTED = "as listed"
    """As the products stand in products.csv."""


@dataclass(frozen=True, slots=True)
class Line:
    """Pounds of one lot for one batch, and where they come from."""

    lot_id: str
    pounds_lb: float
    from_open_lb: float
    """Out of a combo opened for an earlier batch."""
    combos_opened: tuple[int, ...]
    """Numbers of the lot's combos opened for this batch, from 1."""
    left_open_lb: float
    """Left in the last combo opened, for the next batch."""


@dataclass(frozen=True, slots=True)
class Batch:
    """One batch of the day. `cleanup_before` is why equipment is cleaned before it, or empty."""

    number: int
    product_id: str
    of_product: int
    """Its number among the product's batches, from 1."""
    finished_lb: float
    lines: tuple[Line, ...]
    cleanup_before: str = ""


@dataclass(frozen=True)
class WorkOrder:
    """All batches of a plan, in run order."""

    case: Case
    batches: tuple[Batch, ...]
    left_open_lb: Mapping[str, float] = field(default_factory=dict)
    """By lot: pounds left in an opened combo at the end of the day; a carryover to name."""

    @property
    def lines(self) -> DataFrame:
        """One row for each lot of each batch, with blanks for the floor to fill in."""

        rows = []
        for batch in self.batches:
            product = self.case.product(batch.product_id)
            for line in batch.lines:
                lot = self.case.lot(line.lot_id)
                rows.append(
                    {
                        "batch": batch.number,
                        "product": product.name,
                        "lot_id": lot.lot_id,
                        "item": lot.item,
                        "supplier": lot.supplier,
                        "use_by": lot.use_by,
                        "planned_lb": line.pounds_lb,
                        "from_open_lb": line.from_open_lb,
                        "combos_opened": _span(line.combos_opened),
                        "left_open_lb": line.left_open_lb,
                        **dict.fromkeys(BLANKS, ""),
                    }
                )
        return DataFrame(rows)


LINE_BLANKS = ("supplier_establishment", "supplier_lot", "supplier_production_date", "actual_lb")
BATCH_BLANKS = (
    "weighed_out_lb",
    "tested_fat_percent",
    "temperature_f",
    "time_ground",
    "cleaned_at",
    "initials",
)
BLANKS = (*LINE_BLANKS, *BATCH_BLANKS)
"""Columns the floor completes, of each lot and of each batch."""


def work_order(case: Case, plan: Plan, order: RunOrder = RunOrder.LEAN_TO_FAT) -> WorkOrder:
    """The plan's batches in run order, with the combos each one opens.

    Products of one species and the same claims run together, so that changeovers and cleanups are
    few; claims run first, on clean equipment. Within a group they run by `order`. Partial combos
    are used up before a new one of the lot is opened.
    """
    open_lb: dict[str, float] = {}
    opened: dict[str, int] = {}
    batches: list[Batch] = []
    before: Product | None = None
    made: dict[str, int] = {}
    for run in _in_order(case, plan.runs, order):
        product = case.product(run.product_id)
        for _ in range(run.batches):
            made[product.product_id] = made.get(product.product_id, 0) + 1
            lines = tuple(
                _line(case.lot(each.lot_id), each.pounds_lb, open_lb, opened)
                for each in sorted(run.ingredients, key=lambda e: _use_first(case.lot(e.lot_id)))
            )
            batches.append(
                Batch(
                    len(batches) + 1,
                    product.product_id,
                    made[product.product_id],
                    run.finished_lb,
                    lines,
                    _cleanup(before, product),
                )
            )
            before = product
    left = {lot_id: lb for lot_id, lb in open_lb.items() if lb >= _HALF_A_POUND}
    return WorkOrder(case, tuple(batches), left)


def _in_order(case: Case, runs: tuple[BatchRun, ...], order: RunOrder) -> Iterator[BatchRun]:
    listed = {product.product_id: at for at, product in enumerate(case.products)}

    def key(run: BatchRun) -> tuple[object, ...]:
        product = case.product(run.product_id)
        lean = {
            RunOrder.LEAN_TO_FAT: -product.target_lean,
            RunOrder.FAT_TO_LEAN: product.target_lean,
        }
        within = lean.get(order, 0.0)
        species = tuple(sorted(product.species))
        claims = tuple(sorted(product.label_claims))
        return len(species), species, not claims, claims, within, listed[run.product_id]

    return iter(sorted(runs, key=key))


def _use_first(lot: Lot) -> tuple[date, str]:
    return lot.use_by or date.max, lot.lot_id


def _cleanup(before: Product | None, product: Product) -> str:
    if before is None:
        return "start of day"
    if before.species != product.species:
        return f"species change to {', '.join(sorted(product.species))}"
    if before.label_claims != product.label_claims:
        claims = ", ".join(sorted(product.label_claims)) or "no claims"
        return f"label claims change to {claims}"
    return ""


def _line(lot: Lot, pounds_lb: float, open_lb: dict[str, float], opened: dict[str, int]) -> Line:
    from_open = min(open_lb.get(lot.lot_id, 0.0), pounds_lb)
    left = open_lb.get(lot.lot_id, 0.0) - from_open
    needed = pounds_lb - from_open
    numbers: tuple[int, ...] = ()
    if lot.container_lb and needed > 0:
        count = math.ceil(needed / lot.container_lb - 1e-9)
        first = opened.get(lot.lot_id, 0) + 1
        numbers = tuple(range(first, first + count))
        opened[lot.lot_id] = first + count - 1
        left += count * lot.container_lb - needed
    open_lb[lot.lot_id] = left
    return Line(lot.lot_id, pounds_lb, from_open, numbers, left)


def _span(numbers: tuple[int, ...]) -> str:
    """1, or 1 to 3; blank for none."""
    if not numbers:
        return ""
    return str(numbers[0]) if len(numbers) == 1 else f"{numbers[0]} to {numbers[-1]}"
