"""Read scenarios: fixed changes, and changes drawn at random; all problems are listed at once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from blend.domain.case import Case
from blend.domain.columns import made, usd_per_lb
from blend.domain.imports import ForeignOffer
from blend.domain.scenarios import BASE, Change, Distribution, ScenarioField, ScenarioRow
from blend.errors import did_you_mean
from blend.tables.columns import SCENARIOS
from blend.tables.rows import Row, Sheet, Sheets
from blend.tables.tables import Source

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
    Distribution.HISTORY: ("follows",),
}
_OF_DRAWS = ("follows", "sd", "minimum", "maximum", "correlated_with", "correlation")


_ABOVE_ZERO = (Distribution.LOGNORMAL, Distribution.HISTORY)


def read_scenarios(
    source: Source, case: Case, offers: Iterable[ForeignOffer] = ()
) -> tuple[ScenarioRow, ...]:
    """Read the scenarios of a case, in the order of the table.

    `offers` are the foreign offers whose currencies rates may name. Raise InputRefused with
    all problems; raise FileTrouble for what cannot be opened.
    """
    sheets = Sheets(source, {SCENARIOS.name: SCENARIOS})
    currencies = sorted({offer.currency for offer in offers if offer.lot_id})
    drawn_above: dict[str, Row] = {}
    for row in sheets.rows(SCENARIOS.name):
        sheet = sheets[SCENARIOS.name]
        if "distribution" in row:
            _check_draw(sheet, row, row["distribution"], drawn_above)
        if "field" in row:
            _check_field(sheet, row, row["field"], case, currencies)
        # a row whose distribution is refused may be one that is drawn
        if "row_id" in row and row.values.get("distribution") != Distribution.FIXED:
            drawn_above[row["row_id"]] = row
    sheets.raise_problems()
    return tuple(_row_of(row, case) for row in sheets.rows(SCENARIOS.name))


def _check_draw(
    sheet: Sheet, row: Row, distribution: Distribution, drawn_above: dict[str, Row]
) -> None:
    is_fixed = distribution is Distribution.FIXED
    scenario = row.values.get("scenario")
    if is_fixed and scenario == "":
        hint = "Enter the scenario's name, as the change is fixed."
        sheet.refuse(row.number, "scenario", "blank", hint=hint)
    if not is_fixed and scenario:
        required = "blank: a change at random is in every draw"
        sheet.refuse(row.number, "scenario", scenario, required)
    if scenario and scenario.casefold() == BASE:
        sheet.refuse(row.number, "scenario", BASE, "another name: it is the case without changes")
    needed = [name for name in _DRAWN_BY[distribution] if name in row and row[name] in (None, "")]
    sheet.refuse_missing(row, needed, f"distribution {distribution} needs it")
    may_use = _DRAWN_BY[distribution]
    if distribution is Distribution.HISTORY:
        may_use += ("minimum", "maximum")
    elif not is_fixed:
        may_use += _OF_DRAWS[2:]
    sheet.refuse_unused(row, may_use, _OF_DRAWS, f"distribution {distribution} does not use it")
    if not is_fixed and row.has("minimum", "value", "maximum"):
        minimum, value, maximum = row["minimum"], row["value"], row["maximum"]
        if minimum is not None and minimum > value:
            sheet.refuse(row.number, "minimum", f"{minimum:g}", f"at most value, {value:g}")
        if maximum is not None and maximum < value:
            sheet.refuse(row.number, "maximum", f"{maximum:g}", f"value, {value:g}, or more")
        if distribution in _ABOVE_ZERO and value <= 0:
            sheet.refuse(row.number, "value", f"{value:g}", f"more than 0, for {distribution}")
    if distribution is Distribution.HISTORY and row.values.get("change", "multiply") != "multiply":
        sheet.refuse(row.number, "change", row["change"], "multiply, for history")
    if not is_fixed and row.has("correlated_with", "correlation"):
        _check_correlation(sheet, row, drawn_above)


def _check_correlation(sheet: Sheet, row: Row, drawn_above: dict[str, Row]) -> None:
    other, correlation = row["correlated_with"], row["correlation"]
    if other and other not in drawn_above and sheet.has_every_id:
        hint = did_you_mean(other, list(drawn_above))
        sheet.refuse(row.number, "correlated_with", other, "row_id of a drawn row above", hint)
    if bool(other) != (correlation is not None):
        name, filled = ("correlation", "correlated_with")[:: 1 if other else -1]
        sheet.refuse_missing(row, [name], f"{filled} is filled in")


def _check_field(
    sheet: Sheet, row: Row, field: ScenarioField, case: Case, currencies: list[str]
) -> None:
    used = _USED_BY[field]
    sheet.refuse_unused(row, used, ("lots", "products", "currency"), f"{field} does not use it")
    if field is ScenarioField.RATE and "currency" in row:
        if row["currency"].upper() not in currencies:
            required = "a currency of foreign_offers that price a lot (lot_id)"
            hint = f"They are {', '.join(currencies)}." if currencies else "There are none."
            sheet.refuse(row.number, "currency", row["currency"] or "blank", required, hint)
    elif field is ScenarioField.ORDER:
        products = [product.product_id for product in case.products]
        sheet.refuse_unknown(row, "products", products, "products")
    elif field in (ScenarioField.PRICE, ScenarioField.QUANTITY) and "lots" in row:
        _check_lots(sheet, row, case, field)
    if row.values.get("change") == Change.MULTIPLY and row.values.get("value", 0.0) < 0:
        sheet.refuse(row.number, "value", f"{row['value']:g}", "a factor of 0 or more")


def _check_lots(sheet: Sheet, row: Row, case: Case, field: ScenarioField) -> None:
    selected = [lot for lot in case.lots if row["lots"].holds(lot)]
    if not selected:
        sheet.refuse(row.number, "lots", f"no lot meets {row['lots']}", hint="Check the lots.")
    unlimited = [lot for lot in selected if lot.quantity_lb is None]
    is_set = row.values.get("change", Change.SET) == Change.SET
    if field is ScenarioField.QUANTITY and unlimited and not is_set:
        hint = f"Lot {unlimited[0].lot_id} has no quantity_lb to change."
        sheet.refuse(row.number, "change", row["change"], "set", hint)


_IN_USD_PER_CWT = ("value", "sd", "minimum", "maximum")


def _row_of(row: Row, case: Case) -> ScenarioRow:
    made_row = made(ScenarioRow, row.values)
    if made_row.field is ScenarioField.PRICE and made_row.change is not Change.MULTIPLY:
        # the sd of a lognormal price is of its logarithm, and has no unit
        is_lognormal = made_row.distribution is Distribution.LOGNORMAL
        names = [
            n for n in _IN_USD_PER_CWT if row[n] is not None and (n != "sd" or not is_lognormal)
        ]
        in_lb: dict[str, Any] = {n: usd_per_lb(row[n], "usd_per_cwt") for n in names}
        made_row = replace(made_row, **in_lb)
    every_product = tuple(product.product_id for product in case.products)
    return replace(made_row, products=made_row.products or every_product)
