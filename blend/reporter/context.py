"""Public market-news tables next to the day's quotations: context, never canvass.

Nothing of such a table is stored or enters a quotation.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blend.domain.market import LB_PER_LOAD
from blend.errors import FileTrouble, InputRefused, Problem
from blend.output.formats import Format, register
from blend.output.frames import DataFrame, frame

if TYPE_CHECKING:
    from blend.reporter.quoting import Quoted

register(
    {
        "description": Format("Public report"),
        "report_usd_per_cwt": Format("Average", "$/cwt", 2),
        "over_report_usd_per_cwt": Format("Quote over it", "$/cwt", 2, is_signed=True),
    }
)
HEADINGS = {
    "description": ("item", "description", "item description", "lean", "% lean"),
    "average": ("weighted average", "wtd avg", "weighted avg", "wtd. avg.", "average", "price"),
    "low": ("low", "price low"),
    "high": ("high", "price high"),
    "pounds": ("pounds", "total pounds", "lbs"),
    "loads": ("loads",),
}
"""What such tables call a column, in lower case."""


def context_frame(path: Path, quoted: Sequence[Quoted]) -> DataFrame:
    """Rows of a table next to the quotation of the same lean, where there is one item of it.

    Raise FileTrouble for what cannot be opened, InputRefused with every cell that is no number.
    """
    rows, problems = _rows(path)
    if problems:
        raise InputRefused(problems)
    made = []
    for row in rows:
        lean = _lean(row["description"])
        same = [each.assessed for each in quoted if lean and abs(each.assessed.item.lean - lean) <
                0.005 and each.assessed.item.fresh_or_frozen == "fresh"]  # fmt: skip
        own = same[0] if len(same) == 1 else None
        usd = None if own is None else own.usd_per_cwt
        apart = None if usd is None or row["average"] is None else usd - row["average"]
        pounds, loads = row["pounds"], row["loads"]
        loads = pounds / LB_PER_LOAD if loads is None and pounds else loads
        made.append((row["description"], loads, row["low"], row["high"], row["average"],
                     None if own is None else own.item.item_id, apart))  # fmt: skip
    columns = ("description", "loads", "low_usd_per_cwt", "high_usd_per_cwt",
               "report_usd_per_cwt", "item_id", "over_report_usd_per_cwt")  # fmt: skip
    return frame(columns, made)


def _rows(path: Path) -> tuple[list[dict[str, Any]], list[Problem]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            lines = list(csv.reader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = getattr(error, "strerror", None) or "not a CSV table"
        raise FileTrouble(f"{path}: {reason}") from error
    headed = (place for place, line in enumerate(lines) if {"description", "average"} <=
              _columns(line).keys())  # fmt: skip
    place = next(headed, None)
    if place is None:
        needed = "a heading for the item and one for the weighted average"
        raise InputRefused([Problem(path.name, 1, None, "the headings", needed)])
    columns = _columns(lines[place])
    rows, problems = [], []
    for number, line in enumerate(lines[place + 1 :], start=place + 2):
        cells = {name: line[at].strip() if at < len(line) else "" for name, at in columns.items()}
        if not cells["description"]:
            continue
        row: dict[str, Any] = dict.fromkeys(HEADINGS)
        for name, text in cells.items():
            try:
                row[name] = text if name == "description" else _number(text)
            except ValueError:
                problems.append(Problem(path.name, number, name, text, "a number or blank"))
        rows.append(row)
    return rows, problems


def _columns(line: Sequence[str]) -> Mapping[str, int]:
    cells = [" ".join(each.split()).casefold() for each in line]
    return {
        name: cells.index(words)
        for name, headings in HEADINGS.items()
        for words in headings[::-1]
        if words in cells
    }


def _number(text: str) -> float | None:
    """Falls stand in parentheses in some tables, with a minus in others; a blank is none."""
    if text in ("", "-"):
        return None
    is_fall = text.startswith("(") and text.endswith(")")
    value = float(text.strip("()").replace("$", "").replace(",", ""))
    return -value if is_fall else value


def _lean(description: str) -> float | None:
    """The lean a row is of, as 90% lean, 90s or 92-94, for which the middle is taken."""
    found = re.search(r"\b(\d{2})(?:\s*-\s*(\d{2}))?(?:%|s\b|\b)", description)
    if found is None:
        return None
    ends = [float(each) for each in found.groups() if each]
    return sum(ends) / len(ends) / 100
