"""Read how surely products are to keep their limits, and how far lots may be off."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from blend.domain.case import Case
from blend.domain.uncertainty import BatchUncertainty, ChanceConstraint, LeanUncertainty, Sides
from blend.errors import Caution, InputRefused, did_you_mean
from blend.tables.cautions import blank_cautions
from blend.tables.columns import CONFIDENCE_TABLES
from blend.tables.rows import Row, Sheet, read_sheet
from blend.tables.tables import Source, read_tables


@dataclass(frozen=True, slots=True)
class UncertaintyRead:
    """The promises in the order of their table, and the spread of lots by lot_id."""

    chance_constraints: tuple[ChanceConstraint, ...]
    spread: Mapping[str, LeanUncertainty]
    warnings: tuple[Caution, ...] = ()


def read_uncertainty(
    source: Source, case: Case, estimated: Mapping[str, float] | None = None
) -> UncertaintyRead:
    """Read confidence and lean_spread beside a case; no promise where there is no such table.

    `estimated` are standard errors of lots' lean by lot_id, which count before those of the
    table: they belong to the lean estimated with them. Every usable lot that may go into a
    promised product needs its row. Raise InputRefused with all problems; raise FileTrouble for
    what cannot be opened.
    """
    raw = read_tables(source, CONFIDENCE_TABLES)
    if raw.problems:
        raise InputRefused(tuple(raw.problems.values()))
    sheets = {
        name: read_sheet(raw.tables[name], table)
        for name, table in CONFIDENCE_TABLES.items()
        if name in raw.tables
    }
    confidence, spread = (sheets.get(name) for name in CONFIDENCE_TABLES)
    _check_ids(confidence, "product_id", [p.product_id for p in case.products], "products")
    _check_ids(spread, "lot_id", [lot.lot_id for lot in case.lots], "lots")
    chance_constraints = tuple(map(_chance_constraint_of, _whole_rows(confidence)))
    known = _spread_of(spread, estimated or {})
    if chance_constraints and confidence is not None and not confidence.problems:
        spread = spread or Sheet(CONFIDENCE_TABLES["lean_spread"], "lean_spread.csv")
        sheets["lean_spread"] = spread
        if spread.has_sound_ids:
            _check_every_lot(spread, case, chance_constraints)
    problems = [each for sheet in sheets.values() for each in sheet.sorted_problems()]
    if problems:
        raise InputRefused(problems)
    return UncertaintyRead(chance_constraints, known, tuple(blank_cautions(sheets.values())))


def read_spread(source: Source, case: Case) -> dict[str, LeanUncertainty]:
    """Read lean_spread alone, as far as it is filled in; empty where there is no such table.

    Rows without a standard error are left out. Raises as `read_uncertainty` does.
    """
    sheet = _read_alone(source, "lean_spread", "lot_id", [lot.lot_id for lot in case.lots], "lots")
    return {
        row["lot_id"]: LeanUncertainty(**row.values)
        for row in _whole_rows(sheet)
        if row["standard_error_share"] is not None
    }


def read_chance_constraints(source: Source, case: Case) -> tuple[ChanceConstraint, ...]:
    """Read confidence alone; empty where there is no such table. Raises as `read_uncertainty`."""
    known = [product.product_id for product in case.products]
    sheet = _read_alone(source, "confidence", "product_id", known, "products")
    return tuple(map(_chance_constraint_of, _whole_rows(sheet)))


def _read_alone(
    source: Source, name: str, column: str, known: list[str], table: str
) -> Sheet | None:
    raw = read_tables(source, {name: CONFIDENCE_TABLES[name]})
    if raw.problems:
        raise InputRefused(tuple(raw.problems.values()))
    if name not in raw.tables:
        return None
    sheet = read_sheet(raw.tables[name], CONFIDENCE_TABLES[name])
    _check_ids(sheet, column, known, table)
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())
    return sheet


def _whole_rows(sheet: Sheet | None) -> list[Row]:
    return [] if sheet is None else [row for row in sheet.rows if sheet.is_whole(row)]


def _check_ids(sheet: Sheet | None, column: str, known: list[str], table: str) -> None:
    for row in sheet.rows if sheet is not None else ():
        if column in row and row[column] not in known:
            hint = did_you_mean(row[column], known)
            sheet.refuse(row.number, column, row[column], f"an id of {table}", hint)


def _chance_constraint_of(row: Row) -> ChanceConstraint:
    return ChanceConstraint(
        product_id=row["product_id"],
        min_confidence=row["min_confidence"],
        sides=Sides(row["sides"]),
        batch=BatchUncertainty(row["mixing_sd_share"], row["test_error"]),
    )


def _spread_of(sheet: Sheet | None, estimated: Mapping[str, float]) -> dict[str, LeanUncertainty]:
    """The lots' spread; a blank standard error that no estimate fills goes to the problems."""
    known = {}
    for row in _whole_rows(sheet):
        lot_id = row["lot_id"]
        error = estimated.get(lot_id, row["standard_error_share"])
        if error is None:
            sheet.refuse(
                row.number,
                "standard_error_share",
                "nothing",
                "a share, or an estimate from tests",
                "Estimates are used with --lean estimated.",
            )
        else:
            known[lot_id] = LeanUncertainty(lot_id, error, row["container_sd_share"])
    return known


def _check_every_lot(
    sheet: Sheet, case: Case, chance_constraints: tuple[ChanceConstraint, ...]
) -> None:
    rows = sheet.ids()
    chance = [
        case.product(chance_constraint.product_id) for chance_constraint in chance_constraints
    ]
    for lot in case.usable_lots():
        product = next(
            (
                product
                for product in chance
                if lot.species in product.species and product.label_claims <= lot.label_claims
            ),
            None,
        )
        if product is not None and lot.lot_id not in rows:
            sheet.refuse(
                None,
                "lot_id",
                f"no row for {lot.lot_id}",
                f"one for each lot that {product.product_id} may hold",
                "What is promised rests on it.",
            )
