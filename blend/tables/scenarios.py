"""Read scenarios: named changes and changes drawn by chance; all problems are told at once."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from blend.domain.case import Case
from blend.domain.imports import ForeignOffer
from blend.domain.scenarios import BASE, Change, Distribution, ScenarioField, ScenarioRow
from blend.domain.selectors import EVERY_LOT
from blend.errors import InputRefused, did_you_mean
from blend.tables.build import usd_per_lb
from blend.tables.cells import shown
from blend.tables.columns import SCENARIOS
from blend.tables.rows import Row, Sheet, read_sheet
from blend.tables.tables import Source, read_tables

_USED_BY = {
    ScenarioField.PRICE: ("lots",),
    ScenarioField.QUANTITY: ("lots",),
    ScenarioField.ORDER: ("products",),
    ScenarioField.RATE: ("currency",),
}
_DRAWN_BY = {
    Distribution.FIXED: (),
    Distribution.NORMAL: ("sd",),
    Distribution.LOGNORMAL: ("sd",),
    Distribution.TRIANGULAR: ("minimum", "maximum"),
}


def read_scenarios(
    source: Source, case: Case, offers: Iterable[ForeignOffer] = ()
) -> tuple[ScenarioRow, ...]:
    """Read the scenarios that lie with a case, in the order of the table.

    `offers` are the foreign offers whose currencies rates may speak of. Raise InputRefused with
    all problems; raise FileTrouble for what cannot be opened.
    """
    raw = read_tables(source, {SCENARIOS.name: SCENARIOS})
    if raw.problems:
        raise InputRefused(tuple(raw.problems.values()))
    sheet = read_sheet(raw.tables[SCENARIOS.name], SCENARIOS)
    currencies = sorted({offer.currency for offer in offers if offer.lot_id})
    drawn_above: dict[str, Row] = {}
    for row in sheet.rows:
        _check_draw(sheet, row, drawn_above)
        _check_what(sheet, row, case, currencies)
        # Of a row whose spread is refused nobody can say that it is not drawn.
        if "row_id" in row and row.values.get("distribution") != Distribution.FIXED:
            drawn_above[row["row_id"]] = row
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())
    return tuple(_row_of(row, case) for row in sheet.rows)


def _check_draw(sheet: Sheet, row: Row, drawn_above: dict[str, Row]) -> None:
    if "distribution" not in row:
        return
    distribution = Distribution(row["distribution"])
    is_fixed = distribution is Distribution.FIXED
    if is_fixed and row.values.get("scenario") == "":
        sheet.refuse(row.number, "scenario", "nothing", "a name, as the change is fixed")
    if not is_fixed and row.values.get("scenario"):
        allowed = "nothing, as the change is drawn in every draw"
        sheet.refuse(row.number, "scenario", shown(row["scenario"]), allowed)
    if row.values.get("scenario", "").casefold() == BASE:
        sheet.refuse(row.number, "scenario", BASE, "another name: it is the case without changes")
    for name in _DRAWN_BY[distribution]:
        if name in row and row[name] is None:
            sheet.refuse(
                row.number, name, "nothing", f"a number, as spread {distribution} needs it"
            )
    for name in ("sd", "minimum", "maximum", "correlated_with", "correlation"):
        may = name in _DRAWN_BY[distribution] or (not is_fixed and name != "sd")
        if name in row.filled and name in row and not may:
            allowed = f"nothing, as spread {distribution} does not use it"
            sheet.refuse(row.number, name, shown(row[name]), allowed)
    _check_limits(sheet, row, distribution)
    if not is_fixed:
        _check_company(sheet, row, drawn_above)


def _check_limits(sheet: Sheet, row: Row, distribution: Distribution) -> None:
    if not {"minimum", "value", "maximum"} <= row.values.keys():
        return
    minimum, value, maximum = row["minimum"], row["value"], row["maximum"]
    if distribution is not Distribution.FIXED:
        if minimum is not None and minimum > value:
            sheet.refuse(row.number, "minimum", f"{minimum:g}", f"at most value, {value:g}")
        if maximum is not None and maximum < value:
            sheet.refuse(row.number, "maximum", f"{maximum:g}", f"value, {value:g}, or more")
    if distribution is Distribution.LOGNORMAL and value <= 0:
        sheet.refuse(row.number, "value", f"{value:g}", "more than 0, for lognormal")


def _check_company(sheet: Sheet, row: Row, drawn_above: dict[str, Row]) -> None:
    if not {"correlated_with", "correlation"} <= row.values.keys():
        return
    company, correlation = row["correlated_with"], row["correlation"]
    if company and company not in drawn_above and sheet.has_every_id:
        hint = did_you_mean(company, list(drawn_above))
        sheet.refuse(row.number, "correlated_with", company, "row_id of a drawn row above", hint)
    if bool(company) != (correlation is not None):
        name = "correlation" if company else "correlated_with"
        other = "correlated_with" if company else "correlation"
        sheet.refuse(row.number, name, "nothing", f"a value, as {other} has one")


def _check_what(sheet: Sheet, row: Row, case: Case, currencies: list[str]) -> None:
    if "field" not in row:
        return
    field = ScenarioField(row["field"])
    for name in ("lots", "products", "currency"):
        if name in row.filled and name in row and name not in _USED_BY[field]:
            allowed = f"nothing, as {field} does not use it"
            sheet.refuse(row.number, name, shown(_words(row[name])), allowed)
    if field is ScenarioField.RATE and "currency" in row:
        if row["currency"].upper() not in currencies:
            allowed = "a currency of foreign_offers that price a lot (lot_id)"
            hint = f"There are {', '.join(currencies)}." if currencies else "There are none."
            sheet.refuse(row.number, "currency", row["currency"] or "nothing", allowed, hint)
    elif field is ScenarioField.ORDER and "products" in row:
        known = [product.product_id for product in case.products]
        for name in row["products"]:
            if name not in known:
                hint = did_you_mean(name, known)
                sheet.refuse(row.number, "products", name, "an id of products", hint)
    elif field in (ScenarioField.PRICE, ScenarioField.QUANTITY) and "lots" in row:
        _check_lots(sheet, row, case, field)
    if row.values.get("change") == Change.MULTIPLY and row.values.get("value", 0.0) < 0:
        sheet.refuse(row.number, "value", f"{row['value']:g}", "a factor of 0 or more")


def _check_lots(sheet: Sheet, row: Row, case: Case, field: ScenarioField) -> None:
    selector = row["lots"] or EVERY_LOT
    held = [lot for lot in case.lots if selector.holds(lot)]
    if not held:
        sheet.refuse(row.number, "lots", str(selector), "lots that there are", "It means none.")
    endless = [lot.lot_id for lot in held if lot.quantity_lb is None]
    if (
        field is ScenarioField.QUANTITY
        and endless
        and row.values.get("change", Change.SET) != Change.SET
    ):
        allowed = "set, as its quantity has no limit"
        hint = f"Lot {endless[0]} states no quantity_lb."
        sheet.refuse(row.number, "change", row["change"], allowed, hint)


def _words(cell: Any) -> str:
    return "|".join(cell) if isinstance(cell, tuple) else str(cell)


_IN_USD_PER_CWT = ("value", "sd", "minimum", "maximum")


def _row_of(row: Row, case: Case) -> ScenarioRow:
    values = dict(row.values)
    field, change, distribution = (
        ScenarioField(row["field"]),
        Change(row["change"]),
        Distribution(row["distribution"]),
    )
    if field is ScenarioField.PRICE and change is not Change.MULTIPLY:
        for name in _IN_USD_PER_CWT:
            # the spread of a lognormal price is of its logarithm, and has no unit
            has_unit = not (name == "sd" and distribution is Distribution.LOGNORMAL)
            if values[name] is not None and has_unit:
                values[name] = usd_per_lb(values[name], "usd_per_cwt")
    every_product = tuple(product.product_id for product in case.products)
    return ScenarioRow(
        **values
        | {
            "field": field,
            "change": change,
            "distribution": distribution,
            "lots": row["lots"] or EVERY_LOT,
            "products": row["products"] or every_product,
            "currency": row["currency"].upper(),
        }
    )
