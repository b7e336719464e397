"""Every lot of a case as a trader looks at it: its price, what it is worth, what replaces it."""

from __future__ import annotations

from collections.abc import Mapping

from blend.domain.lots import Lot
from blend.domain.replacement import Replacement
from blend.grinder.live import LiveLot, LivePlan
from blend.show.amounts import count_of, lean_percent
from blend.show.shown import (
    Cell,
    Format,
    ShownColumn,
    ShownTable,
    shown_table,
    usd_per_cwt,
    usd_per_cwt_column,
)
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

_MIN_USD_PER_CWT = 0.005
_MIN_LB = 0.5
ORDERS: Mapping[str, int] = {
    "lot": 0,
    "item": 1,
    "lean": 2,
    "used": 4,
    "delivered": 5,
    "worth": 6,
    "above": 7,
    "replaced": 9,
    "dearer": 10,
}
"""What the table can be ordered by, and the column that it is."""


def offered_table(
    plan: LivePlan,
    replacements: Mapping[str, Replacement] | None,
    *,
    order: str = "above",
    falling: bool = True,
) -> ShownTable:
    """Every lot of the case; what cannot be told of one is blank, and comes last.

    `replacements` by lot are None where they are not known yet.
    """
    columns = (
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Lean", "%", Format.TENTHS),
        ShownColumn("On offer", "lb", Format.WHOLE),
        ShownColumn("Used", "lb", Format.WHOLE),
        usd_per_cwt_column("Delivered"),
        usd_per_cwt_column("Worth"),
        usd_per_cwt_column("Worth above price"),
        ShownColumn("It is"),
        usd_per_cwt_column("Substitute"),
        usd_per_cwt_column("Overpriced by"),
        ShownColumn("Use instead, lb per lb"),
    )
    lives = {live.lot_id: live for live in plan.lots}
    rows = [
        _row(lot, lives.get(lot.lot_id), plan, (replacements or {}).get(lot.lot_id))
        for lot in plan.case.lots
    ]
    table = shown_table("Lots and what they are worth", columns, rows, _note(plan, replacements))
    return _ordered(table, order, falling)


def _row(
    lot: Lot, live: LiveLot | None, plan: LivePlan, replaced: Replacement | None
) -> tuple[Cell, ...]:
    delivered = lot.delivered_usd_per_lb
    value = None if live is None else live.value_usd_per_lb
    above = None if value is None else usd_per_cwt(value - delivered)
    mix = () if replaced is None else replaced.mix
    return (
        lot.lot_id,
        lot.item,
        lot.lean * POINTS_PER_SHARE,
        "no limit" if lot.quantity_lb is None else lot.quantity_lb,
        live.used_lb if live is not None and live.used_lb >= _MIN_LB else None,
        usd_per_cwt(delivered),
        usd_per_cwt(value),
        above,
        _standing(lot, live, above, plan),
        None if replaced is None else _or_words(usd_per_cwt(replaced.usd_per_lb)),
        None if replaced is None else usd_per_cwt(replaced.own_above_usd_per_lb),
        " + ".join(f"{part.lb_per_lb:.3f} {part.lot_id}" for part in mix),
    )


def _or_words(usd_per_cwt: float | None) -> Cell:
    return "none" if usd_per_cwt is None else usd_per_cwt


def _standing(lot: Lot, live: LiveLot | None, above: float | None, plan: LivePlan) -> str:
    reason = lot.reason_unusable(plan.case.settings.plan_on)
    if reason is not None:
        return reason
    if live is None or above is None:
        return "no blend may hold it"
    if abs(above) < _MIN_USD_PER_CWT:
        return "at its price"
    return "cheap" if above > 0 else "rich"


def _note(plan: LivePlan, replacements: Mapping[str, Replacement] | None) -> str:
    cheap = sum(
        1
        for live in plan.lots
        if live.value_usd_per_lb is not None
        and (live.value_usd_per_lb - plan.case.lot(live.lot_id).delivered_usd_per_lb) * LB_PER_CWT
        >= _MIN_USD_PER_CWT
    )
    replaced = (
        " Substitutes are being found."
        if replacements is None
        else " Substitute: the cheapest mix of the others that does the same after losses, of meat"
        " a product's rules allow (no head, cheek or the like), in the product where the lot is"
        " most overpriced; pounds on offer are not looked at."
    )
    return (
        "Worth: what the next pound is worth to the blend that pays most for it, with containers,"
        " counts and batches divisible. Cheap: worth more than its price, so that more of it"
        f" would be bought ({count_of(cheap, 'lot')}). Rich: worth less than its price."
        f"{replaced}"
    )


def _ordered(table: ShownTable, order: str, falling: bool) -> ShownTable:
    column = ORDERS[order]

    def key(row: tuple[Cell, ...]) -> float | str:
        cell = row[column]
        return cell.casefold() if isinstance(cell, str) else cell

    is_text = table.columns[column].align == "left"
    told = [row for row in table.rows if isinstance(row[column], str) == is_text
            and row[column] is not None]  # fmt: skip
    others = [row for row in table.rows if row not in told]
    rows = (*sorted(told, key=key, reverse=falling), *others)
    return ShownTable(table.title, table.columns, rows, table.note)


_CONTAINERS = {"combo": "combos", "box": "boxes", "block": "blocks"}


def lot_words(lot: Lot) -> str:
    """A lot in one line, above its curves."""
    offered = "without limit" if lot.quantity_lb is None else f"{lot.quantity_lb:,.0f} lb"
    container = (
        ""
        if lot.container_lb is None
        else f" in {_CONTAINERS[lot.container]} of {lot.container_lb:,.0f} lb"
    )
    supplier = f", {lot.supplier}" if lot.supplier else ""
    return (
        f"{lot.item}, {lot.species}, {lot.fresh_or_frozen}, {lean_percent(lot.lean)} lean{supplier};"
        f" {offered} {'in stock' if lot.on_hand_or_offered == 'on hand' else 'on offer'}{container}, delivered at"
        f" {lot.delivered_usd_per_lb * LB_PER_CWT:,.2f} USD/cwt."
    )
