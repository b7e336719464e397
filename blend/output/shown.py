"""A table ready to be shown: what terminal, workbook and page all draw from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum
from math import fsum

from blend.output.formats import Format as ColumnFormat
from blend.output.formats import format_of, printable
from blend.output.frames import DataFrame

Cell = str | int | float | date | None
"""None is shown blank. A text may stand in a column of numbers: "no plan"."""


class Format(Enum):
    """How a column's cells look. Numbers are held in the unit of the column's heading."""

    TEXT = ("left", None)
    READING = ("right", None)
    """Numbers with their unit, as text, where each row has its own unit."""
    WHOLE = ("right", 0)
    TENTHS = ("right", 1)
    HUNDREDTHS = ("right", 2)
    THOUSANDTHS = ("right", 3)
    TEN_THOUSANDTHS = ("right", 4)
    """These are found by their decimals alone."""

    def __init__(self, align: str, decimals: int | None) -> None:
        self.align = align
        self.decimals = decimals


@dataclass(frozen=True, slots=True)
class ShownColumn:
    """One column; `is_summed` where the column's sum means something."""

    name: str
    unit: str = ""
    format: Format = Format.TEXT
    is_summed: bool = False
    is_signed: bool = False
    """A gain or loss: by + or -, not by color alone."""

    @property
    def heading(self) -> str:
        return f"{self.name}, {self.unit}" if self.unit else self.name

    @property
    def align(self) -> str:
        return self.format.align

    def text(self, cell: Cell) -> str:
        if cell is None:
            return ""
        if isinstance(cell, str | date):
            return str(cell)
        sign = "+" if self.is_signed and cell else ""
        return f"{cell:{sign},.{self.format.decimals}f}"


@dataclass(frozen=True, slots=True)
class ShownTable:
    """A titled table and the note below it. Numbers are rounded as they are shown, so that
    sums of what is shown agree with the totals shown."""

    title: str
    columns: tuple[ShownColumn, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""

    @property
    def totals(self) -> tuple[Cell, ...] | None:
        """The totals row; None where nothing is summed or one row is its own total."""
        if len(self.rows) < 2 or not any(column.is_summed for column in self.columns):
            return None
        totals = [
            _rounded(fsum(_number(row[index]) for row in self.rows), column)
            if column.is_summed
            else None
            for index, column in enumerate(self.columns)
        ]
        return ("Total", *totals[1:])


def _number(cell: Cell) -> float:
    """What a cell adds to its column's sum: a blank or a text adds nothing."""
    return cell if isinstance(cell, int | float) else 0.0


def shown_table(
    title: str, columns: Sequence[ShownColumn], rows: Iterable[Sequence[Cell]], note: str = ""
) -> ShownTable:
    """Round numbers as their columns show them, and strip what cannot be printed from texts."""
    return ShownTable(
        printable(title),
        tuple(columns),
        tuple(
            tuple(_rounded(cell, column) for cell, column in zip(row, columns, strict=True))
            for row in rows
        ),
        printable(note),
    )


_BY_DECIMALS = {each.decimals: each for each in Format if each is not Format.READING}


def shown_of(
    frame: DataFrame, columns: Sequence[str] | None = None, title: str = "", note: str = ""
) -> ShownTable:
    """A table of an answer as the desk draws it, its columns shown by the format map."""
    names = [name for name in (columns or list(frame.columns)) if name in frame.columns]
    formats = [format_of(name) for name in names]
    shown = [
        ShownColumn(
            each.heading, each.unit, _BY_DECIMALS[each.decimals], each.is_summed, each.is_signed
        )
        for each in formats
    ]
    rows = (
        [_cell_of(each, value) for each, value in zip(formats, row, strict=True)]
        for row in frame[names].itertuples(index=False, name=None)
    )
    return shown_table(title, shown, rows, note)


def _cell_of(format_: ColumnFormat, value: object) -> Cell:
    text = format_.text(value)
    if not text:
        return None
    if isinstance(value, int | float) and not isinstance(value, bool):
        return text if format_.decimals is None or text == "no limit" else float(value)
    return text


def _rounded(cell: Cell, column: ShownColumn) -> Cell:
    if isinstance(cell, str):
        return printable(cell)
    if isinstance(cell, float):
        return round(cell, column.format.decimals) + 0.0
    return cell
