"""Read a whole market: a case whose lots are the market's items, and the demand for products."""

from __future__ import annotations

from pathlib import Path

from blend.domain.case import Case
from blend.domain.clearing import Demand, Market, MarketMove, MoveOf
from blend.domain.selectors import EVERY_LOT
from blend.errors import InputRefused, did_you_mean
from blend.files import filling
from blend.tables.cells import shown
from blend.tables.columns import MARKET_MOVES, PRODUCT_DEMAND
from blend.tables.rows import Row, Sheet, read_sheet
from blend.tables.tables import READABLE, RawTable, Source, read_csv_table, read_tables
from blend.tables.write import write_case, write_csv

_USED_BY = {
    MoveOf.AVAILABILITY: "lots",
    MoveOf.ORDERS: "products",
    MoveOf.MIN_SHARE: "rule_id",
    MoveOf.MAX_SHARE: "rule_id",
}


def holds_market(path: str | Path) -> bool:
    """Whether the demand for products lies in the folder, so that it is a market."""
    path = Path(path)
    return path.is_dir() and any(
        each.suffix.lower() in READABLE and each.stem.casefold() == PRODUCT_DEMAND.name
        for each in path.iterdir()
    )


def read_market(source: Source, case: Case) -> Market:
    """The market of a case that was read from the same folder.

    Every product must have a demand, every item a quantity and a quotation at or above its
    floor. Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    raw = read_tables(source, {PRODUCT_DEMAND.name: PRODUCT_DEMAND})
    if raw.problems:
        raise InputRefused(tuple(raw.problems.values()))
    sheet = read_sheet(raw.tables[PRODUCT_DEMAND.name], PRODUCT_DEMAND)
    known = [product.product_id for product in case.products]
    for row in sheet.rows:
        if "product_id" in row and row["product_id"] not in known:
            name = row["product_id"]
            hint = did_you_mean(name, known)
            sheet.refuse(row.number, "product_id", name, "an id of products", hint)
    if sheet.has_sound_ids:
        for product_id in sorted(set(known) - sheet.ids().keys()):
            sheet.refuse(None, "product_id", f"no row for {product_id}", "a row for each product")
    _check_items(sheet, case)
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())
    return Market(case, tuple(Demand(**row.values) for row in sheet.rows))


def _check_items(sheet: Sheet, case: Case) -> None:
    for lot in case.usable_lots():
        if lot.quantity_lb is None:
            allowed = "the pounds that come to market, for every lot of a market"
            sheet.refuse(None, None, f"no quantity_lb of lot {lot.lot_id}", allowed)
        if lot.delivered_usd_per_lb < lot.salvage_value_usd_per_lb:
            read = f"lot {lot.lot_id} quoted below its salvage_value_usd_per_lb"
            sheet.refuse(None, None, read, "a quotation at or above the floor it can go at")


def write_market(market: Market, folder: str | Path) -> tuple[Path, ...]:
    """Write a market as CSV, so that reading the folder gives it again; raise FileTrouble."""
    folder, names = Path(folder), PRODUCT_DEMAND.column_names
    with filling(folder) as place:
        paths = write_case(market.case, place)
        path = place / f"{PRODUCT_DEMAND.name}.csv"
        write_csv(path, names, [[getattr(d, name) for name in names] for d in market.demands])
    return tuple(folder / each.name for each in (*paths, path))


def read_moves(path: str | Path, market: Market) -> tuple[MarketMove, ...]:
    """Read a table of moves, in the order of its rows.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    path = Path(path)
    raw: RawTable = read_csv_table(path, path.name)
    sheet = read_sheet(raw, MARKET_MOVES)
    for row in sheet.rows:
        if "field" in row:
            _check_move(sheet, row, market)
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())
    return tuple(
        MarketMove(
            row_id=row["row_id"],
            field=MoveOf(row["field"]),
            is_factor=row["change"] == "multiply",
            value=row["value"],
            lots=row["lots"] or EVERY_LOT,
            products=row["products"],
            rule_id=row["rule_id"] or "",
        )
        for row in sheet.rows
    )


def _check_move(sheet: Sheet, row: Row, market: Market) -> None:
    field = MoveOf(row["field"])
    for name in ("lots", "products", "rule_id"):
        if name in row.filled and name in row and name != _USED_BY[field]:
            allowed = f"nothing, as {field} does not use it"
            sheet.refuse(row.number, name, shown(str(row[name])), allowed)
    if field is MoveOf.AVAILABILITY and row.values.get("lots") is not None:
        if not any(row["lots"].holds(lot) for lot in market.case.lots):
            sheet.refuse(
                row.number, "lots", str(row["lots"]), "items that there are", "It means none."
            )
    elif field is MoveOf.ORDERS and "products" in row:
        known = [each.product_id for each in market.demands]
        for name in row["products"]:
            if name not in known:
                hint = did_you_mean(name, known)
                sheet.refuse(row.number, "products", name, "an id of products", hint)
    elif field in (MoveOf.MIN_SHARE, MoveOf.MAX_SHARE):
        _check_rule(sheet, row, market, field)


def _check_rule(sheet: Sheet, row: Row, market: Market, field: MoveOf) -> None:
    having = {
        rule.rule_id: share
        for rule in market.case.rules
        if (share := getattr(rule, field.value)) is not None
    }
    if "rule_id" not in row:
        return
    name = row["rule_id"]
    if name not in having:
        hint = did_you_mean(name or "", list(having))
        allowed = f"a rule with {field} filled in"
        sheet.refuse(row.number, "rule_id", name or "nothing", allowed, hint)
    elif "value" in row and "change" in row:
        share = row["value"] * (having[name] if row["change"] == "multiply" else 1.0)
        if share > 1:
            sheet.refuse(row.number, "value", f"{row['value']:g}", "what keeps the share within 1")
