"""The entries behind one quotation, by price and weight."""

from __future__ import annotations

from blend.domain.market import EntryKind
from blend.output import charts
from blend.output.answer import Spec
from blend.output.formats import cents, counted
from blend.reporter.assessed import Assessed
from blend.reporter.evidence import Evidence, Use
from blend.reporter.words import USES

_SHAPES = {
    EntryKind.TRADE: "circle",
    EntryKind.BID: "triangle-up",
    EntryKind.OFFER: "triangle-down",
}


def evidence_chart(made: Assessed) -> Spec | None:
    """Entries as points, the quotation as a line, its range as a band; None without entries."""
    if not made.evidence:
        return None
    entries = [
        {
            "price": each.usd_per_cwt,
            "weight": each.weight * 100,
            "entry": each.kind.value,
            "counts": "yes" if _counts(each) else "no",
            "use": USES[each.use],
        }
        for each in made.evidence
    ]
    quoted = {"at": made.usd_per_cwt, "low": made.low_usd_per_cwt, "high": made.high_usd_per_cwt}
    title = "$/cwt on the item's terms"
    x = charts.amount("price", title, scale={"zero": False, "padding": 20})
    y = charts.amount("weight", "weight in the quotation, %")
    kinds = [each.value for each in EntryKind]
    shapes = {"domain": kinds, "range": [_SHAPES.get(each, "square") for each in EntryKind]}
    counts = {"domain": ["yes", "no"], "range": [1, 0]}
    tooltip = [{"field": name} for name in ("entry", "price", "weight", "use")]
    band = {"type": "rect", "color": charts.GRAY, "opacity": 0.2}
    line = {"type": "rule", "strokeWidth": 2, "color": charts.ORANGE}
    layers = [
        charts.layer(
            {"type": "point", "size": 90, "fill": charts.BLUE},
            "entries",
            x=x,
            y=y,
            shape=charts.name("entry", scale=shapes),
            fillOpacity=charts.name("counts", "counts", type="ordinal", scale=counts),
            tooltip=tooltip,
        )
    ]
    if made.usd_per_cwt is not None:
        layers.append(charts.layer(line, "quoted", x=x | {"field": "at"}))
    if made.low_usd_per_cwt is not None and made.high_usd_per_cwt is not None:
        low_to_high = charts.layer(band, "quoted", x=x | {"field": "low"}, x2={"field": "high"})
        layers.insert(0, low_to_high)
    return charts.chart(
        "Entries by price and weight",
        {"entries": entries, "quoted": [quoted]},
        layers,
        subtitle="Line: the quotation. Band: its range. Hollow: an entry that has no weight.",
        description=_description(made),
    )


def _counts(each: Evidence) -> bool:
    return each.use is Use.USED and each.weight > 0


def _description(made: Assessed) -> str:
    prices = [each.usd_per_cwt for each in made.evidence]
    used = sum(map(_counts, made.evidence))
    at = "no quotation" if made.usd_per_cwt is None else f"quotation {cents(made.usd_per_cwt)}"
    return (
        f"{counted(len(prices), 'entry', 'entries')} from {cents(min(prices))} to"
        f" {cents(max(prices))} per cwt, {used} with weight; {at}."
    )
