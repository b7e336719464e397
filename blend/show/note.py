"""The note as a Markdown draft that a reporter edits, and as a page that is printed.

Both are made from the same draft: the page is the draft's words, each figure looked up again.
A figure whose text is no longer what the store gives is marked, never silently put right, as
the words around it may no longer be right either.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.resources import files

from jinja2 import Environment, Template
from markupsafe import Markup

from blend.errors import Problem
from blend.reporter.note import (
    Block,
    Figure,
    Grid,
    Note,
    Paragraph,
    Part,
    Picture,
    Points,
    Source,
)
from blend.show.amounts import printable
from blend.show.figures import cell_text, figure_text, weekday_words
from blend.show.marked import anchor, literal, to_html
from blend.show.shown import ShownColumn, ShownTable, shown_table

APPENDIX = "Where the numbers are from"
_MAX_KEYS = 60
_APPENDIX_LINE = f"## {APPENDIX}"
_CITED = re.compile(r"!?\[(?:\\.|[^\]\\])*\]\(#[^)\s]+\)")
_LOOKS_LIKE_A_FIGURE = re.compile(r"\d+\.\d+|\d{1,3}(?:,\d{3})+|\d+(?:\.\d+)? ?%")


# The draft ---------------------------------------------------------------------------------------


def draft_of(note: Note) -> str:
    """The note in Markdown: figures as `[342.50](#id)`, at the end where each is from."""
    blocks = [f"# {literal(note.title)}", f"*{weekday_words(note.day)}*"]
    for section in note.sections:
        blocks.append(f"## {literal(section.heading)}")
        blocks += map(_block_text, section.blocks)
    blocks.append(_appendix_text(note))
    return "\n\n".join(blocks) + "\n"


def _block_text(block: Block) -> str:
    match block:
        case Paragraph(sentences):
            return "\n".join(_sentence_text(each.parts) for each in sentences)
        case Points(sentences):
            return "\n".join(f"- {_sentence_text(each.parts)}" for each in sentences)
        case Picture(picture_id, caption):
            return f"![{literal(caption)}](#{anchor(picture_id)})"
        case Grid():
            return _grid_text(block)


def _sentence_text(parts: Iterable[Part]) -> str:
    return "".join(
        _cited(part, figure_text(part)) if isinstance(part, Figure) else literal(printable(part))
        for part in parts
    )


def _cited(figure: Figure, text: str) -> str:
    return f"[{literal(text)}](#{anchor(figure.figure_id)})"


def cited(figure: Figure) -> str:
    """The figure as it stands in a sentence of a draft."""
    return _cited(figure, figure_text(figure))


def figures_table(note: Note) -> ShownTable:
    """Every figure of the note by its id, and where it is from."""
    columns = (ShownColumn("Id"), ShownColumn("Figure"), ShownColumn("From"))
    rows = [
        (each.figure_id, figure_text(each), _source_words(each.source))
        for each in note.figures.values()
    ]
    return shown_table("Figures of the note", columns, rows)


def _grid_text(grid: Grid) -> str:
    rules = ["--:" if index in grid.numbers else ":--" for index in range(len(grid.headings))]
    rows = [[_cell(cell) for cell in row] for row in grid.rows]
    lines = [list(map(literal, grid.headings)), rules, *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def _cell(cell: Part | None) -> str:
    if cell is None:
        return ""
    return _cited(cell, cell_text(cell)) if isinstance(cell, Figure) else literal(printable(cell))


def _appendix_text(note: Note) -> str:
    numbers, rows = _numbered(note.figures.values())
    sources = [f"- S{number}: {literal(_source_words(each))}" for each, number in numbers.items()]
    lines = [f"| {literal(row.figure_id)} | {literal(row.text)} | S{row.source} |" for row in rows]
    return "\n\n".join(
        (
            _APPENDIX_LINE,
            "*Written anew at every printing: what is edited below this line is lost.*",
            literal(note.made_from),
            "\n".join(("| Id | Figure | From |", "| :-- | :-- | :-- |", *lines)),
            "\n".join(sources),
        )
    )


# The appendix ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Row:
    figure_id: str
    text: str
    source: int

    @property
    def anchor(self) -> str:
        return anchor(self.figure_id)


def _numbered(figures: Iterable[Figure]) -> tuple[dict[Source, int], list[_Row]]:
    """Figures with the number of where they are from; what is from the same shares one."""
    numbers: dict[Source, int] = {}
    rows = []
    for each in figures:
        number = numbers.setdefault(each.source, len(numbers) + 1)
        rows.append(_Row(each.figure_id, figure_text(each), number))
    return numbers, rows


def _source_words(source: Source) -> str:
    more = f" and {len(source.keys) - _MAX_KEYS} more" if len(source.keys) > _MAX_KEYS else ""
    keys = f": {', '.join(source.keys[:_MAX_KEYS])}{more}" if source.keys else ""
    return printable(f"{source.how}; {source.what}{keys}" if source.how else f"{source.what}{keys}")


# The page ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Page:
    """The page, and what in the draft does not agree with the store."""

    html: str
    problems: tuple[Problem, ...]


def page_of(
    note: Note,
    pictures: Mapping[str, bytes],
    *,
    draft: str | None = None,
    draft_name: str = "draft",
    signed_by: str = "",
) -> Page:
    """The note as a page that stands alone, its SVG pictures within.

    `draft` is the reporter's text, if it was edited: its words are kept. Every figure in it is
    held against the note; those that differ or are not known are marked and told. The name of
    who signs is left out where there are any.
    """
    text = draft_of(note) if draft is None else draft
    text = text.partition(f"\n{_APPENDIX_LINE}")[0]
    check = _Check(note.figures, pictures, draft_name)
    body = to_html(text, check.figure, check.picture)
    check.find_unsourced(text)
    numbers, rows = _numbered(note.figures[each] for each in check.cited)
    html = _template().render(
        title=note.title,
        body=body,
        problems=check.problems,
        signed_by="" if check.problems else signed_by,
        appendix=APPENDIX,
        made_from=note.made_from,
        rows=rows,
        sources=[(number, _source_words(each)) for each, number in numbers.items()],
    )
    return Page(html, tuple(check.problems))


def _template() -> Template:
    source = files("blend.show").joinpath("templates/note.html").read_text("utf-8")
    return Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(source)


class _Check:
    """Looks figures and pictures up while the page is made, and keeps what does not agree."""

    def __init__(
        self, figures: Mapping[str, Figure], pictures: Mapping[str, bytes], file: str
    ) -> None:
        self._figures, self._pictures, self._file = figures, pictures, file
        self.problems: list[Problem] = []
        self.cited: dict[str, None] = {}

    def figure(self, figure_id: str, text: str, line: int) -> Markup:
        known = self._figures.get(figure_id)
        if known is None:
            self._tell(line, figure_id, text, "the id of a figure that the store gives")
            return Markup('<mark title="no such figure">%s</mark>') % text
        self.cited[figure_id] = None
        link = Markup('<a href="#%s">%s</a>') % (anchor(figure_id), text)
        if text in (figure_text(known), cell_text(known)):
            return link
        self._tell(line, figure_id, text, f"{figure_text(known)}, as the store has it now")
        return Markup('<mark title="the store has %s">%s</mark>') % (figure_text(known), link)

    def picture(self, picture_id: str, text: str, line: int) -> Markup:
        if picture_id not in self._pictures:
            self._tell(line, picture_id, text, "the id of a picture of the note")
            return Markup("<p><mark>%s</mark></p>") % text
        data = base64.b64encode(self._pictures[picture_id]).decode("ascii")
        return Markup(
            '<figure><img src="data:image/svg+xml;base64,%s" alt="%s">'
            "<figcaption>%s</figcaption></figure>"
        ) % (data, text, text)

    def find_unsourced(self, text: str) -> None:
        """Tell of numbers in the reporter's own words that no figure stands behind."""
        for line, words in enumerate(text.splitlines(), start=1):
            for found in _LOOKS_LIKE_A_FIGURE.findall(_CITED.sub("", words)):
                self._tell(line, None, found, "a figure by its id, such as [342.50](#id)")

    def _tell(self, line: int, column: str | None, read: str, allowed: str) -> None:
        self.problems.append(Problem(self._file, line, column, read or "nothing", allowed))
