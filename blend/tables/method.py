"""Read the method of quotations; the one that comes with `blend` unless you have your own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from blend.domain.method import Method
from blend.errors import InputRefused
from blend.tables.cells import CellRefused, parse_cell, shown
from blend.tables.columns import METHOD, METHOD_COLUMNS
from blend.tables.rows import Sheet, read_sheet
from blend.tables.standards import packaged_path
from blend.tables.tables import read_csv_table

_CUTS = {"demand_cuts": 4, "offerings_cuts": 2, "activity_cuts": 3}
"""How many cuts part the words of each."""


@dataclass(frozen=True, slots=True)
class MethodRead:
    """A method, and for each of its settings the verified and source of the number."""

    method: Method
    sources: Mapping[str, tuple[str, str]]


def read_method(path: str | Path | None = None) -> MethodRead:
    """The method in a CSV table, or the packaged one.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    name = f"{METHOD.name}.csv"
    raw = (
        read_csv_table(packaged_path(name), f"specs/{name}")
        if path is None
        else read_csv_table(Path(path), Path(path).name)
    )
    sheet = read_sheet(raw, METHOD)
    values = _values(sheet)
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())
    return MethodRead(
        Method(**values),
        {row["setting"]: (row["verified"], row["source"]) for row in sheet.rows},
    )


def _values(sheet: Sheet) -> dict[str, Any]:
    """Every setting by its column; what is wrong or missing goes to the sheet."""
    rows = sheet.ids()
    values: dict[str, Any] = {}
    for name, column in METHOD_COLUMNS.items():
        row = rows.get(name)
        if row is None:
            if sheet.has_every_id:
                sheet.refuse(None, name, "no such setting", column.allowed)
            continue
        if "value" not in row:
            # A ragged row has been told of already.
            continue
        try:
            values[name] = parse_cell(column, row["value"])
        except CellRefused as refused:
            allowed = refused.allowed or column.allowed
            sheet.refuse(row.number, name, shown(row["value"]), allowed, refused.hint)
            continue
        if name in _CUTS and not _rises(values[name], _CUTS[name]):
            allowed = f"{_CUTS[name]} rising numbers joined by |"
            sheet.refuse(row.number, name, shown(row["value"]), allowed)
    return values


def _rises(cuts: tuple[float, ...], count: int) -> bool:
    return len(cuts) == count and all(low < high for low, high in pairwise(cuts))
