"""The plan's chart: what goes into each product by lean of the lots, and its lean against spec."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from blend.domain.case import Case
from blend.domain.plan import BatchRun, Plan
from blend.domain.products import Product
from blend.domain.rules import kept_per_lb
from blend.grinder.plan_frames import recipe_numbers
from blend.output.charts import GRAY, ORANGE, chart
from blend.output.formats import counted, day, pounds, printable
from blend.output.lean_classes import DARK_FROM, LEAN_CLASSES, lean_class
from blend.phrases import AS_IF_SPLIT

if TYPE_CHECKING:
    from blend.grinder.live import LivePlan

_MIN_LB = 0.5
_NARROWEST_LABELED = 6.0
"""Percent of a bar that has room for a number."""


def shares_by_class(case: Case, run: BatchRun) -> dict[str, float]:
    """Share of a run's finished weight by the lean class of the lots it comes from."""
    product = case.product(run.product_id)
    shares: dict[str, float] = {}
    for each in run.ingredients:
        lot = case.lot(each.lot_id)
        kept_lb = each.pounds_lb * sum(kept_per_lb(lot, product, case.losses))
        name = lean_class(lot.lean)
        shares[name] = shares.get(name, 0.0) + kept_lb / run.finished_lb
    return shares


@dataclass(frozen=True, slots=True)
class BlendRow:
    """One bar: shares of finished weight by lean class, the lots of each class, and the lean, None
    where nothing is made."""

    label: str
    product: Product
    shares: Mapping[str, float]
    lean: float | None
    lots: Mapping[str, Sequence[str]] = field(default_factory=dict)


def blend_chart(case: Case, plan: Plan) -> dict[str, Any]:
    """A bar for each recipe of what goes in, and next to it its lean in lean points off target."""
    rows = []
    for number, run in recipe_numbers(plan):
        product = case.product(run.product_id)
        label = f"{product.name} ({counted(run.batches, 'batch', 'batches')})"
        label = label if number == 1 else f"{label}, recipe {number}"
        rows.append(BlendRow(label, product, shares_by_class(case, run), run.lean))
    subtitle = f"{case.settings.plant}  {day(case.settings.plan_on)}".strip()
    return chart_of_blends("What goes in, and lean against spec", rows, subtitle)


def blends_chart(plan: LivePlan) -> dict[str, Any]:
    """What goes into each product by lean of its lots, and its lean within spec."""
    rows = []
    for blend in plan.blends:
        product = plan.case.product(blend.product_id)
        total = sum(blend.kept_lb.values())
        shares: dict[str, float] = {}
        lots: dict[str, list[str]] = {}
        for lot_id, lb in sorted(blend.kept_lb.items(), key=lambda each: -each[1]):
            name = lean_class(plan.case.lot(lot_id).lean)
            shares[name] = shares.get(name, 0.0) + lb / total
            lots.setdefault(name, []).append(printable(lot_id))
        made = pounds(blend.made_lb)
        if blend.short_lb > _MIN_LB:
            made += f", {pounds(blend.short_lb)} short"
        label = f"{printable(product.name)}, {made}"
        rows.append(BlendRow(label, product, shares, blend.lean, lots))
    return chart_of_blends(
        "What goes in, and lean against spec", rows, f"{AS_IF_SPLIT.capitalize()}."
    )


def chart_of_blends(title: str, rows: Iterable[BlendRow], subtitle: str) -> dict[str, Any]:
    bars: list[dict[str, Any]] = []
    specs: list[dict[str, Any]] = []
    for row in rows:
        left = 0.0
        for place, (minimum, _, name, _) in enumerate(LEAN_CLASSES):
            wide = 100 * row.shares.get(name, 0.0)
            bars.append(
                {
                    "recipe": row.label, "lean class": name, "percent": wide, "place": place,
                    "middle": left + wide / 2, "is_dark": minimum >= DARK_FROM,
                    "label": f"{wide:.0f}" if wide >= _NARROWEST_LABELED else "",
                    "lots": ", ".join(row.lots.get(name, ())),
                }
            )  # fmt: skip
            left += wide
        off = None if row.lean is None else 100 * (row.lean - row.product.target_lean)
        specs.append(
            {
                "recipe": row.label,
                "min": -100 * row.product.tolerance_below_share,
                "max": 100 * row.product.tolerance_above_share,
                "lean": off,
                "text": "none made" if row.lean is None else f"{100 * row.lean:.1f}%",
            }
        )
    order = [each["recipe"] for each in specs]
    return chart(
        title,
        {"bars": bars, "specs": specs},
        {"hconcat": [_bars(order), _specs(order)]},
        subtitle=subtitle,
        description="A bar per product of percent of finished weight by lean of the lots; next to"
        " it the batch's lean in lean points from target, within spec.",
    )


def _recipes(order: list[str], axis: dict[str, Any] | None) -> dict[str, Any]:
    return {"field": "recipe", "type": "nominal", "sort": order, "title": None, "axis": axis}


def _bars(order: list[str]) -> dict[str, Any]:
    y = _recipes(order, {"labelLimit": 260, "ticks": False, "domain": False})
    color = {
        "field": "lean class",
        "type": "nominal",
        "title": "Lean of lots, %",
        "scale": {
            "domain": [name for *_, name, _ in LEAN_CLASSES],
            "range": [each for *_, each in LEAN_CLASSES],
        },
        "legend": {"orient": "bottom", "columns": 7},
    }
    x = {"title": "% of finished weight", "scale": {"domain": [0, 100]}}
    text_color = {"condition": {"test": "datum.is_dark", "value": "#fff"}, "value": "#1d2733"}
    middle = {"field": "middle", "type": "quantitative"} | x
    layers: list[dict[str, Any]] = [
        {
            "mark": {"type": "bar", "height": {"band": 0.7}},
            "encoding": {
                "x": {"field": "percent", "type": "quantitative", "stack": "zero"} | x,
                "color": color,
                "order": {"field": "place"},
                "tooltip": [
                    {"field": of, "title": title}
                    for of, title in (
                        ("recipe", "Product"),
                        ("lean class", "Lean, %"),
                        ("label", "% of finished"),
                        ("lots", "Lots"),
                    )
                ],
            },
        },
        {
            "mark": {"type": "text", "fontSize": 11},
            "encoding": {"x": middle, "text": {"field": "label"}, "color": text_color},
        },
    ]
    return _panel("bars", 420, order, y, layers)


def _specs(order: list[str]) -> dict[str, Any]:
    title = {"title": "lean points from target; dot: this plan", "type": "quantitative"}
    layers = [
        {
            "mark": {"type": "bar", "height": {"band": 0.35}, "color": "#c9d3dc"},
            "encoding": {"x": {"field": "min"} | title, "x2": {"field": "max"}},
        },
        {
            "mark": {"type": "tick", "color": GRAY, "thickness": 2},
            "encoding": {"x": {"datum": 0} | title},
        },
        {
            "mark": {"type": "point", "filled": True, "size": 70, "color": ORANGE, "opacity": 1},
            "encoding": {"x": {"field": "lean"} | title},
        },
        {
            "mark": {"type": "text", "align": "left", "dx": 8, "fontSize": 11},
            "encoding": {"x": {"field": "max"} | title, "text": {"field": "text"}},
        },
    ]
    return _panel("specs", 220, order, _recipes(order, None), layers)


def _panel(
    name: str, width: int, order: list[str], y: dict[str, Any], layers: list[dict[str, Any]]
) -> dict[str, Any]:
    return {
        "data": {"name": name},
        "width": width,
        "height": 26 * max(2, len(order)),
        "encoding": {"y": y},
        "layer": layers,
    }
