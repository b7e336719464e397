"""The note as data: sentences, tables and charts made of figures, each with where it is from.

Nothing is phrased from a number that is not a `Figure`, so that whatever is printed can be
looked up, and a figure that has changed since is found.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum

from blend.output.formats import cents, counted, day, printable
from blend.reporter import words
from blend.units import POINTS_PER_SHARE

_MAX_KEYS = 60


class Unit(StrEnum):
    """What a figure is in, which says how it is written."""

    USD_PER_CWT = "$/cwt"
    USD_PER_CWT_MOVE = "$/cwt, up or down"
    SHARE = "share"
    SHARE_MOVE = "share, up or down"
    POUNDS = "lb"
    COUNT = "count"
    NUMBER = "number"
    DAY = "day"
    WORD = "word"
    CODES = "codes"
    """Codes of adjustments, joined by `|`."""


class Form(StrEnum):
    """How one figure may read in its place."""

    PLAIN = "plain"
    """Up $3.25; 12.5%; Nov 25, 2026."""
    THAN = "than"
    """$3.25 higher."""
    CELL = "cell"
    """+3.25, in a table; Nov 25."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a figure is from: rows of the store by their keys, or how it follows from them."""

    what: str
    """The table, or the function that computed it."""
    keys: tuple[str, ...] = ()
    how: str = ""

    def __str__(self) -> str:
        left = len(self.keys) - _MAX_KEYS
        more = f" and {left} more" if left > 0 else ""
        keys = f": {', '.join(self.keys[:_MAX_KEYS])}{more}" if self.keys else ""
        return printable(f"{self.how}; {self.what}{keys}" if self.how else f"{self.what}{keys}")


@dataclass(frozen=True, slots=True)
class Figure:
    """One thing printed. The id says what it is of, and stays the same when it changes."""

    figure_id: str
    value: float | str | date
    unit: Unit
    source: Source
    unit_name: str = ""
    """Of a NUMBER: what it counts."""
    form: Form = Form.PLAIN

    @property
    def text(self) -> str:
        return self.text_as(self.form)

    @property
    def texts(self) -> frozenset[str]:
        """Every way the figure may read."""
        return frozenset(self.text_as(form) for form in Form)

    def than(self) -> Figure:
        """$3.25 higher, instead of up $3.25."""
        return replace(self, form=Form.THAN)

    def cell(self) -> Figure:
        return replace(self, form=Form.CELL)

    def text_as(self, form: Form) -> str:
        value = self.value
        if isinstance(value, str):
            if self.unit is Unit.CODES:
                return words.adjustments(code for code in value.split("|") if code)
            return printable(value)
        if isinstance(value, date):
            return f"{value:%b} {value.day}" if form is Form.CELL else day(value)
        match self.unit:
            case Unit.USD_PER_CWT_MOVE | Unit.SHARE_MOVE:
                return self._move(value, form)
            case Unit.USD_PER_CWT:
                return f"{value + 0.0:,.2f}" if form is Form.CELL else cents(value + 0.0)
            case Unit.SHARE:
                return _percent(value)
            case Unit.POUNDS:
                return counted(round(value), "lb", "lb")
            case Unit.NUMBER:
                return printable(f"{_plain(value)} {self.unit_name}".strip())
        return f"{value:,.0f}"

    def _move(self, value: float, form: Form) -> str:
        """Without a direction where it rounds to nothing."""
        is_usd = self.unit is Unit.USD_PER_CWT_MOVE
        size = f"{abs(value):,.2f}" if is_usd else _percent(abs(value))
        is_up, is_none = value > 0, not any(char in "123456789" for char in size)
        if form is Form.CELL:
            return size if is_none else f"{'+' if is_up else '−'}{size}"
        if is_none:
            return "unchanged"
        size = f"${size}" if is_usd else size
        if form is Form.THAN:
            return f"{size} {'higher' if is_up else 'lower'}"
        return f"{'up' if is_up else 'down'} {size}"


def _percent(share: float) -> str:
    return f"{_plain(round(share * POINTS_PER_SHARE, 1))}%"


def _plain(number: float) -> str:
    """With as many of two decimals as it needs."""
    return f"{round(number, 2) + 0.0:,.2f}".rstrip("0").rstrip(".")


Part = str | Figure


@dataclass(frozen=True, slots=True)
class Sentence:
    """Words and figures in the order of reading."""

    parts: tuple[Part, ...]
    must_stay: bool = False
    """Of a caution: to take it out, the signer confirms it."""

    @property
    def figures(self) -> tuple[Figure, ...]:
        return tuple(part for part in self.parts if isinstance(part, Figure))


def sentence(*parts: Part) -> Sentence:
    return Sentence(parts)


def caution(*parts: Part) -> Sentence:
    """A sentence that the reporter does not take out unnoticed."""
    return Sentence(parts, must_stay=True)


@dataclass(frozen=True, slots=True)
class Paragraph:
    sentences: tuple[Sentence, ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table. `numbers` are the columns set to the right."""

    headings: tuple[str, ...]
    rows: tuple[tuple[Part | None, ...], ...]
    numbers: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Picture:
    """A chart by its id, with its caption; the page draws it."""

    picture_id: str
    caption: str


Block = Paragraph | Grid | Picture


@dataclass(frozen=True, slots=True)
class Section:
    """The lead has no heading."""

    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Note:
    """One day's note, and every figure it may print, printed or not."""

    day: date
    title: str
    sections: tuple[Section, ...]
    spare: tuple[Figure, ...] = field(default=())
    """Figures the reporter may put in by their ids."""
    made_from: str = ""
    """What all of it was made from, so it can be rebuilt; listed with the sources."""

    @property
    def figures(self) -> dict[str, Figure]:
        """All of them by id, in the order of their first printing."""
        found: dict[str, Figure] = {}
        for figure in (*_printed(self.sections), *self.spare):
            found.setdefault(figure.figure_id, figure)
        return found


def _printed(sections: tuple[Section, ...]) -> Iterator[Figure]:
    for section in sections:
        for block in section.blocks:
            match block:
                case Paragraph(sentences):
                    for each in sentences:
                        yield from each.figures
                case Grid():
                    for row in block.rows:
                        yield from (cell for cell in row if isinstance(cell, Figure))
