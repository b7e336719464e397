"""Tables and lines for a terminal, as wide as the terminal is."""

from __future__ import annotations

import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from itertools import zip_longest

import click

from blend.output.formats import Format, format_of, in_shown_units, printable
from blend.output.frames import DataFrame

_GUTTER = 2
_NARROWEST = 8
_NARROWEST_FIRST = 18
"""The first column names the row: cut shorter, products would look alike. Not for wrapped cells."""


def width() -> int:
    """Columns of the terminal; 80 in a pipe. COLUMNS overrides both."""
    return max(40, shutil.get_terminal_size((80, 24)).columns)


def has_color() -> bool:
    """Color only where a person looks at it: a terminal, and NO_COLOR not set."""
    return not os.environ.get("NO_COLOR") and sys.stdout.isatty()


def strong(text: str) -> str:
    return click.style(text, bold=True) if has_color() else text


def warn(text: str) -> str:
    return click.style(text, fg="yellow") if has_color() else text


def wrapped(text: str, indent: str = "") -> str:
    """A sentence or more, broken to the terminal's width."""
    return textwrap.fill(printable(text), width(), subsequent_indent=indent)


def watch(warnings: Iterable[str]) -> str:
    """The WATCH block: one line or two for each thing to act on."""
    lines = [warn(wrapped(f"! {each}", "  ")) for each in warnings]
    return "\n".join(["WATCH", *lines]) if lines else ""


def with_sections(
    first: Iterable[str], sections: Collection[str], offered: Mapping[str, Callable[[], str]]
) -> str:
    """The first screen, then the sections asked for, and a closing line that names the others.

    Parts of the first screen that are empty are left out; the last one may hold a caution.
    """
    asked = [name for name in offered if name in sections or "all" in sections]
    rest = [f"--{name}" for name in offered if name not in asked]
    more = [wrapped(f"More: {' '.join(rest)}, or --all.", "  ")] if rest else []
    shown = ["\n".join(filter(None, [*first, *([] if asked else more)]))]
    shown += [offered[name]() for name in asked]
    return "\n\n".join(shown + (more if asked else []))


def headed(text: str) -> str:
    """A screen with its first sentence in bold."""
    if text.startswith("\x1b"):
        return text
    return re.sub(r"\A\S.*?(?=\. |\n|\Z)", lambda found: strong(found[0]), text)


def blocks(
    first: Iterable[str], sections: Collection[str], offered: Mapping[str, Callable[[], str]]
) -> str:
    """As `with_sections`, for a first screen of blocks that are set apart by blank lines."""
    first = "\n\n".join(filter(None, first))
    return with_sections([first], sections, offered)


def listed(frame: DataFrame, name: str, words: str, *, title: str) -> str:
    """Two columns as lines of their own, "name: words", for words too long for a table."""
    rows = frame[[name, words]].itertuples(index=False, name=None)
    return "\n".join([strong(title), *(wrapped(f"{one}: {text}", "  ") for one, text in rows)])


def with_values(frame: DataFrame) -> list[str]:
    """The columns that say something: not all blank, not all zero."""
    return [name for name in frame.columns if not (frame[name].isna() | (frame[name] == 0)).all()]


def table(
    frame: DataFrame,
    columns: Sequence[str] | None = None,
    *,
    title: str = "",
    note: str = "",
    wraps: bool = False,
) -> str:
    """A frame as text, its columns shown by the format map, with totals where they mean something.

    `columns` picks and orders them. Columns of words are cut short, or broken into lines where
    the table `wraps`, and headings broken, to fit the terminal; numbers never are. What still
    does not fit goes into further blocks below, each with the first column.
    """
    names = [name for name in (columns or list(frame.columns)) if name in frame.columns]
    frame = in_shown_units(frame[names])
    names = list(frame.columns)
    formats = [format_of(name) for name in names]
    rows = [
        [each.text(value) for each, value in zip(formats, row, strict=True)]
        for row in frame.itertuples(index=False, name=None)
    ]
    parts = [strong(title)] if title else []
    if rows:
        totals = _totals(frame, names, formats) if len(rows) > 1 else None
        parts += _grid(formats, rows, totals, wraps)
    if note:
        parts.append(wrapped(note))
    return "\n".join(parts)


def _totals(frame: DataFrame, names: Sequence[str], formats: Sequence[Format]) -> list[str] | None:
    if not any(each.is_summed for each in formats):
        return None
    sums = [
        each.text(frame[name].round(each.decimals or 0).sum()) if each.is_summed else ""
        for name, each in zip(names, formats, strict=True)
    ]
    return ["Total", *sums[1:]]


def _grid(
    formats: Sequence[Format], rows: list[list[str]], totals: list[str] | None, wraps: bool
) -> list[str]:
    body = rows + ([totals] if totals else [])
    cells = [max(map(len, column)) for column in zip(*body, strict=True)]
    heads = [_heading(each, room) for each, room in zip(formats, cells, strict=True)]
    widths = [max(room, *map(len, head)) for room, head in zip(cells, heads, strict=True)]
    floors = _floors(widths, formats, heads, _NARROWEST if wraps else _NARROWEST_FIRST)
    lines: list[str] = []
    for block in _blocks(floors):
        kept = [widths[index] for index in block]
        _squeeze(kept, [floors[index] for index in block])
        lines += [""] if lines else []
        lines += _block(block, kept, formats, heads, rows, totals, wraps)
    return lines


def _blocks(floors: Sequence[int]) -> list[list[int]]:
    """Columns by block: as many as fit the terminal, the first column in front of each."""
    blocks = [[0]]
    for index in range(1, len(floors)):
        if sum(floors[each] + _GUTTER for each in blocks[-1]) + floors[index] > width():
            blocks.append([0])
        blocks[-1].append(index)
    return blocks


def _block(
    block: Sequence[int],
    widths: Sequence[int],
    every_format: Sequence[Format],
    every_head: Sequence[list[str]],
    rows: list[list[str]],
    totals: list[str] | None,
    wraps: bool,
) -> list[str]:
    def own(cells: Sequence[str]) -> list[str]:
        return [cells[index] for index in block]

    formats = [every_format[index] for index in block]
    heads = [every_head[index] for index in block]
    height = max(map(len, heads))
    lines = [
        _line([([""] * (height - len(head)) + head)[row] for head in heads], widths, formats)
        for row in range(height)
    ]
    for row in map(own, rows):
        lines += _wrapped_row(row, widths, formats) if wraps else [_line(row, widths, formats)]
    if totals and any(own(totals)[1:]):
        lines += ["-" * min(width(), sum(widths) + _GUTTER * (len(widths) - 1))]
        lines += [_line(own(totals), widths, formats)]
    return lines


def _heading(format_: Format, room: int) -> list[str]:
    """The heading on two lines or more where it is wider than its column; the unit below it."""
    words = textwrap.wrap(format_.heading, max(room, _NARROWEST), break_long_words=False) or [""]
    return [*words, format_.unit] if format_.unit else words


def _floors(
    widths: Sequence[int],
    formats: Sequence[Format],
    heads: Sequence[Sequence[str]],
    narrowest_first: int,
) -> list[int]:
    """The narrowest each column may be: numbers as they are, words cut down to a few letters."""
    fewest = [narrowest_first, *[_NARROWEST] * (len(widths) - 1)]
    return [
        wide if each.decimals is not None else min(wide, max(few, *map(len, head)))
        for wide, each, head, few in zip(widths, formats, heads, fewest, strict=True)
    ]


def _squeeze(widths: list[int], floors: Sequence[int]) -> None:
    """Take columns of words down to their floors until the line fits."""
    room = width() - _GUTTER * (len(widths) - 1)
    while sum(widths) > room:
        spare = [index for index, floor in enumerate(floors) if widths[index] > floor]
        if not spare:
            return
        widths[max(spare, key=widths.__getitem__)] -= 1


def _wrapped_row(
    cells: Sequence[str], widths: Sequence[int], formats: Sequence[Format]
) -> list[str]:
    parts = [textwrap.wrap(cell, room) or [""] for cell, room in zip(cells, widths, strict=True)]
    return [_line(row, widths, formats) for row in zip_longest(*parts, fillvalue="")]


def _line(cells: Sequence[str], widths: Sequence[int], formats: Sequence[Format]) -> str:
    shown = [
        f"{_cut(cell, room):<{room}}" if each.decimals is None else f"{cell:>{room}}"
        for cell, room, each in zip(cells, widths, formats, strict=True)
    ]
    return (" " * _GUTTER).join(shown).rstrip()


def _cut(text: str, room: int) -> str:
    return text if len(text) <= room else text[: room - 1] + "…"
