"""What single cells cannot show: cells of a row against each other, and rows against rows.

Each check is a small function that looks at one fact. A check is left out where a cell it
needs is refused already, so that one fault is told once.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass

from blend.domain.lots import Lot
from blend.domain.rules import RuleKind
from blend.domain.standards import Action, StandardRow
from blend.errors import did_you_mean
from blend.model.rules import definition_of, definitions
from blend.tables.build import delivered_usd_per_lb, lot_of
from blend.tables.cells import shown
from blend.tables.columns import either
from blend.tables.rows import Row, Sheet

ALMOST_NOTHING = 1e-9
"""Shares and counts that differ by less differ by the rounding of binary fractions only."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a row: the column to mend, what it holds, what it may hold."""

    column: str
    read: str
    allowed: str
    hint: str = ""


@dataclass(frozen=True, slots=True)
class RowCheck:
    """A check of one row, made when all of `columns` are sound."""

    columns: tuple[str, ...]
    find: Callable[[Row], Fault | None]


def _over(*columns: str) -> Callable[[Callable[[Row], Fault | None]], RowCheck]:
    return lambda find: RowCheck(columns, find)


def check_rows(sheet: Sheet) -> None:
    """Put what is wrong between the cells of each row with the sheet's problems."""
    for row in sheet.rows:
        for check in ROW_CHECKS.get(sheet.table.name, ()):
            if all(column in row for column in check.columns):
                fault = check.find(row)
                if fault is not None:
                    sheet.refuse(row.number, fault.column, fault.read, fault.allowed, fault.hint)


def _n(number: float) -> str:
    return f"{number:.10g}"


# Lots ----------------------------------------------------------------------------------------


@_over("available_on", "use_by")
def _use_by_after_available(row: Row) -> Fault | None:
    first, last = row["available_on"], row["use_by"]
    if first is None or last is None or first <= last:
        return None
    return Fault("use_by", str(last), f"available_on, {first}, or later")


@_over("container", "container_lb")
def _container_weight(row: Row) -> Fault | None:
    weight = row["container_lb"]
    if row["container"] == "loose":
        if weight is None:
            return None
        return Fault("container_lb", _n(weight), "nothing, as the lot is loose")
    if weight is not None:
        return None
    return Fault("container_lb", "nothing", f"the net weight of one {row['container']}")


@_over("container", "container_lb", "quantity_lb")
def _whole_containers(row: Row) -> Fault | None:
    weight, quantity = row["container_lb"], row["quantity_lb"]
    if row["container"] == "loose" or weight is None or quantity is None:
        return None
    count = round(quantity / weight)
    if abs(quantity - count * weight) <= 1e-6 * weight:
        return None
    return Fault(
        "quantity_lb",
        _n(quantity),
        f"whole containers of {_n(weight)}",
        "List an open container as its own loose lot.",
    )


@_over("min_purchase_lb", "quantity_lb")
def _min_purchase_within_quantity(row: Row) -> Fault | None:
    minimum, quantity = row["min_purchase_lb"], row["quantity_lb"]
    if quantity is None or minimum <= quantity:
        return None
    return Fault("min_purchase_lb", _n(minimum), f"at most quantity_lb, {_n(quantity)}")


@_over("must_take_all", "quantity_lb")
def _whole_lot_has_quantity(row: Row) -> Fault | None:
    if not row["must_take_all"] or row["quantity_lb"] is not None:
        return None
    return Fault("quantity_lb", "nothing", "a weight, as the lot may not be split")


@_over("price_basis", "freight_usd_per_cwt")
def _freight_with_fob_only(row: Row) -> Fault | None:
    freight = row["freight_usd_per_cwt"]
    if row["price_basis"] == "fob" or freight == 0:
        return None
    return Fault(
        "freight_usd_per_cwt",
        _n(freight),
        "nothing or 0, as the price is delivered",
        "If freight comes on top, price_basis is fob.",
    )


@_over("price", "price_unit", "price_basis", "freight_usd_per_cwt", "salvage_value_usd_per_lb")
def _leftover_value_no_more_than_bought(row: Row) -> Fault | None:
    value = row["salvage_value_usd_per_lb"]
    price = delivered_usd_per_lb(row)
    if value <= price + ALMOST_NOTHING:
        return None
    return Fault(
        "salvage_value_usd_per_lb",
        _n(value),
        f"at most the delivered price, {_n(price)} USD per lb",
        "Else it would pay to buy meat and leave it over.",
    )


# Products ------------------------------------------------------------------------------------


@_over("target_lean", "tolerance_below_share")
def _min_lean_above_nothing(row: Row) -> Fault | None:
    below, target = row["tolerance_below_share"], row["target_lean"]
    if below <= target + ALMOST_NOTHING:
        return None
    return Fault("tolerance_below_share", _n(below), f"at most the target, {_n(target)}")


@_over("target_lean", "tolerance_above_share")
def _max_lean_below_all(row: Row) -> Fault | None:
    above, room = row["tolerance_above_share"], 1 - row["target_lean"]
    if above <= room + ALMOST_NOTHING:
        return None
    return Fault("tolerance_above_share", _n(above), f"at most {_n(room)}, as lean ends at 1")


def _in_order(minimum: str, maximum: str) -> RowCheck:
    """A check that a pair of limits is not upside down."""

    @_over(minimum, maximum)
    def find(row: Row) -> Fault | None:
        low, high = row[minimum], row[maximum]
        if low is None or high is None or low <= high:
            return None
        return Fault(maximum, _n(high), f"at least {minimum}, {_n(low)}")

    return find


@_over("batch_lb", "blender_min_lb", "blender_max_lb")
def _batch_fits_blender(row: Row) -> Fault | None:
    batch, minimum, maximum = row["batch_lb"], row["blender_min_lb"], row["blender_max_lb"]
    if minimum <= batch <= maximum or minimum > maximum:
        return None
    return Fault("batch_lb", _n(batch), f"what the blender takes, {_n(minimum)} to {_n(maximum)}")


# Rules and standards -------------------------------------------------------------------------


def _columns_of_kind(column_names: tuple[str, ...]) -> RowCheck:
    """A check that a rule fills in what its kind needs, among the columns that the table has."""
    special = [
        name
        for name in column_names
        if any(name in kind.used_columns for kind in definitions().values())
    ]

    @_over("kind")
    def find(row: Row) -> Fault | None:
        kind = row["kind"]
        if kind is None:
            return None
        columns = definition_of(kind)
        for name in columns.needs:
            if name not in row.filled:
                return Fault(name, "nothing", f"a value, as kind {kind} needs it")
        if columns.needs_one_of and row.filled.isdisjoint(columns.needs_one_of):
            wanted = either(columns.needs_one_of)
            return Fault("kind", kind, f"{kind} with {wanted}, or both")
        for name in special:
            if name in row and name in row.filled and name not in columns.used_columns:
                return Fault(name, shown(row[name]), f"nothing, as kind {kind} does not use it")
        return None

    return find


@_over("action", "kind")
def _only_notes_have_no_kind(row: Row) -> Fault | None:
    if row["kind"] is not None or row["action"] == Action.NOTE:
        return None
    return Fault("kind", "nothing", f"a kind, as action {row['action']} needs one")


ROW_CHECKS: dict[str, tuple[RowCheck, ...]] = {
    "lots": (
        _use_by_after_available,
        _container_weight,
        _whole_containers,
        _min_purchase_within_quantity,
        _whole_lot_has_quantity,
        _freight_with_fob_only,
        _leftover_value_no_more_than_bought,
    ),
    "products": (
        _min_lean_above_nothing,
        _max_lean_below_all,
        _in_order("min_lb", "max_lb"),
        _in_order("blender_min_lb", "blender_max_lb"),
        _batch_fits_blender,
    ),
    "rules": (
        _columns_of_kind(
            (
                "lots",
                "against",
                "min_share",
                "max_share",
                "max_count",
                "min_lb",
                "max_temp_f",
            )
        ),
        _in_order("min_share", "max_share"),
    ),
    "standards": (
        _columns_of_kind(("lots", "min_share", "max_share")),
        _only_notes_have_no_kind,
        _in_order("min_share", "max_share"),
    ),
}


# Rows against rows ---------------------------------------------------------------------------


def check_references(sheet: Sheet, column: str, known: Collection[str], table: str) -> None:
    """Refuse words of a list that name nothing there is; `known` are the ids of `table`."""
    allowed = either(sorted(known)) if 0 < len(known) <= 8 else f"an id of {table}"
    for row in sheet.rows:
        if column in row:
            for word in row[column]:
                if word not in known:
                    hint = did_you_mean(word, sorted(known))
                    sheet.refuse(row.number, column, word, allowed, hint)


def check_must_use(rules: Sheet, lots: Sheet) -> None:
    """All of a lot can be used only if it is known how much there is."""
    endless = [lot for lot in whole_lots(lots) if lot.quantity_lb is None]
    for row in rules.rows:
        if not {"kind", "lots", "min_lb"} <= row.values.keys():
            continue
        if row["kind"] != RuleKind.MUST_USE or row["min_lb"] is not None:
            continue
        for lot in endless:
            if row["lots"].holds(lot):
                rules.refuse(
                    row.number,
                    "min_lb",
                    "nothing",
                    f"a weight, as lot {lot.lot_id} states no quantity_lb",
                )
                break


def check_product_standards(products: Sheet, standards: Iterable[StandardRow]) -> None:
    """Refuse a product that aims at more fat than its standard allows."""
    limits = [row for row in standards if row.action is Action.REFUSE]
    for row in products.rows:
        if "standards" in row and "target_lean" in row:
            fat = 1 - row["target_lean"]
            for limit in limits:
                if limit.standard_id in row["standards"] and is_too_fat(fat, limit):
                    products.refuse(row.number, "standards", *too_fat(fat, limit))


def whole_lots(lots: Sheet) -> list[Lot]:
    return [lot_of(row) for row in lots.rows if lots.is_whole(row)]


def is_too_fat(fat_share: float, limit: StandardRow) -> bool:
    if limit.kind is not RuleKind.FAT or limit.max_share is None:
        return False
    return fat_share > limit.max_share + ALMOST_NOTHING


def too_fat(fat_share: float, limit: StandardRow) -> tuple[str, str]:
    """What was read and what is allowed, of a product that breaks a limit on fat."""
    read = f"{limit.standard_id} for a target of {_n(fat_share)} fat"
    return read, f"at most {_n(limit.max_share)} fat ({limit.section}, {limit.title})"
