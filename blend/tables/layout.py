"""A plant's own sheet as it is: where its header is, what its headings mean, what is no row.

Whatever is guessed, left out or filled in is reported, and what is unclear is refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from blend.domain.columns import Column, Kind, Table
from blend.errors import Caution, Problem
from blend.tables.cells import Cell, is_blank, shown

RawRow = tuple[int, tuple[Cell, ...]]

_HEADER_WITHIN = 20
"""Rows in which a header is looked for."""


@dataclass(frozen=True, slots=True)
class RawTable:
    """Rows that are not blank, each with its number in the sheet; the first is the header.

    With `ends_early` a row may be shorter than the header, as in XLSX, where trailing blanks
    are not kept. `merged` has ranges such as N4:N7, `hidden` the numbers of hidden rows.
    """

    file: str
    rows: tuple[RawRow, ...] = ()
    ends_early: bool = False
    problems: tuple[Problem, ...] = ()
    cautions: tuple[Caution, ...] = ()
    merged: tuple[str, ...] = ()
    hidden: tuple[int, ...] = ()
    guesses: tuple[tuple[str, str, str], ...] = ()
    """Heading, column and unit of each heading that was guessed."""


ColumnMap = Mapping[tuple[str, str], tuple[str, str]]
"""By table and heading, the column that a user has confirmed, and the unit of its numbers."""


def arranged(raw: RawTable, table: Table, confirmed: ColumnMap | None = None) -> RawTable:
    """The table with its header first and its columns under their own names.

    Headings that are `confirmed` need no guess, and none is reported.
    """
    if not raw.rows:
        return raw
    own = {h: to for (name, h), to in (confirmed or {}).items() if name == table.name}
    place = _header_place(raw.rows, table, own)
    header_number, header = raw.rows[place]
    report = _Report(raw.file)
    if place:
        report.caution(
            raw.rows[0][0], f"header found in row {header_number}", "Rows above it are not read."
        )
    meanings = dict(_meanings(header, table, own))
    names = tuple(meanings[at].column if at in meanings else cell for at, cell in enumerate(header))
    guessed = [
        f'"{shown(header[at])}" as {each.column}' for at, each in meanings.items() if each.is_guess
    ]
    if guessed:
        report.caution(
            header_number,
            f"read {', '.join(guessed)}",
            "If right, save it: blend check --save-columns.",
        )
    own_rows = list(_without_page_breaks(raw.rows[place + 1 :], header, report))
    rows = [list(cells) for _, cells in own_rows]
    numbers = [number for number, _ in own_rows]
    _fill_merged(raw.merged, names, header_number, numbers, rows, report)
    kept = [
        (number, tuple(_with_units(cells, meanings)))
        for number, cells in zip(numbers, rows, strict=True)
        if not _is_total(cells, number, report)
    ]
    hidden = [number for number in raw.hidden if number in numbers]
    if hidden:
        rows_are = "hidden row is" if len(hidden) == 1 else "hidden rows are"
        report.caution(hidden[0], f"{len(hidden)} {rows_are} read", "Unhide to check.")
    return replace(
        raw,
        rows=((header_number, names), *kept),
        problems=(*raw.problems, *report.problems),
        cautions=(*raw.cautions, *report.cautions),
        merged=(),
        hidden=(),
        guesses=tuple(
            (shown(header[at]), each.column, each.unit)
            for at, each in meanings.items()
            if each.is_guess
        ),
    )


@dataclass(slots=True)
class _Report:
    file: str
    problems: list[Problem] = field(default_factory=list)
    cautions: list[Caution] = field(default_factory=list)

    def caution(self, row: int, fact: str, advice: str) -> None:
        self.cautions.append(Caution(self.file, row, None, fact, advice))


# Headings ------------------------------------------------------------------------------------


_Confirmed = Mapping[str, tuple[str, str]]


@dataclass(frozen=True, slots=True)
class _Meaning:
    """What a heading means: a column, and the unit of its numbers, such as /cwt."""

    column: str
    unit: str = ""
    is_guess: bool = False


def _header_place(rows: tuple[RawRow, ...], table: Table, own: _Confirmed) -> int:
    """The row among the first with the most known headings, the first of several."""
    counts = [len(dict(_meanings(cells, table, own))) for _, cells in rows[:_HEADER_WITHIN]]
    best = max(counts)
    return counts.index(best) if best > max(1, counts[0]) else 0


def _meanings(
    header: tuple[Cell, ...], table: Table, own: _Confirmed
) -> Iterator[tuple[int, _Meaning]]:
    """The columns that headings mean, by place; of two for one column only the exact one."""
    texts = ["" if is_blank(cell) else " ".join(shown(cell).split()) for cell in header]
    exact = {text.lower() for text in texts} & set(table.column_names)
    taken: set[str] = set()
    for place, text in enumerate(texts):
        if text.lower() in exact:
            yield place, _Meaning(text.lower())
        elif text:
            column, unit = own.get(folded(text), ("", ""))
            meaning = _Meaning(column, unit) if column else _meaning_of(text, table)
            if meaning is not None and meaning.column not in exact | taken:
                taken.add(meaning.column)
                yield place, meaning


_UNIT_IN_HEADING = re.compile(
    r"(?P<base>.*?)\s*\(?(?P<coin>\$|usd|us\$|cents|¢)?\s*(?:/|\bper )\s*(?P<per>cwt|lb|kg)s?\.?\)?"
)


def _meaning_of(heading: str, table: Table) -> _Meaning | None:
    words = folded(heading)
    for column in table.columns:
        if words == folded(column.name):
            return _Meaning(column.name)
        if words in map(folded, column.headings):
            return _Meaning(column.name, is_guess=True)
    found = _UNIT_IN_HEADING.fullmatch(heading.lower())
    if found is None:
        return None
    base = folded(found["base"].strip(" $("))
    unit = f" cents/{found['per']}" if found["coin"] in ("cents", "¢") else f"/{found['per']}"
    for column in table.columns:
        if column.kind in (Kind.PRICE, Kind.MONEY) and base in _bases(column):
            return _Meaning(column.name, unit, is_guess=True)
    return None


def folded(text: str) -> str:
    """Without capitals and marks: "Lot #" and "lot_no." become "lot #" and "lot no"."""
    return " ".join(re.sub(r"[_.\-:*]+", " ", text.casefold()).split())


def _bases(column: Column) -> set[str]:
    """What a heading that ends in a unit may begin with."""
    name = re.sub(r"_?(usd_)?per_(cwt|lb|kg)|_usd$", "", column.name)
    bare = {""} if column.kind is Kind.PRICE else set()
    return {folded(name), *map(folded, column.headings)} | bare


def _with_units(cells: list[Cell], meanings: dict[int, _Meaning]) -> Iterator[Cell]:
    """Numbers under a heading that names their unit, with that unit."""
    for place, cell in enumerate(cells):
        unit = meanings[place].unit if place in meanings else ""
        is_number = isinstance(cell, int | float) and not isinstance(cell, bool)
        is_digits = isinstance(cell, str) and cell.strip()[-1:].isdigit()
        yield f"{shown(cell)}{unit}" if unit and (is_number or is_digits) else cell


# Rows ----------------------------------------------------------------------------------------


def _without_page_breaks(
    rows: Iterable[RawRow], header: tuple[Cell, ...], report: _Report
) -> Iterator[RawRow]:
    """The rows without the header printed again, and without a lone title such as "Page 2" right
    above it."""
    title: RawRow | None = None
    own = _texts(header)
    for number, cells in rows:
        if own and _texts(cells) == own:
            above = f"{title[0]} and " if title is not None else ""
            rows_are = "rows" if above else "row"
            fact = f"{rows_are} {above}{number} repeat the header: not read"
            report.caution(number, fact, "Rows under them are read.")
            title = None
            continue
        if title is not None:
            yield title
            title = None
        if sum(not is_blank(cell) for cell in cells) == 1:
            title = number, cells
        else:
            yield number, cells
    if title is not None:
        yield title


def _texts(cells: tuple[Cell, ...]) -> list[str]:
    texts = ["" if is_blank(cell) else shown(cell).strip() for cell in cells]
    while texts and not texts[-1]:
        texts.pop()
    return texts


_TOTAL = re.compile(r"(grand |sub[ -]?)?totals?\b.*", re.IGNORECASE)


def _is_total(cells: list[Cell], number: int, report: _Report) -> bool:
    first = next((cell for cell in cells if not is_blank(cell)), None)
    if not (isinstance(first, str) and _TOTAL.fullmatch(first.strip())):
        return False
    report.caution(number, f'"{shown(first)}" is not read', "Rows of totals are left out.")
    return True


def _fill_merged(
    ranges: Iterable[str],
    names: tuple[Cell, ...],
    header_number: int,
    numbers: list[int],
    rows: list[list[Cell]],
    report: _Report,
) -> None:
    """Give each row the value of a cell merged down one column; refuse other merged cells.

    Only the first cell of a range holds the value: the others would be taken for blank, that
    is for no last day, for fresh, for no limit.
    """
    if not ranges:
        return
    from openpyxl.utils import range_boundaries

    for name in ranges:
        first_column, first_row, last_column, last_row = range_boundaries(name)
        columns = [
            shown(each) for each in names[first_column - 1 : last_column] if not is_blank(each)
        ]
        inside = [at for at, number in enumerate(numbers) if first_row <= number <= last_row]
        is_one_cell = (first_column, first_row) == (last_column, last_row)
        covers_header = first_row <= header_number <= last_row
        if is_one_cell or not columns or not (inside or covers_header):
            continue
        where = f"merged cells {name} ({', '.join(columns)}, rows {first_row} to {last_row})"
        if first_column != last_column or covers_header:
            hint = "Unmerge them and fill in each cell."
            row = header_number if covers_header else numbers[inside[0]]
            column = columns[0] if len(columns) == 1 else None
            report.problems.append(Problem(report.file, row, column, where, "", hint))
            continue
        at = first_column - 1
        top = numbers[inside[0]] == first_row
        value = rows[inside[0]][at] if top and at < len(rows[inside[0]]) else None
        for place in inside:
            rows[place] += [None] * (at + 1 - len(rows[place]))
            rows[place][at] = value
        report.caution(
            first_row, f"{where}: each row gets the value", "Unmerge them if that is wrong."
        )
