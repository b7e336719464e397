"""What a sound case should still make its user check."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median

from blend.domain.case import Case
from blend.domain.columns import MAX_TOLERANCE_POINTS, Column
from blend.domain.products import Product
from blend.domain.selectors import WORD_ATTRIBUTES, Selector
from blend.domain.standards import STALE_AFTER, Action, StandardRow
from blend.errors import Caution, and_more, did_you_mean
from blend.tables.columns import SETTING_COLUMNS
from blend.tables.cross import is_too_fat, percent
from blend.tables.rows import Row, Sheet, Sheets
from blend.units import LB_PER_CWT

# common practice, no source
_FAR_BELOW, _FAR_ABOVE = 20, 10
_LEAST_TOLERANCE_POINTS = 0.05
"""A smaller tolerance was meant as a fraction."""


NOT_CHECKED = "{count} label standard{s} not yet checked against the CFR: blend guide standards"
"""One line for all standards that are partly from memory."""


def cautions(case: Case, sheets: Sheets) -> tuple[Caution, ...]:
    """Warnings in the order of tables and rows."""
    lots = sheets["lots"]
    prices = [case.lot(row["lot_id"]).price_usd_per_lb for row in lots.rows]
    found: list[Caution] = [*price_cautions(lots, prices, "all lots")]
    products = sheets["products"]
    warned: set[str] = set()
    for row in products.rows:
        product = case.product(row["product_id"])
        found += _about_tolerance(product, products.file, row)
        found += _about_label_claims(case, product, products.file, row)
        for standard_id in product.standards:
            rows = [each for each in case.standards if each.standard_id == standard_id]
            found += _about_fat(product, rows, products.file, row)
            if standard_id not in warned:
                warned.add(standard_id)
                found += _about_age(case, standard_id, rows, products.file, row)
    for name in ("rules", "losses"):
        if name in sheets:
            found += _about_selectors(case, sheets[name])
    return tuple(found)


def blank_cautions(sheets: Sheets) -> Iterator[Caution]:
    """One caution for each column whose blanks can make a plan cheaper or allow more.

    A column that is not in the sheet is blank in every row.
    """
    for sheet in sheets.by_name.values():
        for column in sheet.table.columns:
            if column.caution_when_blank:
                ids = [
                    str(row[sheet.table.id_column])
                    for row in sheet.rows
                    if column.name not in row.filled and column.caution_in_row(row.values)
                ]
                if ids:
                    yield _blank_caution(sheet, column, f"blank for {and_more(ids)}")
        if sheet.table.name == "settings":
            filled = {row["setting"] for row in sheet.rows if "value" in row.filled}
            for name, setting in SETTING_COLUMNS.items():
                if setting.caution_when_blank and name not in filled:
                    yield _blank_caution(sheet, setting, "blank")


def _blank_caution(sheet: Sheet, column: Column, fact: str) -> Caution:
    fact = f"{fact}, so read as {column.when_blank}"
    return Caution(sheet.file, None, column.name, fact, column.caution_when_blank)


def price_cautions(
    sheet: Sheet, usd_per_lb: Sequence[float | None], whose: str
) -> Iterator[Caution]:
    """Prices, in the order of the rows, that are probably in another unit: a slip between cwt
    and pound is a hundredfold. `whose` names all of them."""
    usual = median(filter(None, usd_per_lb)) if any(usd_per_lb) else 0.0
    for row, price in zip(sheet.rows, usd_per_lb, strict=True):
        if price and not usual / _FAR_BELOW <= price <= usual * _FAR_ABOVE:
            unit = str(row["price_unit"])
            meant = "per lb" if unit != "usd_per_lb" else "per cwt"
            yield Caution(
                sheet.file,
                row.number,
                "price",
                f"{row['price']:,.10g} {unit}, but the median of {whose} is "
                f"${usual * LB_PER_CWT:,.2f}/cwt (${usual:,.2f}/lb)",
                f"Is this {meant}?",
            )


def _about_tolerance(product: Product, file: str, row: Row) -> Iterator[Caution]:
    for column in ("tolerance_below_points", "tolerance_above_points"):
        points = row[column]
        if points > MAX_TOLERANCE_POINTS:
            fact = f"{points:.10g} lean points is a wide tolerance"
            advice = f"Enter {points / 10:.10g} or {points / 100:.10g} if that is meant."
            yield Caution(file, row.number, column, fact, advice)
        elif 0 < points < _LEAST_TOLERANCE_POINTS:
            fact = f"{points:.10g} of a lean point is a narrow tolerance"
            advice = f"Enter {100 * points:.10g} if {100 * points:.10g} points are meant."
            yield Caution(file, row.number, column, fact, advice)


def _about_label_claims(case: Case, product: Product, file: str, row: Row) -> Iterator[Caution]:
    carried = sorted({claim for lot in case.lots for claim in lot.label_claims})
    for claim in sorted(product.label_claims):
        if claim not in carried:
            hint = did_you_mean(claim, carried)
            yield Caution(
                file,
                row.number,
                "label_claims",
                f"no lot carries the claim {claim}",
                f"{hint} Until one does, no lot may go into the product.".strip(),
            )


def _about_fat(product: Product, rows: list[StandardRow], file: str, row: Row) -> Iterator[Caution]:
    target_fat, max_fat = 1 - product.target_lean, 1 - product.min_lean
    for limit in rows:
        if limit.action is Action.WARN and is_too_fat(target_fat, limit):
            yield Caution(
                file,
                row.number,
                "standards",
                f"the target has {percent(target_fat)} fat, and {limit.standard_id} allows at "
                f"most {percent(limit.max_share)} ({limit.section}, {limit.title})",
                "The plan is checked against it, but may exceed it.",
            )
        if limit.action is Action.REFUSE and is_too_fat(max_fat, limit):
            yield Caution(
                file,
                row.number,
                "tolerance_below_points",
                f"fat may rise to {percent(max_fat)}, but {limit.standard_id} allows at most "
                f"{percent(limit.max_share)} ({limit.section})",
                "The plan obeys the standard.",
            )


def _about_age(
    case: Case, standard_id: str, rows: list[StandardRow], file: str, row: Row
) -> Iterator[Caution]:
    recalled = [each for each in rows if each.verified == "memory"]
    day = case.settings.plan_on
    stale = [each for each in rows if each.is_stale(day) and each not in recalled]
    if stale:
        days = sorted(str(each.read_on) for each in stale if each.read_on is not None)
        when = (
            f"last read on {days[0]}, over {STALE_AFTER.days} days before the plan"
            if days
            else "read on no known day"
        )
        yield Caution(
            file,
            row.number,
            "standards",
            f"the text of {standard_id} was {when}",
            f"Rules change. Read the current text of {_sections(stale)}.",
        )
    if recalled:
        yield Caution(
            file,
            row.number,
            "standards",
            f"{standard_id} is partly from memory",
            f"Check it against the current text of {_sections(recalled)}.",
            NOT_CHECKED,
        )


def _sections(rows: list[StandardRow]) -> str:
    return "; ".join(dict.fromkeys(row.section for row in rows))


def _about_selectors(case: Case, sheet: Sheet) -> Iterator[Caution]:
    for row in sheet.rows:
        for column in ("lots", "against"):
            selector: Selector | None = row.values.get(column)
            if selector is not None and not any(map(selector.holds, case.lots)):
                yield Caution(
                    sheet.file,
                    row.number,
                    column,
                    f"no lot meets {selector}",
                    f"{_meant(selector, case)} This row does nothing.".strip(),
                )


def _meant(selector: Selector, case: Case) -> str:
    """A hint for the first value of a selector that no lot has."""
    for condition in selector.conditions:
        if condition.attribute in WORD_ATTRIBUTES:
            words_of = WORD_ATTRIBUTES[condition.attribute]
            known = sorted({word for lot in case.lots for word in words_of(lot)})
            for value in condition.values:
                if value.casefold() not in map(str.casefold, known):
                    return did_you_mean(value, known)
    return ""
