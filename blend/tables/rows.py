"""Raw rows to rows of values, each cell read by its column and each fault told with its place."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import lru_cache, partial
from typing import Any

from blend.errors import Problem, did_you_mean, meant
from blend.tables.cells import Cell, CellRefused, is_blank, parse_cell, shown
from blend.tables.columns import Column, Table
from blend.tables.tables import RawCase, RawTable

MAX_PROBLEMS = 1_000
"""Of one table; nobody reads on, and a hostile file could hold millions."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row: the values of its sound cells, and which columns were filled in at all."""

    number: int
    values: dict[str, Any]
    filled: frozenset[str]

    def __getitem__(self, column: str) -> Any:
        return self.values[column]

    def __contains__(self, column: str) -> bool:
        return column in self.values


@dataclass(slots=True)
class Sheet:
    """A table as read: its rows, and what is wrong with it so far.

    `has_every_id` tells whether the ids in `rows` are all that the user wrote, so that
    "there is no such product" can be said with certainty.
    """

    table: Table
    file: str
    rows: list[Row] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    has_every_id: bool = True

    def refuse(
        self, row: int | None, column: str | None, read: str, allowed: str, hint: str = ""
    ) -> None:
        self.problems.append(Problem(self.file, row, column, read, allowed, hint))

    def is_whole(self, row: Row) -> bool:
        """Whether every cell of the row is sound."""
        return len(row.values) == len(self.table.columns)

    @property
    def has_sound_ids(self) -> bool:
        """Whether every id is read and none is refused, so that what lacks a row surely does.

        A misspelt id would else be told of twice: as unknown, and as missing where it is meant.
        """
        refused = (problem.column for problem in self.problems)
        return self.has_every_id and self.table.id_column not in refused

    def ids(self) -> dict[str, Row]:
        return {row[self.table.id_column]: row for row in self.rows if self.table.id_column in row}

    def sorted_problems(self) -> list[Problem]:
        """By row, then by column as the table has them."""
        names = (None, *self.table.column_names)

        def place(problem: Problem) -> tuple[int, int]:
            known = problem.column in names
            return problem.row or 0, names.index(problem.column) if known else len(names)

        return sorted(self.problems, key=place)


def read_sheet(raw: RawTable, table: Table) -> Sheet:
    """The rows of a table; what is wrong with its header and cells is in `problems`."""
    sheet = Sheet(table, raw.file, problems=list(raw.problems), has_every_id=not raw.problems)
    if not raw.rows:
        if not raw.problems:
            sheet.refuse(None, None, "nothing", "a header row with the names of the columns")
            sheet.has_every_id = False
        return sheet
    (header_number, header), *rows = raw.rows
    places = _read_header(sheet, header_number, header)
    if not places:
        sheet.has_every_id = False
        return sheet
    if not rows and table.required and not raw.problems:
        sheet.refuse(None, None, "a header and no row", "at least one row")
    width = _width(header)
    _refuse_nameless_columns(sheet, header_number, header, rows)
    seen: dict[str, int] = {}
    parse = _row_parser(table.columns, tuple(places.items()))
    for number, cells in rows:
        if len(sheet.problems) >= MAX_PROBLEMS:
            sheet.refuse(number, None, f"{MAX_PROBLEMS} problems above", "none", "Mend them first.")
            sheet.has_every_id = False
            break
        if _width(cells) > width or (len(cells) < width and not raw.ends_early):
            _refuse_ragged(sheet, number, max(_width(cells), len(cells)), width)
            row = _read_id(table, number, cells, places)
        else:
            row = _read_row(sheet, number, cells, parse)
        _note_id(sheet, row, seen)
        sheet.rows.append(row)
    return sheet


def problems_in_order(
    raw: RawCase, sheets: Mapping[str, Sheet], tables: Iterable[str]
) -> list[Problem]:
    """What is wrong with several tables, in the order of the tables."""
    problems = []
    for table in tables:
        if table in raw.problems:
            problems.append(raw.problems[table])
        elif table in sheets:
            problems += sheets[table].sorted_problems()
    return problems


# The header ----------------------------------------------------------------------------------


def _width(cells: tuple[Cell, ...]) -> int:
    """Cells up to the last that is filled."""
    places = range(len(cells), 0, -1)
    return next((place for place in places if not is_blank(cells[place - 1])), 0)


def _read_header(sheet: Sheet, number: int, header: tuple[Cell, ...]) -> dict[str, int]:
    """Where each known column stands; faults of the header go to the sheet."""
    names = [" ".join(shown(cell).split()).lower() for cell in header[: _width(header)]]
    table = sheet.table
    missing = [
        column.name for column in table.columns if column.required and column.name not in names
    ]
    if not set(names) & set(table.column_names):
        sheet.refuse(
            number,
            None,
            shown(", ".join(names)),
            f"a header with {', '.join(missing)}",
            "The first row names the columns.",
        )
        return {}
    places: dict[str, int] = {}
    found = set()
    for place, name in enumerate(names):
        if is_blank(header[place]):
            continue
        if name in places:
            sheet.refuse(number, name, "this column twice", "each column once")
        elif name in table.column_names:
            places[name] = place
        else:
            near = meant(name, table.column_names)
            found.update(near if len(near) == 1 else ())
            hint = did_you_mean(name, table.column_names) or _columns_of(table)
            sheet.refuse(number, name, "an unknown column", "the columns of the table", hint)
    for name in missing:
        if name not in found:
            sheet.refuse(number, name, "no such column", table.column(name).allowed)
    return places


def _columns_of(table: Table) -> str:
    return f"They are {', '.join(table.column_names)}."


def _refuse_nameless_columns(
    sheet: Sheet,
    number: int,
    header: tuple[Cell, ...],
    rows: list[tuple[int, tuple[Cell, ...]]],
) -> None:
    for place in range(_width(header)):
        if is_blank(header[place]) and any(
            place < len(cells) and not is_blank(cells[place]) for _, cells in rows
        ):
            sheet.refuse(number, None, f"no name above column {place + 1}", "a name above each")


def _refuse_ragged(sheet: Sheet, number: int, cells: int, width: int) -> None:
    hint = "A comma inside a cell needs quotation marks around it." if cells > width else ""
    sheet.refuse(number, None, f"{cells} cells", f"{width}, as the header has", hint)


def _read_id(table: Table, number: int, cells: tuple[Cell, ...], places: dict[str, int]) -> Row:
    """Of a ragged row only the id is sure to stand where it should, and only if it is first."""
    values = {}
    if places.get(table.id_column) == 0:
        with suppress(CellRefused):
            values[table.id_column] = parse_cell(table.column(table.id_column), cells[0])
    return Row(number, values, frozenset())


# The rows ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _ParsedRow:
    values: Mapping[str, Any]
    filled: frozenset[str]
    refused: tuple[tuple[str, str, str, str], ...]
    """Column, what was read, what is allowed, and a hint."""


_ParseRow = Callable[[tuple[Cell, ...]], _ParsedRow]


@lru_cache(64)
def _row_parser(columns: tuple[Column, ...], places: tuple[tuple[str, int], ...]) -> _ParseRow:
    """Parses rows under one header. A row of texts that was parsed before is not parsed again:
    tables that are edited are read after every edit, and nearly all of their rows are as before."""
    place_of = dict(places)
    # most cells of a column stand in many of its rows; 1, 1.0 and True are equal and not the same
    kept = lru_cache(_CELLS_KEPT, typed=True)
    parsers = tuple((each, kept(partial(parse_cell, each))) for each in columns)

    def parse(cells: tuple[Cell, ...]) -> _ParsedRow:
        return _parse_row(parsers, place_of, cells)

    parse_texts = lru_cache(_ROWS_KEPT)(parse)
    # other cells may be equal and not the same: 1, 1.0 and True
    return lambda cells: (parse_texts if _are_texts(cells) else parse)(cells)


_ROWS_KEPT = 4_000
_CELLS_KEPT = 500


def _are_texts(cells: tuple[Cell, ...]) -> bool:
    return all(type(cell) is str for cell in cells)


def _parse_row(
    parsers: tuple[tuple[Column, Callable[[Cell], Any]], ...],
    places: Mapping[str, int],
    cells: tuple[Cell, ...],
) -> _ParsedRow:
    values: dict[str, Any] = {}
    filled, refusals = set(), []
    for column, parse in parsers:
        if column.name not in places:
            # A missing required column has been told of once, by the header.
            if not column.required:
                values[column.name] = column.default
            continue
        place = places[column.name]
        cell = cells[place] if place < len(cells) else None
        if not is_blank(cell):
            filled.add(column.name)
        try:
            values[column.name] = parse(cell)
        except CellRefused as refused:
            allowed = refused.allowed or column.allowed
            refusals.append((column.name, shown(cell), allowed, refused.hint))
    return _ParsedRow(values, frozenset(filled), tuple(refusals))


def _read_row(sheet: Sheet, number: int, cells: tuple[Cell, ...], parse: _ParseRow) -> Row:
    parsed = parse(cells)
    for refused in parsed.refused:
        sheet.refuse(number, *refused)
    return Row(number, dict(parsed.values), parsed.filled)


def _note_id(sheet: Sheet, row: Row, seen: dict[str, int]) -> None:
    """Ids that differ in capitals only count as the same, as selectors take them to be."""
    name = sheet.table.id_column
    if name not in row:
        sheet.has_every_id = False
        return
    row_id = row[name]
    first = seen.setdefault(row_id.casefold(), row.number)
    if first != row.number:
        sheet.refuse(row.number, name, row_id, f"each {name} once", f"Row {first} has it already.")
