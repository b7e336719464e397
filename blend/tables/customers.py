"""Read a trader's customers, all problems listed at once."""

from __future__ import annotations

from blend.domain.customers import CustomerRow
from blend.errors import Caution
from blend.tables.columns import CUSTOMERS
from blend.tables.rows import Row, Sheets
from blend.tables.tables import Source

_WAYS = ("lot_id", "takes_lb", "pays_usd_per_cwt", "makes_lean", "makes_lb")
"""Each way to describe a customer needs some of these columns and leaves the rest blank."""


def read_customers(source: Source) -> tuple[tuple[CustomerRow, ...], tuple[Caution, ...]]:
    """Customers in the order of the rows, and what to check.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    sheets = Sheets(source, {CUSTOMERS.name: CUSTOMERS})
    sheets.raise_problems()
    sheet = sheets[CUSTOMERS.name]
    first_of: dict[tuple[str, str], Row] = {}
    for row in sheet.rows:
        first = first_of.setdefault((row["customer"], row["item_id"]), row)
        if first is not row and (first["plan_folder"] or row["plan_folder"]):
            why = f"the only row of {row['customer']} for the item, as there is a plan_folder"
            sheet.refuse(row.number, "customer", row["customer"], why)
        if first["freight_usd_per_cwt"] != row["freight_usd_per_cwt"]:
            given, other = f"{row['freight_usd_per_cwt']:g}", f"{first['freight_usd_per_cwt']:g}"
            sheet.refuse(
                row.number, "freight_usd_per_cwt", given, f"{other}, as in row {first.number}"
            )
        needed: tuple[str, ...]
        if row["plan_folder"]:
            needed, how = ("lot_id",), "a plan_folder"
        elif row["makes_lean"] is not None or row["makes_lb"] is not None:
            needed, how = ("makes_lean", "makes_lb"), "a product"
        else:
            needed, how = ("takes_lb", "pays_usd_per_cwt"), "what they pay"
        for name in _WAYS:
            if name in needed and row[name] in (None, ""):
                sheet.refuse(row.number, name, "blank", f"filled in for {how}")
            elif name not in needed and row[name] not in (None, ""):
                sheet.refuse(row.number, name, str(row[name]), f"blank for {how}")
    sheets.raise_problems()
    return sheet.records(CustomerRow), tuple(sheets.cautions)
