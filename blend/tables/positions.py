"""Read a horizon: a case with orders by day, forward prices, coolers and day rules.

All problems are listed at once; those of the case come first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from blend.domain.case import Case
from blend.domain.columns import columns_of, made
from blend.domain.horizon import (
    FROZEN,
    Cooler,
    DayRule,
    ForwardPrice,
    Freezing,
    Horizon,
    Order,
    Side,
)
from blend.domain.lots import Lot
from blend.domain.rules import RuleKind
from blend.errors import Caution, InputRefused, Problem
from blend.tables.cautions import blank_cautions
from blend.tables.columns import DAY_RULE_COLUMNS, POSITION_TABLES
from blend.tables.cross import check_kinds
from blend.tables.read import read_case
from blend.tables.rows import Row, Sheet, Sheets
from blend.tables.tables import Source


@dataclass(frozen=True, slots=True)
class HorizonRead:
    """A horizon as read, and what its user should check before trusting a plan of it."""

    horizon: Horizon
    warnings: tuple[Caution, ...]


def read_horizon(source: Source) -> HorizonRead:
    """Read a horizon from a folder of tables or from one .xlsx workbook.

    Its days are the day of the plan and every later one with an order or a forward price.
    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    problems: list[Problem] = []
    case, warnings = None, []
    try:
        read = read_case(source)
        case, warnings = read.case, list(read.warnings)
    except InputRefused as refused:
        problems += refused.problems
    sheets = Sheets(source, POSITION_TABLES)
    _check_each(sheets)
    if case is not None:
        _check_with_case(sheets, case)
        problems += _stock_without_weight(case)
    sheets.raise_problems(*problems)
    assert case is not None
    horizon = _horizon_of(case, sheets)
    found = (*blank_cautions(sheets), *_cautions(horizon))
    return HorizonRead(horizon, (*sheets.cautions, *warnings, *found))


# Checks -------------------------------------------------------------------------------------


def _check_each(sheets: Sheets) -> None:
    """What each table shows by itself."""
    if "orders" in sheets:
        sheets["orders"].refuse_unordered("min_lb", "max_lb")
        _check_once_a_day(sheets["orders"])
    if "forward_offers" in sheets:
        sheet = sheets["forward_offers"]
        sheet.refuse_unordered("day", "use_by")
        for row in sheet.rows:
            if row.values.get("side") == Side.BID:
                sheet.refuse_unused(row, (), ("use_by",), "it is a bid")
            if row.values.get("is_agreed") and row.values.get("quantity_lb", 0) is None:
                hint = "Enter the pounds agreed."
                sheet.refuse(row.number, "quantity_lb", "blank, and is_agreed is yes", hint=hint)
    if "day_rules" in sheets:
        check_kinds(sheets["day_rules"], DAY_RULE_COLUMNS)
    if "coolers" in sheets:
        sheet = sheets["coolers"]
        sheet.refuse_unordered("ending_inventory_lb", "capacity_lb")
        of_freezing = [column.name for column in columns_of(Freezing)[1:]]
        for row in sheet.rows:
            if "freezes" in row and row["freezes"] is None:
                sheet.refuse_unused(row, (), of_freezing, "the cooler freezes no lots")


def _check_once_a_day(sheet: Sheet) -> None:
    seen: dict[tuple[str, Any], int] = {}
    for row in sheet.rows:
        if row.has("product_id", "day"):
            first = seen.setdefault((row["product_id"], row["day"]), row.number)
            if first != row.number:
                value = f"row {first} orders {row['product_id']} that day too"
                sheet.refuse(row.number, "day", value, hint="Add the two up in one row.")


def _check_with_case(sheets: Sheets, case: Case) -> None:
    """What the tables show next to the lots and products of the case."""
    products = [product.product_id for product in case.products]
    lots = [lot.lot_id for lot in case.lots]
    for name, column, known, table in (
        ("orders", "product_id", products, "products"),
        ("forward_offers", "lot_id", lots, "lots"),
    ):
        for row in sheets.rows(name):
            sheets[name].refuse_unknown(row, column, known, table)
            if "day" in row and row["day"] < case.settings.plan_on:
                required = f"{case.settings.plan_on}, the day of the plan, or later"
                sheets[name].refuse(row.number, "day", str(row["day"]), required)
    offered = {lot.lot_id.casefold() for lot in case.lots if lot.on_hand_or_offered == "offered"}
    for row in sheets.rows("forward_offers"):
        if "price_id" in row and row["price_id"].casefold() in offered:
            required = "a name that no offered lot has"
            sheets["forward_offers"].refuse(row.number, "price_id", row["price_id"], required)
    if "coolers" in sheets:
        _check_coolers_with_lots(sheets["coolers"], case.lots)


def _check_coolers_with_lots(sheet: Sheet, lots: Iterable[Lot]) -> None:
    held_in: dict[str, int] = {}
    frozen_in: dict[str, int] = {}
    ids = {lot.lot_id for lot in lots}
    for row in sheet.rows:
        for lot in lots:
            if row.values.get("lots") is not None and row["lots"].holds(lot):
                _check_once(sheet, row, "lots", lot, held_in)
            freezes = row.values.get("freezes")
            if freezes is not None and lot.fresh_or_frozen != FROZEN and freezes.holds(lot):
                _check_once(sheet, row, "freezes", lot, frozen_in)
                if f"{lot.lot_id} {FROZEN}" in ids:
                    value = f"lot {lot.lot_id}, once frozen, would be {lot.lot_id} {FROZEN}"
                    sheet.refuse(row.number, "freezes", value, hint="Rename the lot of that name.")


def _check_once(sheet: Sheet, row: Row, column: str, lot: Lot, seen: dict[str, int]) -> None:
    first = seen.setdefault(lot.lot_id, row.number)
    if first != row.number:
        value = f"lot {lot.lot_id} is in row {first} too"
        sheet.refuse(row.number, column, value, hint="Each lot goes in one cooler.")


def _stock_without_weight(case: Case) -> list[Problem]:
    hint = "Enter the pounds: inventory is counted from day to day."
    return [
        Problem("lots.csv", None, "quantity_lb", f"blank for {lot.lot_id}, on hand", "", hint)
        for lot in case.lots
        if lot.is_on_hand and lot.quantity_lb is None
    ]


def _cautions(horizon: Horizon) -> Iterator[Caution]:
    """Fresh meat without a last day, and rules that a plan of several days leaves out."""
    endless = {
        receipt.lot_id
        for receipt in horizon.receipts
        if receipt.last_day is None and horizon.lot(receipt.lot_id).fresh_or_frozen != FROZEN
    }
    for lot_id in sorted(endless):
        if horizon.cooler_of(horizon.lot(lot_id)) is not None:
            fact = f"no last day for fresh {lot_id}, so it is planned to keep forever"
            advice = "Enter shelf_life_days of its cooler, or use_by of the lot."
            yield Caution("coolers.csv", None, "shelf_life_days", fact, advice)
    for rule in horizon.case.rules:
        if rule.kind is RuleKind.MAX_TEMP:
            fact = f"temperature rule {rule.rule_id} is left out here"
            yield Caution("rules.csv", None, "kind", fact, "Each day's own plan obeys it.")


def read_coolers(source: Source) -> tuple[tuple[Cooler, ...], tuple[Caution, ...]]:
    """Coolers alone, and what to check. Raises as `read_horizon` does."""
    sheets = Sheets(source, {"coolers": POSITION_TABLES["coolers"]})
    _check_each(sheets)
    sheets.raise_problems()
    return sheets.records("coolers", Cooler), (*sheets.cautions, *blank_cautions(sheets))


# Rows to domain objects -----------------------------------------------------------------------


def _horizon_of(case: Case, sheets: Sheets) -> Horizon:
    orders = tuple(_order_of(row, case) for row in sheets.rows("orders"))
    prices = sheets.records("forward_offers", ForwardPrice)
    days = {case.settings.plan_on, *(order.day for order in orders), *(p.day for p in prices)}
    return Horizon(
        case=case,
        days=tuple(sorted(days)),
        orders=orders,
        prices=prices,
        coolers=sheets.records("coolers", Cooler),
        day_rules=sheets.records("day_rules", DayRule),
    )


def _order_of(row: Row, case: Case) -> Order:
    product = case.product(row["product_id"])
    of_product = {
        name: getattr(product, name)
        for name in ("shortage_penalty_usd_per_lb", "sale_usd_per_lb")
        if row[name] is None
    }
    return made(Order, row.values | of_product)
