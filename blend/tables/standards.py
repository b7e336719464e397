"""The published standards that come with `blend`."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import blend
from blend.domain.standards import StandardRow
from blend.errors import FileTrouble, InputRefused
from blend.tables.build import standard_row_of
from blend.tables.columns import STANDARDS
from blend.tables.cross import check_rows
from blend.tables.rows import read_sheet
from blend.tables.tables import read_csv_table


def packaged_path(name: str) -> Path:
    """Where a packaged table lies: inside an installed package, beside it in a checkout."""
    package = Path(blend.__file__).parent
    inside, beside = (place / "specs" / name for place in (package, package.parent))
    for path in (inside, beside):
        if path.is_file():
            return path
    raise FileTrouble(f"{inside}: missing; install blend anew")


@cache
def packaged_standards() -> tuple[StandardRow, ...]:
    """Every row of the packaged standards; raise InputRefused or FileTrouble."""
    raw = read_csv_table(packaged_path("standards.csv"), "specs/standards.csv")
    sheet = read_sheet(raw, STANDARDS)
    check_rows(sheet)
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())
    return tuple(standard_row_of(row) for row in sheet.rows)
