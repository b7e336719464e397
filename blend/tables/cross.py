"""What single cells cannot show: cells of a row against each other, and rows against rows.

A check is left out where a cell it needs is refused already, so that one fault is listed once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from statistics import median
from typing import Any

from blend.domain.columns import made, usd_per_lb
from blend.domain.lots import ON_HAND, Lot
from blend.domain.rules import RuleKind
from blend.domain.standards import Action, StandardRow
from blend.model.rules import definitions
from blend.model.rules.definition import RuleDefinition
from blend.tables.cells import PriceWithUnit
from blend.tables.columns import Uses
from blend.tables.rows import Row, Sheet
from blend.units import LB_PER_CWT

ALMOST_NOTHING = 1e-9
"""Shares and counts that differ by less differ by the rounding of binary fractions only."""


def check_rows(sheet: Sheet) -> None:
    """Add what is wrong between the cells of each row to the sheet's problems."""
    match sheet.table.name:
        case "lots":
            sheet.refuse_unordered("available_on", "use_by")
            per_lb = _refuse_prices_per_lb(sheet)
            for row in sheet.rows:
                _check_containers(sheet, row)
                _check_purchase(sheet, row)
                if row.number not in per_lb:
                    _check_money(sheet, row)
        case "products":
            sheet.refuse_unordered("min_lb", "max_lb")
            sheet.refuse_unordered("blender_min_lb", "blender_max_lb")
            for row in sheet.rows:
                _check_tolerances(sheet, row)
                _check_batch(sheet, row)
        case "rules":
            check_kinds(sheet, definitions())
            sheet.refuse_unordered("min_share", "max_share")
        case "standards":
            check_kinds(sheet, definitions())
            sheet.refuse_unordered("min_share", "max_share")
            for row in sheet.rows:
                if (
                    row.has("action", "kind")
                    and row["kind"] is None
                    and row["action"] != Action.NOTE
                ):
                    why = f"action {row['action']} needs a kind"
                    sheet.refuse_missing(row, ["kind"], why)


def _n(number: float) -> str:
    return f"{number:,.10g}"


# Lots ----------------------------------------------------------------------------------------


def _check_containers(sheet: Sheet, row: Row) -> None:
    if not row.has("container", "container_lb"):
        return
    container, weight, quantity = (
        row["container"],
        row["container_lb"],
        row.values.get("quantity_lb"),
    )
    if container == "loose":
        if weight is not None:
            hint = "Or enter the container."
            sheet.refuse(row.number, "container_lb", _n(weight), "blank for loose lots", hint)
    elif weight is None:
        hint = f"Enter the net weight of one {container}."
        sheet.refuse(row.number, "container_lb", "blank", hint=hint)
    elif quantity is not None:
        count = round(quantity / weight)
        if abs(quantity - count * weight) > 1e-6 * weight:
            required = f"whole containers of {_n(weight)} lb"
            hint = "List an open container as its own loose lot."
            sheet.refuse(row.number, "quantity_lb", _n(quantity), required, hint)


def _check_purchase(sheet: Sheet, row: Row) -> None:
    if not row.has("quantity_lb"):
        return
    quantity = row["quantity_lb"]
    minimum = row.values.get("min_purchase_lb", 0)
    if quantity is not None and minimum > quantity:
        required = f"at most quantity_lb, {_n(quantity)}"
        sheet.refuse(row.number, "min_purchase_lb", _n(minimum), required)
    if row.values.get("must_take_all") and quantity is None:
        sheet.refuse_missing(row, ["quantity_lb"], "all of the lot must be taken")


_FEWEST_PRICES = 4
_TYPICAL_FACTOR = (1 / 4, 4)


def _refuse_prices_per_lb(sheet: Sheet) -> set[int]:
    """Refuse prices that look like $/lb in a column of $/cwt: far below the other prices, and in
    line with them times 100. A price that says its unit, such as $2.71/cwt, is not questioned.
    Returns their rows."""
    priced = [
        row
        for row in sheet.rows
        if row.has("price", "price_unit") and row["price_unit"] == "usd_per_cwt"
    ]
    if len(priced) < _FEWEST_PRICES:
        return set()
    usual = median(row["price"] for row in priced)
    low, high = (factor * usual for factor in _TYPICAL_FACTOR)
    found = set()
    for row in priced:
        price = row["price"]
        if isinstance(price, PriceWithUnit) or price >= usual / 20:
            continue
        if low <= price * LB_PER_CWT <= high:
            found.add(row.number)
            per_cwt = _n(round(price * LB_PER_CWT, 6))
            sheet.refuse(
                row.number,
                "price",
                f"${_n(price)}/cwt, but most prices here are near ${_n(round(usual))}",
                hint=f"Is this per lb? Enter {per_cwt}, or ${_n(price)}/cwt if it is right.",
            )
    return found


def _check_money(sheet: Sheet, row: Row) -> None:
    if not row.has("price_basis", "freight_usd_per_cwt"):
        return
    freight = row["freight_usd_per_cwt"]
    if row["price_basis"] != "fob" and freight:
        hint = "If freight is extra, enter fob as price_basis."
        required = "blank or 0: the price is delivered"
        sheet.refuse(row.number, "freight_usd_per_cwt", _n(freight), required, hint)
    is_stock = row.values.get("on_hand_or_offered") == ON_HAND
    if not is_stock and row.has("price", "price_unit", "salvage_value_usd_per_lb"):
        price = usd_per_lb(row["price"], row["price_unit"]) + usd_per_lb(freight, "usd_per_cwt")
        value = row["salvage_value_usd_per_lb"]
        if value > price + ALMOST_NOTHING:
            required = f"at most the delivered price, ${_n(price)}/lb"
            hint = "Otherwise it would pay to buy meat and leave it over."
            sheet.refuse(row.number, "salvage_value_usd_per_lb", _n(value), required, hint)


# Products ------------------------------------------------------------------------------------


def _check_tolerances(sheet: Sheet, row: Row) -> None:
    for name, room in (
        ("tolerance_below_points", lambda target: target),
        ("tolerance_above_points", lambda target: 1 - target),
    ):
        if row.has("target_lean", name):
            most = 100 * room(row["target_lean"])
            if row[name] > most + ALMOST_NOTHING:
                required = (
                    f"at most {_n(round(most, 9))}, with a target of {_n(100 * row['target_lean'])}"
                )
                sheet.refuse(row.number, name, _n(row[name]), required)


def _check_batch(sheet: Sheet, row: Row) -> None:
    if row.has("batch_lb", "blender_min_lb", "blender_max_lb"):
        batch, low, high = row["batch_lb"], row["blender_min_lb"], row["blender_max_lb"]
        if low <= high and not low <= batch <= high:
            required = f"what the blender takes, {_n(low)} to {_n(high)}"
            sheet.refuse(row.number, "batch_lb", _n(batch), required)


# Rules and standards -------------------------------------------------------------------------


def check_kinds(sheet: Sheet, uses: Mapping[Any, Uses | RuleDefinition]) -> None:
    """Each row fills in what its kind needs, and nothing that its kind does not use."""
    some_kind_uses = {name for each in uses.values() for name in each.used_columns}
    special = [name for name in sheet.table.column_names if name in some_kind_uses]
    for row in sheet.rows:
        kind = row.values.get("kind")
        if kind is None:
            continue
        columns = uses[kind]
        sheet.refuse_missing(row, columns.needs, f"{kind} needs it")
        if columns.needs_one_of and row.filled.isdisjoint(columns.needs_one_of):
            hint = f"Enter {' or '.join(columns.needs_one_of)}, or both."
            sheet.refuse(row.number, "kind", f"{kind} without a limit", hint=hint)
        sheet.refuse_unused(row, columns.used_columns, special, f"{kind} does not use it")


# Rows against rows ---------------------------------------------------------------------------


def check_must_use(rules: Sheet, lots: Sheet) -> None:
    """All of a lot can be used only if it is known how much there is."""
    whole: list[Lot] = [made(Lot, row.values) for row in lots.whole_rows()]
    unlimited = [lot for lot in whole if lot.quantity_lb is None]
    for row in rules.rows:
        if not row.has("kind", "lots", "min_lb"):
            continue
        if row["kind"] != RuleKind.MUST_USE or row["min_lb"] is not None:
            continue
        for lot in unlimited:
            if row["lots"].holds(lot):
                hint = f"Enter the pounds to use: lot {lot.lot_id} has no quantity_lb."
                rules.refuse(row.number, "min_lb", "blank", hint=hint)
                break


def check_product_standards(products: Sheet, standards: Iterable[StandardRow]) -> None:
    """Refuse a product that aims for more fat than its standard allows."""
    limits = [row for row in standards if row.action is Action.REFUSE]
    for row in products.rows:
        if row.has("standards", "target_lean"):
            fat = 1 - row["target_lean"]
            for limit in limits:
                if limit.standard_id in row["standards"] and is_too_fat(fat, limit):
                    value = f"{limit.standard_id} allows at most {percent(limit.max_share)} fat"
                    hint = f"The target has {percent(fat)} ({limit.section}, {limit.title})."
                    products.refuse(row.number, "standards", value, hint=hint)


def percent(share: float | None) -> str:
    return f"{100 * (share or 0):.10g}%"


def is_too_fat(fat_share: float, limit: StandardRow) -> bool:
    if limit.kind is not RuleKind.FAT or limit.max_share is None:
        return False
    return fat_share > limit.max_share + ALMOST_NOTHING
