"""Tables as text for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from tabulate import MIN_PADDING, SEPARATING_LINE, tabulate

from blend.show.shown import ShownTable, squeezed

WIDTH = 110
_GUTTER = 2
_HEADING = 9
_NARROWEST = 10
"""No column of words is squeezed below this, or below the longest word of its heading."""


def tables_text(tables: Iterable[ShownTable], width: int = WIDTH) -> str:
    """Tables one below the other."""
    return "\n\n".join(table_text(table, width) for table in tables)


def table_text(table: ShownTable, width: int = WIDTH) -> str:
    """One table: title, rows, totals, note; at most `width` characters wide where its numbers
    leave room for its words."""
    parts = [f"{table.title}\n{'=' * len(table.title)}"]
    if table.rows:
        parts.append(_grid(table, width))
    if table.note:
        parts.append(textwrap.fill(table.note, width))
    return "\n".join(parts)


def _grid(table: ShownTable, width: int) -> str:
    texts = [_texts(table, row) for row in table.rows]
    totals = [] if table.totals is None else [_texts(table, table.totals)]
    heads = [f"{c.name}\n{c.unit}".strip() for c in table.columns]
    widths = _widths(table, heads, texts + totals, width)
    rows = [_wrapped(row, widths) for row in texts]
    if totals:
        rows += [SEPARATING_LINE, _wrapped(totals[0], widths)]
    return tabulate(
        rows,
        headers=_wrapped(heads, [room - MIN_PADDING for room in widths]) if any(heads) else (),
        tablefmt="simple" if any(heads) else "plain",
        colalign=[column.align for column in table.columns],
        disable_numparse=True,
    )


def _texts(table: ShownTable, row: tuple) -> list[str]:
    return [column.text(cell) for column, cell in zip(table.columns, row, strict=True)]


def _widths(table: ShownTable, heads: list[str], rows: list[list[str]], width: int) -> list[int]:
    """Natural widths; columns of words are squeezed until all fit, at first only so far that
    lines break between words. Headings break to fit `_HEADING`; tabulate pads them."""
    natural, between_words, within_words = [], [], []
    for column, head, *texts in zip(table.columns, heads, *rows, strict=True):
        longest_of_head = max(map(len, head.split()), default=0) + MIN_PADDING
        broken = _wrapped([head], [max(_HEADING, longest_of_head - MIN_PADDING)])[0]
        widest = max(*map(len, texts), *(len(line) + MIN_PADDING for line in broken.split("\n")))
        longest = max((len(word) for text in texts for word in text.split()), default=0)
        is_words = column.align == "left"
        natural.append(widest)
        between_words.append(max(longest, longest_of_head, _NARROWEST) if is_words else widest)
        within_words.append(max(_NARROWEST, longest_of_head) if is_words else widest)
    room = width - _GUTTER * (len(natural) - 1)
    return squeezed(squeezed(natural, between_words, room), within_words, room)


def _wrapped(texts: list[str], widths: list[int]) -> list[str]:
    return [
        "\n".join(piece for line in text.split("\n") for piece in textwrap.wrap(line, room) or [""])
        for text, room in zip(texts, widths, strict=True)
    ]
