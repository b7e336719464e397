"""Read a trader's customers, all problems listed at once."""

from __future__ import annotations

from blend.domain.customers import CustomerRow
from blend.errors import Caution
from blend.tables.columns import CUSTOMERS
from blend.tables.rows import Sheets
from blend.tables.tables import Source


def read_customers(source: Source) -> tuple[tuple[CustomerRow, ...], tuple[Caution, ...]]:
    """Customers in the order of the rows, and what to check.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    sheets = Sheets(source, {CUSTOMERS.name: CUSTOMERS})
    sheets.raise_problems()
    sheet = sheets[CUSTOMERS.name]
    for row in sheet.rows:
        has_plan = bool(row["plan_folder"])
        if has_plan and not row["lot_id"]:
            sheet.refuse(row.number, "lot_id", "blank", "a lot of their sheet")
        for name in ("takes_lb", "pays_usd_per_cwt"):
            if has_plan and row[name] is not None:
                sheet.refuse(row.number, name, f"{row[name]:g}", "blank next to a plan_folder")
            elif not has_plan and row[name] is None:
                sheet.refuse(row.number, name, "blank", "filled in without a plan_folder")
    sheets.raise_problems()
    return sheet.records(CustomerRow), tuple(sheets.cautions)
