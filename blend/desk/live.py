"""The plan of tables being edited: its figures and changes, its blends as picture and tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isinf
from typing import TYPE_CHECKING, Any

from blend.grinder.odds import ASSUMPTION
from blend.output.formats import cents, money, number, pounds, printable
from blend.output.gap import gap_words
from blend.output.lean_classes import lean_class
from blend.output.shown import Cell, Format, ShownColumn, ShownTable, shown_table
from blend.phrases import AS_IF_SPLIT
from blend.units import LB_PER_CWT, POINTS_PER_SHARE, usd_per_cwt

if TYPE_CHECKING:
    from blend.grinder.live import LivePlan

_MIN_LB = 0.5


@dataclass(frozen=True, slots=True)
class Compared:
    """A plan's figures as another is compared with them."""

    total_usd: float
    made_lb: float
    meat_usd_per_lb: float | None


@dataclass(frozen=True, slots=True)
class Card:
    """A figure, its unit, and how it changed; `change` is blank where nothing is compared.

    `direction` is up, down or blank; `is_better` None where neither way is better.
    """

    name: str
    text: str
    unit: str = ""
    change: str = ""
    direction: str = ""
    is_better: bool | None = None
    help: str = ""


def compared(plan: LivePlan) -> Compared:
    return Compared(plan.total_usd, plan.made_lb, plan.meat_usd_per_lb)


def live_cards(plan: LivePlan, before: Compared | None) -> list[Card]:
    """Cost of the day, meat in a finished pound, and pounds made, each with its change."""
    sells = any(product.sale_usd_per_lb for product in plan.case.products)
    per_lb = plan.meat_usd_per_lb
    was = None if before is None else before.meat_usd_per_lb
    return [
        Card(
            "Day's cost, less sales" if sells else "Day's cost",
            money(plan.total_usd),
            **({} if before is None else _cheaper(plan.total_usd - before.total_usd, 0)),
        ),
        Card(
            "Meat, finished",
            "none made" if per_lb is None else cents(per_lb * LB_PER_CWT),
            "" if per_lb is None else "/cwt",
            **({} if per_lb is None or was is None else _cheaper((per_lb - was) * LB_PER_CWT, 2)),
        ),
        Card(
            "Finished",
            number(plan.made_lb, max_decimals=0),
            "lb",
            **({} if before is None else _more(plan.made_lb - before.made_lb)),
        ),
    ]


def odds_card(odds: Sequence[float]) -> Card:
    """The lowest odds of any product that its batches test at or above the lean floor."""
    return Card(
        "At or over floor, lowest odds",
        f"{min(odds):.0%}" if odds else "not known",
        help=f"Chance that a batch tests at or above its lean floor, for the product where it is "
        f"lowest. Independent, normal errors; where you give none: {ASSUMPTION}. As if combos "
        "could be split; a plan with a margin: blend plan --confidence 95.",
    )


def _cheaper(change: float, decimals: int) -> dict[str, Any]:
    """A change of a cost in words: not by sign and color alone."""
    change = round(change, decimals)
    if not change:
        return {"change": "no change"}
    words = f"${abs(change):,.{decimals}f} {'less' if change < 0 else 'more'}"
    return {
        "change": words,
        "direction": "down" if change < 0 else "up",
        "is_better": change < 0,
    }


def _more(change_lb: float) -> dict[str, Any]:
    change = round(change_lb)
    if not change:
        return {"change": "no change"}
    words = f"{abs(change):,} lb {'less' if change < 0 else 'more'}"
    return {"change": words, "direction": "down" if change < 0 else "up"}


def certificate_words(plan: LivePlan) -> str:
    """How close these figures are to the cheapest, and that no plan is printed yet."""
    gap = gap_words(plan.total_usd, plan.bound_usd, is_certified=True)
    return (
        f"As if combos and batches could be split: {gap[0].lower()}{gap[1:]} In whole"
        " combos and pounds the day can cost more; Plan shows that cost and its own gap."
    )


@dataclass(frozen=True, slots=True)
class RecipeRow:
    """One lot of the matrix: pounds per batch by product, blank where it is not used."""

    lot_id: str
    item: str
    lean: str
    batch_lb: tuple[str, ...]
    used_lb: str


@dataclass(frozen=True, slots=True)
class RecipeMatrix:
    """Lots by products, in pounds of each batch, as if combos and batches could be split."""

    products: tuple[tuple[str, str], ...]
    """Name, and pounds of a usual batch."""
    rows: tuple[RecipeRow, ...]
    left_out: int
    """Lots that are used, where there are too many to show."""


def recipe_matrix(plan: LivePlan, max_rows: int) -> RecipeMatrix:
    """The most used lots, in the order of their lean."""
    case = plan.case
    made = [blend for blend in plan.blends if blend.made_lb > _MIN_LB]
    products = [case.product(blend.product_id) for blend in made]
    parts = [
        min(1.0, product.batch_lb / blend.made_lb)
        for product, blend in zip(products, made, strict=True)
    ]
    total = {lot.lot_id: lot.used_lb for lot in plan.lots if lot.used_lb > _MIN_LB}
    most = sorted(total, key=lambda lot_id: -total[lot_id])[:max_rows]
    used = sorted(map(case.lot, most), key=lambda lot: (lot.lean, lot.lot_id))
    rows = []
    for lot in used:
        shares = (
            blend.used_lb.get(lot.lot_id, 0.0) * part
            for blend, part in zip(made, parts, strict=True)
        )
        texts = tuple(f"{lb:,.0f}" if lb > _MIN_LB else "" for lb in shares)
        lean = number(lot.lean * POINTS_PER_SHARE, min_decimals=1)
        row = RecipeRow(
            printable(lot.lot_id), printable(lot.item), lean, texts, f"{total[lot.lot_id]:,.0f}"
        )
        rows.append(row)
    heads = tuple((printable(each.name), pounds(each.batch_lb)) for each in products)
    return RecipeMatrix(heads, tuple(rows), len(total) - len(rows))


def live_tables(plan: LivePlan) -> list[ShownTable]:
    """The picture as tables: blends and what they cost, and what goes in, lot by lot."""
    return [_blends(plan), _lots(plan)]


def _blends(plan: LivePlan) -> ShownTable:
    columns = (
        ShownColumn("Product"),
        ShownColumn("Made", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Short", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Lean", "%", Format.HUNDREDTHS),
        ShownColumn("Min", "%", Format.HUNDREDTHS),
        ShownColumn("Max", "%", Format.HUNDREDTHS),
        ShownColumn("Meat", "$/cwt", Format.HUNDREDTHS),
        ShownColumn("Next cwt", "$", Format.HUNDREDTHS),
        ShownColumn("One point leaner, whole order", "$", Format.HUNDREDTHS),
    )
    value_of = {value.product_id: value for value in plan.marginal_costs}
    rows = []
    for blend in plan.blends:
        product, value = plan.case.product(blend.product_id), value_of[blend.product_id]
        rows.append(
            (
                product.name,
                blend.made_lb,
                blend.short_lb if blend.short_lb > _MIN_LB else None,
                _points(blend.lean),
                _points(product.min_lean),
                _points(product.max_lean),
                usd_per_cwt(blend.meat_usd_per_lb),
                _cost(value.next_cwt_usd),
                _cost(value.leaner_point_usd),
            )
        )
    note = f"Costs are on the whole plan; below zero is money saved. {_basis()}"
    return shown_table("Blends now", columns, rows, note)


def _lots(plan: LivePlan) -> ShownTable:
    """Finished pounds of each product by the lot they come from."""
    columns = (
        ShownColumn("Product"),
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Lean class"),
        ShownColumn("Finished", "lb", Format.WHOLE),
        ShownColumn("Share of blend", "%", Format.TENTHS),
    )
    rows: list[Sequence[Cell]] = []
    for blend in plan.blends:
        total = sum(blend.kept_lb.values())
        for lot_id, lb in sorted(blend.kept_lb.items(), key=lambda each: (-each[1], each[0])):
            lot = plan.case.lot(lot_id)
            share = lb / total * POINTS_PER_SHARE
            name = plan.case.product(blend.product_id).name
            rows.append((name, lot_id, lot.item, lean_class(lot.lean), lb, share))
    return shown_table("What goes in", columns, rows, f"After losses. {_basis()}")


def _cost(usd: float) -> Cell:
    return "no plan" if isinf(usd) else usd


def _points(share: float | None) -> float | None:
    return None if share is None else share * POINTS_PER_SHARE


def _basis() -> str:
    return f"{AS_IF_SPLIT.capitalize()}."
