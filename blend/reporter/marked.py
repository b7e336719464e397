"""The little Markdown that a note's draft is written in, to HTML.

Headings, paragraphs, points (`- `), tables, `**strong**`, `*emphasis*`, `\\` before a sign that
is to stand as it is; and two of the note's own: `[342.50](#id)` is a figure by its id, and a line
`![what it shows](#id)` a picture. Anything else is text and is escaped, links and HTML among it:
a note holds nothing from outside.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from urllib.parse import quote_plus, unquote_plus

from markupsafe import Markup, escape

Put = Callable[[str, str, int], Markup]
"""HTML for a figure or picture: its id, the text in the brackets, the line it is in."""

_SIGNS = re.compile(r"([\\\[\]*|`<&_]|^[#!-])")
_INLINE = re.compile(
    r"\\(?P<sign>.)"
    r"|\[(?P<text>(?:\\.|[^\[\]\\])*)\]\(#(?P<id>[^()\[\s]+)\)"
    r"|\*\*(?P<strong>(?:\\.|[^*\\])+)\*\*"
    r"|\*(?P<emphasis>(?:\\.|[^*\\])+)\*"
)
_PICTURE = re.compile(r"!\[(?P<text>(?:\\.|[^\[\]\\])*)\]\(#(?P<id>[^()\[\s]+)\)\s*")
_HEADING = re.compile(r"(#{1,3})\s+(.*)")
_CELL_ENDS = re.compile(r"(?<!\\)\|")


def literal(text: str) -> str:
    """A text escaped so that it reads back unchanged."""
    return _SIGNS.sub(r"\\\1", text)


def unescaped(text: str) -> str:
    return re.sub(r"\\(.)", r"\1", text)


def anchor(an_id: str) -> str:
    """An id as it is written after `#`."""
    return quote_plus(an_id)


@dataclass(frozen=True, slots=True)
class _Block:
    line: int
    lines: tuple[str, ...]


def to_html(text: str, figure: Put, picture: Put) -> Markup:
    """HTML of a draft. `figure` and `picture` give the HTML of what is named by an id."""
    parts = [_block_html(block, figure, picture) for block in _blocks(text)]
    return Markup("\n").join(parts)


def _blocks(text: str) -> Iterator[_Block]:
    """Lines that belong together: headings and pictures alone, others up to a blank line."""
    held: list[str] = []
    begin = 1
    for number, line in enumerate(text.splitlines(), start=1):
        stands_alone = _HEADING.fullmatch(line) or _PICTURE.fullmatch(line)
        changes_kind = held and _kind(held[0]) != _kind(line)
        if held and (not line.strip() or stands_alone or changes_kind):
            yield _Block(begin, tuple(held))
            held = []
        if stands_alone:
            yield _Block(number, (line,))
        elif line.strip():
            if not held:
                begin = number
            held.append(line)
    if held:
        yield _Block(begin, tuple(held))


def _kind(line: str) -> str:
    if line.startswith("|"):
        return "table"
    return "points" if line.startswith(("- ", "  ")) else "paragraph"


def _block_html(block: _Block, figure: Put, picture: Put) -> Markup:
    first = block.lines[0]
    if found := _HEADING.fullmatch(first):
        level = len(found[1])
        return Markup(f"<h{level}>%s</h{level}>") % _inline(found[2], figure, block.line)
    if found := _PICTURE.fullmatch(first):
        return picture(unquote_plus(found["id"]), unescaped(found["text"]), block.line)
    match _kind(first):
        case "table":
            return _table(block, figure)
        case "points":
            return _points(block, figure)
    return Markup("<p>%s</p>") % _lines(block.lines, block.line, figure)


def _lines(lines: tuple[str, ...], begin: int, figure: Put) -> Markup:
    return Markup("\n").join(
        _inline(line.strip(), figure, number) for number, line in enumerate(lines, start=begin)
    )


def _points(block: _Block, figure: Put) -> Markup:
    items: list[Markup] = []
    for number, line in enumerate(block.lines, start=block.line):
        html = _inline(line.removeprefix("- ").strip(), figure, number)
        if line.startswith("- ") or not items:
            items.append(html)
        else:
            items[-1] += Markup("\n") + html
    points = Markup("\n").join(Markup("<li>%s</li>") % item for item in items)
    return Markup("<ul>\n%s\n</ul>") % points


def _table(block: _Block, figure: Put) -> Markup:
    rows = [_cells(line) for line in block.lines]
    ruled = len(rows) > 1 and all(re.fullmatch(r":?-+:?", cell) for cell in rows[1])
    right = [cell.endswith(":") for cell in rows[1]] if ruled else []

    def row_html(cells: list[str], number: int, tag: str) -> Markup:
        parts = []
        for index, cell in enumerate(cells):
            side = ' class="number"' if index < len(right) and right[index] else ""
            parts.append(Markup(f"<{tag}{side}>%s</{tag}>") % _inline(cell, figure, number))
        return Markup("<tr>%s</tr>") % Markup("").join(parts)

    body = [
        row_html(cells, block.line + index, "td")
        for index, cells in enumerate(rows)
        if not ruled or index > 1
    ]
    head = Markup("<thead>%s</thead>\n") % row_html(rows[0], block.line, "th") if ruled else ""
    return Markup("<table>\n%s<tbody>%s</tbody>\n</table>") % (head, Markup("\n").join(body))


def _cells(line: str) -> list[str]:
    *cells, last = _CELL_ENDS.split(line.strip().removeprefix("|"))
    return [cell.strip() for cell in (cells if cells and not last else [*cells, last])]


def _inline(text: str, figure: Put, line: int) -> Markup:
    parts: list[Markup] = []
    done = 0
    for found in _INLINE.finditer(text):
        parts.append(escape(text[done : found.start()]))
        done = found.end()
        if found["sign"] is not None:
            parts.append(escape(found["sign"]))
        elif found["id"] is not None:
            parts.append(figure(unquote_plus(found["id"]), unescaped(found["text"]), line))
        elif found["strong"] is not None:
            parts.append(Markup("<strong>%s</strong>") % _inline(found["strong"], figure, line))
        else:
            parts.append(Markup("<em>%s</em>") % _inline(found["emphasis"], figure, line))
    parts.append(escape(text[done:]))
    return Markup("").join(parts)
