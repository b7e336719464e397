"""The note as data: sentences, tables and pictures made of figures, each with where it is from.

Nothing is phrased from a number that is not a `Figure`, so that whatever is printed can be
looked up, and a figure that has changed since is found.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum


class Unit(StrEnum):
    """What a figure is in, which tells how it is written."""

    USD_PER_CWT = "USD per cwt"
    USD_PER_CWT_MOVE = "USD per cwt, up or down"
    SHARE = "share"
    SHARE_MOVE = "share, up or down"
    POUNDS = "lb"
    COUNT = "count"
    NUMBER = "number"
    DAY = "day"
    WORD = "word"
    CODES = "codes"
    """Codes of judgments, joined by `|`."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a figure is from: rows of the store by their keys, or how it follows from them."""

    what: str
    """The table, or the function that worked it out."""
    keys: tuple[str, ...] = ()
    how: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """One thing printed. The id says what it is of, and stays the same when it changes."""

    figure_id: str
    value: float | str | date
    unit: Unit
    source: Source
    unit_name: str = ""
    """Of a NUMBER: what it counts."""


Part = str | Figure


@dataclass(frozen=True, slots=True)
class Sentence:
    """Words and figures in the order of reading."""

    parts: tuple[Part, ...]

    @property
    def figures(self) -> tuple[Figure, ...]:
        return tuple(part for part in self.parts if isinstance(part, Figure))


def sentence(*parts: Part) -> Sentence:
    return Sentence(parts)


@dataclass(frozen=True, slots=True)
class Paragraph:
    sentences: tuple[Sentence, ...]


@dataclass(frozen=True, slots=True)
class Points:
    """A list of sentences, one a point."""

    sentences: tuple[Sentence, ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table. `numbers` are the columns that are set to the right."""

    headings: tuple[str, ...]
    rows: tuple[tuple[Part | None, ...], ...]
    numbers: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture by its id, with what is said below it; whoever shows the note draws it."""

    picture_id: str
    caption: str


Block = Paragraph | Points | Grid | Picture


@dataclass(frozen=True, slots=True)
class Section:
    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Note:
    """One day's note, and every figure that it may print, printed or not."""

    day: date
    title: str
    sections: tuple[Section, ...]
    spare: tuple[Figure, ...] = field(default=())
    """Figures that the reporter may put in by their ids."""
    made_from: str = ""
    """What all of it was made from, so that it can be made again; told with the sources."""

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
                case Paragraph(sentences) | Points(sentences):
                    for each in sentences:
                        yield from each.figures
                case Grid():
                    for row in block.rows:
                        yield from (cell for cell in row if isinstance(cell, Figure))
