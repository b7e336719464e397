"""The plan of tables being edited: its figures and changes, its blends as picture and tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isinf
from typing import TYPE_CHECKING

from blend.domain.case import Case
from blend.domain.plan import Model
from blend.domain.products import Product
from blend.output.gap import gap_words
from blend.output.lean_classes import DARK_FROM, LEAN_CLASSES, lean_class
from blend.phrases import MODEL_WORDS
from blend.show.amounts import number_words, percent, pounds, printable
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table
from blend.units import POINTS_PER_SHARE

if TYPE_CHECKING:
    from blend.grinder.live import LiveBlend, LivePlan

_NARROWEST_LABELLED = 7.0
"""Per cent of a bar that holds a number."""
_HALF_WIDTH = 42.0
"""Per cent of a band's width from the target to the farthest mark of any product."""
_MIN_LB = 0.5


@dataclass(frozen=True, slots=True)
class Compared:
    """A plan's figures as another is compared with them."""

    total_usd: float
    made_lb: float
    meat_usd_per_lb: float | None


@dataclass(frozen=True, slots=True)
class Card:
    """A figure, its unit, and how it changed; `change` is blank where nothing is compared."""

    name: str
    text: str
    unit: str
    change: str


@dataclass(frozen=True, slots=True)
class Bar:
    """One lean class of a blend, placed in per cent of the bar's width."""

    name: str
    color: str
    left: float
    width: float
    label: str
    is_dark: bool

    @property
    def middle(self) -> float:
        return self.left + self.width / 2


@dataclass(frozen=True, slots=True)
class BlendPicture:
    """One row of the picture: bars of lean classes, and the lean in its band.

    Places are per cent of each picture's width; `lands` is None where nothing is made.
    """

    name: str
    made: str
    lean: str
    bars: tuple[Bar, ...]
    bars_words: str
    band_from: float
    band_to: float
    target: float
    lands: float | None
    band_words: str


def compared(plan: LivePlan) -> Compared:
    return Compared(plan.total_usd, plan.made_lb, plan.meat_usd_per_lb)


def live_cards(plan: LivePlan, before: Compared | None) -> list[Card]:
    """Cost of the day, meat in a finished pound, and pounds made, each with its change."""
    sells = any(product.sale_usd_per_lb for product in plan.case.products)
    per_lb = plan.meat_usd_per_lb
    was = None if before is None else before.meat_usd_per_lb
    return [
        Card(
            "Cost of the day, less sales" if sells else "Cost of the day",
            number_words(plan.total_usd, max_decimals=0),
            "USD",
            "" if before is None else _change(plan.total_usd, before.total_usd, 0, "USD"),
        ),
        Card(
            "Meat in a finished pound",
            "none made" if per_lb is None else f"{per_lb:.4f}",
            "" if per_lb is None else "USD/lb",
            "" if per_lb is None or was is None else _change(per_lb, was, 4, "USD/lb"),
        ),
        Card(
            "Finished",
            number_words(plan.made_lb, max_decimals=0),
            "lb",
            "" if before is None else _change(plan.made_lb, before.made_lb, 0, "lb"),
        ),
    ]


def _change(now: float, was: float, decimals: int, unit: str) -> str:
    change = round(now - was, decimals)
    return f"{change:+,.{decimals}f} {unit}" if change else "no change"


def certificate_words(plan: LivePlan) -> str:
    """How close these figures are to the cheapest, and that no plan is printed yet."""
    gap = gap_words(plan.total_usd, plan.bound_usd, is_certified=True)
    return (
        f"As if containers and batches could be split: {gap[0].lower()}{gap[1:]} In whole"
        " containers and pounds the day can cost more; Plan shows that cost and its own gap."
    )


def lean_classes() -> list[tuple[str, str]]:
    """Name and color of each class, for a legend."""
    return [(name, color) for _, _, name, color in LEAN_CLASSES]


def blend_pictures(plan: LivePlan) -> list[BlendPicture]:
    """A row for each product, in the order of the case."""
    widest = max(map(_farthest, plan.case.products), default=0.0) or 1.0
    return [_picture(plan.case, blend, widest) for blend in plan.blends]


def _farthest(product: Product) -> float:
    return max(product.tolerance_below_share, product.tolerance_above_share)


def _picture(case: Case, blend: LiveBlend, widest: float) -> BlendPicture:
    product = case.product(blend.product_id)

    def place(lean: float) -> float:
        return 50 + (lean - product.target_lean) / widest * _HALF_WIDTH

    shares = class_shares(case, blend)
    lean_text = "none made" if blend.lean is None else _lean(blend.lean)
    limits = f"{_lean(product.min_lean)} to {_lean(product.max_lean)}"
    made = pounds(blend.made_lb)
    if blend.short_lb > _MIN_LB:
        made += f", {pounds(blend.short_lb)} short"
    mix = ", ".join(f"{percent(share)} {name}" for name, share in shares.items())
    return BlendPicture(
        name=printable(product.name),
        made=made,
        lean=lean_text,
        bars=_bars(shares),
        bars_words=printable(f"{product.name}, by lean of its lots: {mix or 'none made'}"),
        band_from=place(product.min_lean),
        band_to=place(product.max_lean),
        target=50.0,
        lands=None if blend.lean is None else place(blend.lean),
        band_words=printable(f"{product.name}: lean {lean_text}, allowed {limits}"),
    )


def _lean(share: float) -> str:
    return f"{number_words(share * POINTS_PER_SHARE, min_decimals=2)} %"


def _bars(shares: dict[str, float]) -> tuple[Bar, ...]:
    bars, left = [], 0.0
    for minimum, _, name, color in LEAN_CLASSES:
        width = shares.get(name, 0.0) * POINTS_PER_SHARE
        if width <= 0:
            continue
        label = number_words(width, max_decimals=0) if width >= _NARROWEST_LABELLED else ""
        bars.append(Bar(name, color, left, width, label, minimum >= DARK_FROM))
        left += width
    return tuple(bars)


def class_shares(case: Case, blend: LiveBlend) -> dict[str, float]:
    """Shares of a blend's finished pounds by lean class of the lots they come from, in the order
    of the classes."""
    total = sum(blend.kept_lb.values())
    shares: dict[str, float] = {}
    for lot_id, lb in sorted(blend.kept_lb.items(), key=lambda each: case.lot(each[0]).lean):
        name = lean_class(case.lot(lot_id).lean)
        shares[name] = shares.get(name, 0.0) + lb / total
    return shares


def live_tables(plan: LivePlan) -> list[ShownTable]:
    """The picture as tables: blends and what they cost, and what goes in, lot by lot."""
    return [_blends(plan), _lots(plan)]


def _blends(plan: LivePlan) -> ShownTable:
    columns = (
        ShownColumn("Product"),
        ShownColumn("Made", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Short", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Lean", "%", Format.HUNDREDTHS),
        ShownColumn("Least", "%", Format.HUNDREDTHS),
        ShownColumn("Most", "%", Format.HUNDREDTHS),
        ShownColumn("Meat", "USD/lb", Format.TEN_THOUSANDTHS),
        ShownColumn("Next cwt costs", "USD", Format.HUNDREDTHS),
        ShownColumn("1 point leaner costs", "USD", Format.HUNDREDTHS),
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
                blend.meat_usd_per_lb,
                _cost(value.next_cwt_usd),
                _cost(value.leaner_point_usd),
            )
        )
    note = f"Costs are on the whole plan; below zero it is money saved. {_basis()}"
    return shown_table("Blends of the plan as it stands", columns, rows, note)


def _lots(plan: LivePlan) -> ShownTable:
    """Finished pounds of each product by the lot they come from."""
    columns = (
        ShownColumn("Product"),
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Class of lean"),
        ShownColumn("Finished", "lb", Format.WHOLE),
        ShownColumn("Of it", "%", Format.TENTHS),
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
    return f"Reckoned {MODEL_WORDS[Model.LINEAR]}."


def next_cwt_words(plan: LivePlan) -> dict[str, str]:
    """By product: what its next hundredweight costs, and its target a point leaner."""
    return {
        value.product_id: f"next cwt {_money(value.next_cwt_usd)}, "
        f"a point leaner {_money(value.leaner_point_usd)}"
        for value in plan.marginal_costs
    }


def _money(amount: float) -> str:
    if isinf(amount):
        return "no plan"
    return f"{number_words(amount, min_decimals=2)} USD"
