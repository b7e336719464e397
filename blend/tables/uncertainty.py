"""Read how often batches must hold their limits, and how far off lots may be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from blend.domain.case import Case
from blend.domain.columns import made
from blend.domain.uncertainty import ChanceConstraint, LeanUncertainty
from blend.errors import Caution, and_more
from blend.tables.cautions import blank_cautions
from blend.tables.columns import CONFIDENCE_TABLES
from blend.tables.rows import Sheet, Sheets
from blend.tables.tables import Source


@dataclass(frozen=True, slots=True)
class UncertaintyRead:
    """The chance constraints in the order of their table, and the spread of lots by lot_id."""

    chance_constraints: tuple[ChanceConstraint, ...]
    spread: Mapping[str, LeanUncertainty]
    warnings: tuple[Caution, ...] = ()


def read_uncertainty(
    source: Source, case: Case, estimated: Mapping[str, LeanUncertainty] | None = None
) -> UncertaintyRead:
    """Read confidence and lean_spread of a case; no chance constraint without such a table.

    `estimated` are errors of lots' lean by lot_id; they replace those of the table, as they belong
    to the lean estimated with them, but for the spread of containers. Every usable lot that may
    go into such a product needs its row. Raise InputRefused with all problems; raise FileTrouble
    for what cannot be opened.
    """
    sheets = _sheets(source, case, *CONFIDENCE_TABLES)
    confidence = sheets.get("confidence")
    whole = () if confidence is None else confidence.whole_rows()
    chance_constraints = tuple(made(ChanceConstraint, row.values) for row in whole)
    spread = _spread_of(sheets.get("lean_spread"), estimated or {})
    if chance_constraints and confidence is not None and not confidence.problems:
        table = CONFIDENCE_TABLES["lean_spread"]
        sheet = sheets.by_name.setdefault(table.name, Sheet(table, f"{table.name}.csv"))
        if sheet.has_sound_ids:
            _check_every_lot(sheet, case, chance_constraints)
    sheets.raise_problems()
    return UncertaintyRead(chance_constraints, spread, (*sheets.cautions, *blank_cautions(sheets)))


def read_spread(source: Source, case: Case) -> dict[str, LeanUncertainty]:
    """Read lean_spread alone, as far as it is filled in; empty without such a table.

    Rows without a standard error are left out. Raises as `read_uncertainty` does.
    """
    sheets = _sheets(source, case, "lean_spread")
    sheets.raise_problems()
    return {
        row["lot_id"]: made(LeanUncertainty, row.values)
        for row in sheets.rows("lean_spread")
        if row["standard_error_points"] is not None
    }


def read_chance_constraints(source: Source, case: Case) -> tuple[ChanceConstraint, ...]:
    """Read confidence alone; empty without such a table. Raises as above."""
    sheets = _sheets(source, case, "confidence")
    sheets.raise_problems()
    return sheets.records("confidence", ChanceConstraint)


def _sheets(source: Source, case: Case, *names: str) -> Sheets:
    sheets = Sheets(source, {name: CONFIDENCE_TABLES[name] for name in names})
    for row in sheets.rows("confidence"):
        products = [product.product_id for product in case.products]
        sheets["confidence"].refuse_unknown(row, "product_id", products, "products")
    for row in sheets.rows("lean_spread"):
        lots = [lot.lot_id for lot in case.lots]
        sheets["lean_spread"].refuse_unknown(row, "lot_id", lots, "lots")
    return sheets


def with_containers(
    estimated: Mapping[str, LeanUncertainty], spread: Mapping[str, LeanUncertainty]
) -> dict[str, LeanUncertainty]:
    """Estimated errors with the spread of containers, where that is known."""
    return {
        lot_id: replace(each, container_sd_share=spread[lot_id].container_sd_share)
        if lot_id in spread
        else each
        for lot_id, each in estimated.items()
    }


def _spread_of(
    sheet: Sheet | None, estimated: Mapping[str, LeanUncertainty]
) -> dict[str, LeanUncertainty]:
    """The lots' spread; a blank standard error that no estimate fills is a problem."""
    known: dict[str, LeanUncertainty] = {}
    for row in () if sheet is None else sheet.whole_rows():
        own = made(LeanUncertainty, row.values)
        is_blank = row.values["standard_error_points"] is None
        if is_blank and own.lot_id not in estimated and sheet is not None:
            hint = "Enter lean points, or use --lean estimated to take them from tests."
            sheet.refuse(row.number, "standard_error_points", "blank", hint=hint)
        else:
            known[own.lot_id] = own
    return {**known, **with_containers(estimated, known)}


def _check_every_lot(
    sheet: Sheet, case: Case, chance_constraints: tuple[ChanceConstraint, ...]
) -> None:
    rows = sheet.ids()
    products = [case.product(each.product_id) for each in chance_constraints]
    missing = [
        lot.lot_id
        for lot in case.usable_lots()
        if lot.lot_id not in rows
        and any(
            lot.species in product.species and product.label_claims <= lot.label_claims
            for product in products
        )
    ]
    if missing:
        value = f"no row for {and_more(missing)}"
        hint = "A confidence needs the error of every lot's lean: add a row for each."
        sheet.refuse(None, "lot_id", value, hint=hint)
