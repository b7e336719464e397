"""The note as a Markdown draft that a reporter edits, as a page to print, and its sources.

Draft and page are made from the same note: the page is the draft's words, each figure looked up
again. A figure whose text is no longer what the store gives is marked, never silently fixed, as
the words around it may no longer be right either. Sources and ids are a file of their own.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from jinja2 import Environment
from markupsafe import Markup

from blend.errors import Problem
from blend.output.answer import Answer
from blend.output.formats import day, long_day, printable
from blend.output.frames import DataFrame, frame
from blend.output.screen import wrapped
from blend.reporter.marked import anchor, literal, to_html
from blend.reporter.note import (
    Block,
    Figure,
    Grid,
    Note,
    Paragraph,
    Part,
    Picture,
    Sentence,
    Source,
)

_CITED = re.compile(r"!?\[(?:\\.|[^\[\]\\])*\]\(#[^()\[\s]+\)")
_LOOKS_LIKE_A_FIGURE = re.compile(
    r"\$\d[\d,]*(?:\.\d+)?|\d+\.\d+|\d{1,3}(?:,\d{3})+|\d+(?:\.\d+)? ?%"
)


@dataclass(frozen=True)
class WrittenNote(Answer):
    """A note and where it was saved; its screen is the lead."""

    note: Note
    saved: tuple[str, ...] = ()

    @property
    def tables(self) -> Mapping[str, DataFrame]:
        return {"figures": figures_frame(self.note)}

    @property
    def figures(self) -> Mapping[str, Any]:
        return {"day": self.note.day, "title": self.note.title, "lead": self.lead}

    @property
    def lead(self) -> str:
        """The first section as plain text, a paragraph a line."""
        paragraphs = [each for each in self.note.sections[0].blocks if isinstance(each, Paragraph)]
        return "\n".join(" ".join(map(_plain_text, each.sentences)) for each in paragraphs)

    def screen(self, sections: Collection[str] = ()) -> str:
        title = f"{self.note.title}  {long_day(self.note.day)}"
        paragraphs = map(wrapped, self.lead.splitlines())
        saved = self.saved or ("Nothing saved. For the draft: --out note.md.",)
        return "\n\n".join((title, *paragraphs, "\n".join(saved)))


def _plain_text(sentence: Sentence) -> str:
    parts = (part.text if isinstance(part, Figure) else printable(part) for part in sentence.parts)
    return "".join(parts)


# The draft ---------------------------------------------------------------------------------------


def draft_of(note: Note) -> str:
    """The note in Markdown, its figures as `[$342.50](#id)`."""
    blocks = [f"# {literal(note.title)}", f"*{note.day:%A}, {day(note.day)}*"]
    for section in note.sections:
        blocks += [f"## {literal(section.heading)}"] if section.heading else []
        blocks += map(_block_text, section.blocks)
    return "\n\n".join(blocks) + "\n"


def _block_text(block: Block) -> str:
    match block:
        case Paragraph(sentences):
            return "\n".join("".join(map(_part_text, each.parts)) for each in sentences)
        case Picture(picture_id, caption):
            return f"![{literal(caption)}](#{anchor(picture_id)})"
        case Grid(headings, rows, numbers):
            rules = ["--:" if index in numbers else ":--" for index in range(len(headings))]
            cells = [["" if cell is None else _part_text(cell) for cell in row] for row in rows]
            lines = [list(map(literal, headings)), rules, *cells]
            return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def _part_text(part: Part) -> str:
    return cited(part) if isinstance(part, Figure) else literal(printable(part))


def cited(figure: Figure) -> str:
    """The figure as it is in a draft."""
    return f"[{literal(figure.text)}](#{anchor(figure.figure_id)})"


# The sources -------------------------------------------------------------------------------------


def figures_frame(note: Note) -> DataFrame:
    """Every figure of the note by its id, and where it is from."""
    rows = [(each.figure_id, each.text, str(each.source)) for each in note.figures.values()]
    return frame(("figure_id", "figure", "source"), rows)


def sources_text(note: Note) -> str:
    """Every figure of the note with its id and source, as Markdown."""
    numbers = _numbered(note.figures.values())
    rows = [
        f"| {literal(each.figure_id)} | {literal(each.text)} | S{numbers[each.source]} |"
        for each in note.figures.values()
    ]
    sources = [f"- S{number}: {literal(str(each))}" for each, number in numbers.items()]
    return "\n\n".join(
        (
            f"# Sources: {literal(note.title)}, {day(note.day)}",
            "To put a figure into the note: \\[$342.50\\](#id).",
            literal(note.made_from),
            "\n".join(("| Id | Figure | From |", "| :-- | :-- | :-- |", *rows)),
            "\n".join(sources) + "\n",
        )
    )


def sources_page(note: Note) -> str:
    """The same as a page that the note's figures lead to."""
    numbers = _numbered(note.figures.values())
    rows = [
        (anchor(each.figure_id), each.figure_id, each.text, numbers[each.source])
        for each in note.figures.values()
    ]
    sources = [(number, str(each)) for each, number in numbers.items()]
    return _rendered("sources.html", note=note, day=day(note.day), rows=rows, sources=sources)


def _numbered(figures: Iterable[Figure]) -> dict[Source, int]:
    """Figures from the same place share one number."""
    numbers: dict[Source, int] = {}
    for each in figures:
        numbers.setdefault(each.source, len(numbers) + 1)
    return numbers


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
    sources: str = "",
    calls: Sequence[str] = (),
) -> Page:
    """The note as a self-contained page with its SVG charts.

    `draft` is the reporter's text, if it was edited: its words are kept. Every figure in it is
    checked against the note; those that differ or are not known are marked and listed, and
    nobody's name is put to the page. `sources` is the address of the page of sources; `calls`
    are the signer's calls in words.
    """
    text = draft_of(note) if draft is None else draft
    check = _Check(note.figures, pictures, draft_name, sources)
    body = to_html(text, check.figure, check.picture)
    check.find_unsourced(text)
    signed_by = "" if check.problems else signed_by
    html = _rendered(
        "note.html", title=note.title, body=body, problems=check.problems, signed_by=signed_by,
        made_from=note.made_from, sources=sources, calls=calls,
    )  # fmt: skip
    return Page(html, tuple(check.problems))


def _rendered(template: str, **values: object) -> str:
    source = files("blend.reporter").joinpath("templates", template).read_text("utf-8")
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(source).render(**values)


class _Check:
    """Looks figures and charts up while the page is made, and keeps what does not agree."""

    def __init__(
        self, figures: Mapping[str, Figure], pictures: Mapping[str, bytes], file: str, sources: str
    ) -> None:
        self._figures, self._pictures = figures, pictures
        self._file, self._sources = file, sources
        self.problems: list[Problem] = []

    def figure(self, figure_id: str, text: str, line: int) -> Markup:
        known = self._figures.get(figure_id)
        if known is None:
            self._report(line, figure_id, text, "the id of a figure that the store gives")
            return Markup('<mark title="no such figure">%s</mark>') % text
        link = Markup('<a href="%s#%s">%s</a>') % (self._sources, anchor(figure_id), text)
        if text in known.texts:
            return link
        self._report(line, figure_id, text, f"{known.text}, as the store has it now")
        return Markup('<mark title="the store has %s">%s</mark>') % (known.text, link)

    def picture(self, picture_id: str, text: str, line: int) -> Markup:
        if picture_id not in self._pictures:
            self._report(line, picture_id, text, "the id of a chart of the note")
            return Markup("<p><mark>%s</mark></p>") % text
        data = base64.b64encode(self._pictures[picture_id]).decode("ascii")
        return Markup(
            '<figure><img src="data:image/svg+xml;base64,%s" alt="%s">'
            "<figcaption>%s</figcaption></figure>"
        ) % (data, text, text)

    def find_unsourced(self, text: str) -> None:
        """List numbers in the reporter's own words that no figure is behind."""
        for line, words in enumerate(text.splitlines(), start=1):
            for found in _LOOKS_LIKE_A_FIGURE.findall(_CITED.sub("", words)):
                self._report(line, None, found, "a figure by its id, such as [$342.50](#id)")

    def _report(self, line: int, column: str | None, read: str, allowed: str) -> None:
        self.problems.append(Problem(self._file, line, column, read or "nothing", allowed))
