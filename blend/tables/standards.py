"""The published standards that come with `blend`, and where its packaged tables lie."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import blend
from blend.domain.columns import Table
from blend.domain.standards import StandardRow
from blend.errors import FileTrouble
from blend.tables.columns import STANDARDS
from blend.tables.cross import check_rows
from blend.tables.rows import Sheet, read_sheet
from blend.tables.tables import read_csv_table


def packaged_path(name: str) -> Path:
    """Where a packaged table lies: inside an installed package, next to it in a checkout."""
    package = Path(blend.__file__).parent
    inside, checkout = (place / "specs" / name for place in (package, package.parent))
    for path in (inside, checkout):
        if path.is_file():
            return path
    raise FileTrouble(f"{inside}: missing. Install blend again.")


def packaged_sheet(table: Table) -> Sheet:
    """A table that comes with `blend`, as read; raise FileTrouble."""
    name = f"{table.name}.csv"
    return read_sheet(read_csv_table(packaged_path(name), f"specs/{name}"), table)


@cache
def packaged_standards() -> tuple[StandardRow, ...]:
    """Every row of the built-in standards; raise InputRefused or FileTrouble."""
    sheet = packaged_sheet(STANDARDS)
    check_rows(sheet)
    sheet.raise_problems()
    return sheet.records(StandardRow)
