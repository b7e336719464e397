"""Read the method of quotations; the one that comes with `blend` unless you have your own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from blend.domain.columns import made
from blend.domain.method import Method
from blend.tables.columns import METHOD, METHOD_COLUMNS
from blend.tables.read import read_settings
from blend.tables.rows import read_sheet
from blend.tables.standards import packaged_sheet
from blend.tables.tables import read_csv_table

_CUTS = {"demand_cuts": 4, "offerings_cuts": 2, "activity_cuts": 3}
"""How many cuts separate the words of each."""


@dataclass(frozen=True, slots=True)
class MethodRead:
    """A method, and for each of its settings who verified the number and where it is from."""

    method: Method
    sources: Mapping[str, tuple[str, str]]


def read_method(path: str | Path | None = None) -> MethodRead:
    """The method in a CSV table, or the built-in one.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    if path is None:
        sheet = packaged_sheet(METHOD)
    else:
        sheet = read_sheet(read_csv_table(Path(path), Path(path).name), METHOD)
    values = read_settings(sheet, METHOD_COLUMNS)
    for name, count in _CUTS.items():
        cuts = values.get(name, ())
        if cuts and not (len(cuts) == count and all(low < high for low, high in pairwise(cuts))):
            value = "|".join(f"{cut:g}" for cut in cuts)
            required = f"{count} rising numbers joined by |"
            sheet.refuse(sheet.ids()[name].number, name, value, required)
    sheet.raise_problems()
    return MethodRead(
        made(Method, values),
        {row["setting"]: (row["verified"], row["source"]) for row in sheet.rows},
    )
