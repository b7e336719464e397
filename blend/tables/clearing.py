"""Read a whole market: a case whose lots are the market's items, and the demand for products."""

from __future__ import annotations

from pathlib import Path

from blend.domain.case import Case
from blend.domain.clearing import Demand, Market, MarketMove, MoveOf
from blend.domain.rules import Rule
from blend.errors import did_you_mean
from blend.files import filling
from blend.tables.columns import MARKET_MOVES, PRODUCT_DEMAND
from blend.tables.rows import Row, Sheet, Sheets, read_sheet
from blend.tables.tables import Source, holds_table, read_csv_table
from blend.tables.write import records_table, write_case, write_csv

_USED_BY = {
    MoveOf.AVAILABILITY: "lots",
    MoveOf.ORDERS: "products",
    MoveOf.MIN_SHARE: "rule_id",
    MoveOf.MAX_SHARE: "rule_id",
}


def holds_market(path: str | Path) -> bool:
    """Whether the demand for products is in the folder, which makes it a market."""
    return Path(path).is_dir() and holds_table(path, PRODUCT_DEMAND.name)


def read_market(source: Source, case: Case) -> Market:
    """The market of a case that was read from the same folder.

    Every product must have a demand, every item a quantity and a quote at or above its
    floor. Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    sheets = Sheets(source, {PRODUCT_DEMAND.name: PRODUCT_DEMAND})
    products = [product.product_id for product in case.products]
    sheet = sheets.get(PRODUCT_DEMAND.name)
    if sheet is not None:
        for row in sheet.rows:
            sheet.refuse_unknown(row, "product_id", products, "products")
        if sheet.has_sound_ids:
            for name in sorted(set(products) - sheet.ids().keys()):
                sheet.refuse(None, "product_id", f"no row for {name}", hint="Add one.")
        _check_items(sheet, case)
    sheets.raise_problems()
    return Market(case, sheets.records(PRODUCT_DEMAND.name, Demand))


def _check_items(sheet: Sheet, case: Case) -> None:
    for lot in case.usable_lots():
        if lot.quantity_lb is None:
            value = f"lot {lot.lot_id} has no quantity_lb"
            sheet.refuse(None, None, value, hint="Enter the pounds that come to market.")
        if lot.delivered_usd_per_lb < lot.salvage_value_usd_per_lb:
            value = f"lot {lot.lot_id} is quoted under its salvage_value_usd_per_lb"
            sheet.refuse(None, None, value, hint="Quote it at or above that floor.")


def write_market(market: Market, folder: str | Path) -> tuple[Path, ...]:
    """Write a market as CSV, so that reading the folder gives it again; raise FileTrouble."""
    folder = Path(folder)
    with filling(folder) as place:
        paths = write_case(market.case, place)
        path = place / f"{PRODUCT_DEMAND.name}.csv"
        write_csv(path, *records_table(PRODUCT_DEMAND, market.demands))
    return tuple(folder / each.name for each in (*paths, path))


def read_moves(path: str | Path, market: Market) -> tuple[MarketMove, ...]:
    """Read a table of moves, in the order of its rows.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    path = Path(path)
    sheet = read_sheet(read_csv_table(path, path.name), MARKET_MOVES)
    for row in sheet.rows:
        if "field" in row:
            _check_move(sheet, row, row["field"], market)
    sheet.raise_problems()
    return sheet.records(MarketMove)


def _check_move(sheet: Sheet, row: Row, field: MoveOf, market: Market) -> None:
    why = f"{field} does not use it"
    sheet.refuse_unused(row, (_USED_BY[field],), ("lots", "products", "rule_id"), why)
    if field is MoveOf.AVAILABILITY and "lots" in row:
        if not any(row["lots"].holds(lot) for lot in market.case.lots):
            value = f"no item meets {row['lots']}"
            sheet.refuse(row.number, "lots", value, hint="Check the items.")
    elif field is MoveOf.ORDERS:
        products = [each.product_id for each in market.demands]
        sheet.refuse_unknown(row, "products", products, "products")
    elif field in (MoveOf.MIN_SHARE, MoveOf.MAX_SHARE) and "rule_id" in row:
        _check_rule(sheet, row, field, market.case.rules)


def _check_rule(sheet: Sheet, row: Row, field: MoveOf, rules: tuple[Rule, ...]) -> None:
    limits = {
        rule.rule_id: limit for rule in rules if (limit := getattr(rule, field.value)) is not None
    }
    name = row["rule_id"]
    if name not in limits:
        hint = did_you_mean(name, list(limits))
        sheet.refuse(row.number, "rule_id", name or "blank", f"a rule that has a {field}", hint)
    elif row.has("value", "change"):
        limit = row["value"] * (limits[name] if row["change"] == "multiply" else 1.0)
        if limit > 1:
            sheet.refuse(row.number, "value", f"{row['value']:g}", "a share of at most 100%")
