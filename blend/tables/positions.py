"""Read a horizon: a case and, beside it, orders by day, forward prices, coolers and day rules.

As with a case, all problems are told at once; those of the case come first.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from blend.domain.case import Case
from blend.domain.horizon import (
    FROZEN,
    Cooler,
    DayRule,
    DayRuleKind,
    ForwardPrice,
    Freezing,
    Horizon,
    Order,
    Side,
)
from blend.domain.lots import Lot
from blend.domain.rules import RuleKind
from blend.errors import Caution, InputRefused, Problem, did_you_mean
from blend.tables.build import usd_per_lb
from blend.tables.cautions import blank_cautions
from blend.tables.cells import shown
from blend.tables.columns import DAY_RULE_COLUMNS, POSITION_TABLES
from blend.tables.read import read_case
from blend.tables.rows import Row, Sheet, problems_in_order, read_sheet
from blend.tables.tables import Source, read_tables


@dataclass(frozen=True, slots=True)
class HorizonRead:
    """A horizon as read, and what its user should look at twice before trusting a plan of it."""

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
    raw = read_tables(source, POSITION_TABLES)
    sheets = {name: read_sheet(table, POSITION_TABLES[name]) for name, table in raw.tables.items()}
    _check_each(sheets)
    if case is not None:
        _check_with_case(sheets, case)
        problems += _unweighed_stock(case)
    problems += problems_in_order(raw, sheets, POSITION_TABLES)
    if problems:
        raise InputRefused(problems)
    horizon = _horizon_of(case, sheets)
    found = (*blank_cautions(sheets.values()), *_cautions(horizon))
    return HorizonRead(horizon, (*raw.warnings, *warnings, *found))


# Checks -------------------------------------------------------------------------------------


def _rows(sheets: dict[str, Sheet], name: str) -> list[Row]:
    return sheets[name].rows if name in sheets else []


def _check_each(sheets: dict[str, Sheet]) -> None:
    """What each table shows by itself."""
    seen: dict[tuple[str, Any], int] = {}
    for row in _rows(sheets, "orders"):
        if {"min_lb", "max_lb"} <= row.values.keys():
            minimum, maximum = row["min_lb"], row["max_lb"]
            if maximum is not None and maximum < minimum:
                sheets["orders"].refuse(
                    row.number, "max_lb", f"{maximum:g}", f"{minimum:g} or more"
                )
        if {"product_id", "day"} <= row.values.keys():
            first = seen.setdefault((row["product_id"], row["day"]), row.number)
            if first != row.number:
                hint = f"Row {first} orders it already; add the two up."
                sheets["orders"].refuse(
                    row.number, "day", str(row["day"]), "one order of a product a day", hint
                )
    for row in _rows(sheets, "forward_offers"):
        if {"side", "day", "use_by"} <= row.values.keys() and row["use_by"] is not None:
            if row["side"] == Side.BID:
                read, allowed = str(row["use_by"]), "nothing, as it is a bid"
                sheets["forward_offers"].refuse(row.number, "use_by", read, allowed)
            elif row["use_by"] < row["day"]:
                read, allowed = str(row["use_by"]), f"{row['day']} or later"
                sheets["forward_offers"].refuse(row.number, "use_by", read, allowed)
    for row in _rows(sheets, "day_rules"):
        if "kind" in row:
            _check_kind(sheets["day_rules"], row)
    for row in _rows(sheets, "coolers"):
        _check_cooler(sheets["coolers"], row)


def _check_kind(sheet: Sheet, row: Row) -> None:
    kind = row["kind"]
    used = DAY_RULE_COLUMNS[DayRuleKind(kind)]
    for name in used.needs:
        if name not in row.filled:
            sheet.refuse(row.number, name, "nothing", f"a value, as kind {kind} needs it")
    for name in ("lots", "against", "min_lb", "max_lb"):
        if name in row.filled and name in row and name not in used.used:
            allowed = f"nothing, as kind {kind} does not use it"
            sheet.refuse(row.number, name, shown(str(row[name])), allowed)


_OF_FREEZING = (
    "freezer_max_lb",
    "freezing_usd_per_cwt",
    "freezing_lean_loss_share",
    "freezing_fat_loss_share",
)


def _check_cooler(sheet: Sheet, row: Row) -> None:
    if {"capacity_lb", "ending_inventory_lb"} <= row.values.keys() and row[
        "capacity_lb"
    ] is not None:
        capacity_lb, ending_inventory_lb = row["capacity_lb"], row["ending_inventory_lb"]
        if ending_inventory_lb > capacity_lb:
            allowed = f"at most capacity_lb, {capacity_lb:g}"
            sheet.refuse(row.number, "ending_inventory_lb", f"{ending_inventory_lb:g}", allowed)
    if "freezes" in row and row["freezes"] is None:
        for name in _OF_FREEZING:
            if name in row.filled and name in row:
                sheet.refuse(
                    row.number, name, f"{row[name]:g}", "nothing, as the cooler freezes no lots"
                )


def _check_with_case(sheets: dict[str, Sheet], case: Case) -> None:
    """What the tables show beside the lots and products of the case."""
    lots = {lot.lot_id: lot for lot in case.lots}
    products = [product.product_id for product in case.products]
    for name, column, known in (
        ("orders", "product_id", products),
        ("forward_offers", "lot_id", list(lots)),
    ):
        for row in _rows(sheets, name):
            if column in row and row[column] not in known:
                hint = did_you_mean(row[column], known)
                allowed = f"an id of {'products' if name == 'orders' else 'lots'}"
                sheets[name].refuse(row.number, column, row[column], allowed, hint)
            if "day" in row and row["day"] < case.settings.plan_on:
                allowed = f"{case.settings.plan_on}, the day of the plan, or later"
                sheets[name].refuse(row.number, "day", str(row["day"]), allowed)
    on_offer = {lot.lot_id.casefold() for lot in case.lots if lot.on_hand_or_offered == "offered"}
    for row in _rows(sheets, "forward_offers"):
        if "price_id" in row and row["price_id"].casefold() in on_offer:
            allowed = "a name that no lot on offer has"
            sheets["forward_offers"].refuse(row.number, "price_id", row["price_id"], allowed)
    if "coolers" in sheets:
        _check_coolers_with_lots(sheets["coolers"], case.lots)


def _check_coolers_with_lots(sheet: Sheet, lots: Iterable[Lot]) -> None:
    keeper: dict[str, int] = {}
    freezer: dict[str, int] = {}
    ids = {lot.lot_id for lot in lots}
    for row in sheet.rows:
        for lot in lots:
            if row.values.get("lots") is not None and row["lots"].holds(lot):
                _once(sheet, row, "lots", lot, keeper, "keeps")
            freezes = row.values.get("freezes")
            if freezes is not None and lot.fresh_or_frozen != FROZEN and freezes.holds(lot):
                _once(sheet, row, "freezes", lot, freezer, "freezes")
                if f"{lot.lot_id} {FROZEN}" in ids:
                    allowed = f"lots without one named {lot.lot_id} {FROZEN} beside them"
                    sheet.refuse(row.number, "freezes", shown(str(freezes)), allowed)


def _once(sheet: Sheet, row: Row, column: str, lot: Lot, seen: dict[str, int], verb: str) -> None:
    first = seen.setdefault(lot.lot_id, row.number)
    if first != row.number:
        hint = f"Row {first} {verb} lot {lot.lot_id} already."
        read = shown(str(row[column]))
        sheet.refuse(row.number, column, read, "each lot in one cooler", hint)


def _unweighed_stock(case: Case) -> list[Problem]:
    return [
        Problem(
            "lots.csv",
            None,
            "quantity_lb",
            f"nothing for {lot.lot_id}",
            "a weight, as the lot is in stock and its stock is kept account of",
        )
        for lot in case.lots
        if lot.on_hand_or_offered == "on hand" and lot.quantity_lb is None
    ]


def _cautions(horizon: Horizon) -> list[Caution]:
    return [*_kept_for_ever(horizon), *_temperature_left_out(horizon)]


def _kept_for_ever(horizon: Horizon) -> list[Caution]:
    """Fresh meat that no use-by date and no cooler's keeping time bounds."""
    endless = sorted(
        {
            receipt.lot_id
            for receipt in horizon.receipts
            if receipt.last_day is None and horizon.lot(receipt.lot_id).fresh_or_frozen != FROZEN
        }
    )
    return [
        Caution(
            "coolers.csv",
            None,
            "shelf_life_days",
            f"nothing says how long fresh {lot_id} keeps, so it is planned as if for ever",
            "Fill in shelf_life_days of its cooler, or use_by of the lot.",
        )
        for lot_id in endless
        if horizon.cooler_of(horizon.lot(lot_id)) is not None
    ]


def _temperature_left_out(horizon: Horizon) -> list[Caution]:
    return [
        Caution(
            "rules.csv",
            None,
            "kind",
            f"rule {rule.rule_id} on warmth is left out here",
            "Each day's own plan holds it.",
        )
        for rule in horizon.case.rules
        if rule.kind is RuleKind.MAX_TEMP
    ]


# Rows to domain objects -----------------------------------------------------------------------


def _horizon_of(case: Case, sheets: dict[str, Sheet]) -> Horizon:
    orders = tuple(_order_of(row, case) for row in _rows(sheets, "orders"))
    prices = tuple(_price_of(row) for row in _rows(sheets, "forward_offers"))
    days = {case.settings.plan_on, *(each.day for each in (*orders, *prices))}
    return Horizon(
        case=case,
        days=tuple(sorted(days)),
        orders=orders,
        prices=prices,
        coolers=tuple(_cooler_of(row) for row in _rows(sheets, "coolers")),
        day_rules=tuple(
            DayRule(**row.values | {"kind": DayRuleKind(row["kind"])})
            for row in _rows(sheets, "day_rules")
        ),
    )


def _order_of(row: Row, case: Case) -> Order:
    product = case.product(row["product_id"])
    of_product = {
        name: getattr(product, name)
        for name in ("shortage_penalty_usd_per_lb", "sale_usd_per_lb")
        if row[name] is None
    }
    return Order(**row.values | of_product)


def _price_of(row: Row) -> ForwardPrice:
    values = dict(row.values)
    price = usd_per_lb(values.pop("price"), values.pop("price_unit"))
    return ForwardPrice(price_usd_per_lb=price, **values | {"side": Side(row["side"])})


def _cooler_of(row: Row) -> Cooler:
    freezing = None
    if row["freezes"] is not None:
        freezing = Freezing(
            lots=row["freezes"],
            usd_per_lb=usd_per_lb(row["freezing_usd_per_cwt"], "usd_per_cwt"),
            max_lb=row["freezer_max_lb"],
            lean_loss_share=row["freezing_lean_loss_share"],
            fat_loss_share=row["freezing_fat_loss_share"],
        )
    return Cooler(
        cooler_id=row["cooler_id"],
        lots=row["lots"],
        capacity_lb=row["capacity_lb"],
        holding_usd_per_lb_day=usd_per_lb(row["holding_usd_per_cwt_day"], "usd_per_cwt"),
        shelf_life_days=row["shelf_life_days"],
        ending_inventory_lb=row["ending_inventory_lb"],
        freezing=freezing,
    )
