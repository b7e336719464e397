"""Read what was ground, or a recipe made by hand, and what was counted after it."""

from __future__ import annotations

from pathlib import Path

from blend.domain.case import Case
from blend.domain.ground import GroundLine
from blend.errors import FileTrouble, refusal
from blend.tables.columns import GROUND, INVENTORY
from blend.tables.rows import Sheets
from blend.tables.tables import Source


def read_ground(path: Path, case: Case) -> tuple[GroundLine, ...]:
    """The lines of a .csv or .xlsx with the table `ground`, in the order of the rows.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    if not path.is_file():
        raise FileTrouble(f"{path}: no such file. Enter a .csv with {', '.join(_COLUMNS)}.")
    sheets = Sheets(path, {GROUND.name: GROUND})
    sheet = sheets[GROUND.name]
    products = [product.product_id for product in case.products]
    lots = [lot.lot_id for lot in case.lots]
    first_of: dict[tuple[str, str], int] = {}
    batches: dict[str, int] = {}
    for row in sheet.rows:
        sheet.refuse_unknown(row, "product_id", products, "products")
        sheet.refuse_unknown(row, "lot_id", lots, "lots")
        if not row.has("product_id", "lot_id", "batches"):
            continue
        both = row["product_id"], row["lot_id"]
        if first_of.setdefault(both, row.number) != row.number:
            required = f"one row for each lot of a product; row {first_of[both]} has it too"
            sheet.refuse(row.number, "lot_id", row["lot_id"], required)
        if row["batches"] is not None:
            first = batches.setdefault(row["product_id"], row["batches"])
            if first != row["batches"]:
                required = f"{first}, as in the product's other rows"
                sheet.refuse(row.number, "batches", str(row["batches"]), required)
    sheets.raise_problems()
    lines = tuple(line for line in sheets.records(GROUND.name, GroundLine) if line.pounds_lb)
    if not lines:
        nothing = "no pounds of any lot"
        raise refusal(path.name, "pounds_lb", nothing, "", "Enter some.")
    return lines


_COLUMNS = ("product_id", "lot_id", "pounds_lb")


def read_inventory(source: Source, case: Case) -> dict[str, float]:
    """Pounds counted by lot; empty where there is no such table. Raises as `read_ground` does."""
    sheets = Sheets(source, {INVENTORY.name: INVENTORY})
    lots = [lot.lot_id for lot in case.lots]
    for row in sheets.rows(INVENTORY.name):
        sheets[INVENTORY.name].refuse_unknown(row, "lot_id", lots, "lots")
    sheets.raise_problems()
    return {row["lot_id"]: row["left_lb"] for row in sheets.rows(INVENTORY.name)}
