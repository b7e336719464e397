"""Raw rows to rows of values: each cell read by its column, each fault listed with its place."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from functools import lru_cache, partial
from typing import Any, TypeVar

from blend.domain.columns import Column, Table, either, made
from blend.errors import Caution, InputRefused, Problem, did_you_mean, meant
from blend.tables.cells import Cell, CellRefused, PriceWithUnit, is_blank, parse_cell, shown
from blend.tables.layout import RawRow, RawTable
from blend.tables.tables import Source, read_tables

MAX_PROBLEMS = 1_000
"""Of one table; nobody reads on, and a hostile file could hold millions."""

NOTES = "notes"
"""A column for people that any table may have; nothing reads it."""
NO_ROWS = "no rows under the header"
EXAMPLE = "EXAMPLE"
"""A row whose notes begin with this word is not read."""
EXAMPLES_LEFT = "{count} example row{s} left out. Delete them when your own rows are in."

Record = TypeVar("Record")


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

    def has(self, *columns: str) -> bool:
        """Whether all of these cells are sound."""
        return all(column in self.values for column in columns)


@dataclass(slots=True)
class Sheet:
    """A table as read: its rows, and what is wrong with it so far.

    `has_every_id` says whether the ids in `rows` are all that the user wrote, so that
    "there is no such product" can be said for sure.
    """

    table: Table
    file: str
    rows: list[Row] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    has_every_id: bool = True
    cautions: list[Caution] = field(default_factory=list)

    def refuse(
        self, row: int | None, column: str | None, value: str, required: str = "", hint: str = ""
    ) -> None:
        self.problems.append(Problem(self.file, row, column, value, required, hint))

    def refuse_unknown(self, row: Row, column: str, known: Collection[str], table: str) -> None:
        """Refuse ids, one or several in the cell, that the other table does not have."""
        if column not in row:
            return
        cell = row[column]
        for name in (cell,) if isinstance(cell, str) else cell:
            if name not in known:
                required = either(sorted(known)) if 0 < len(known) <= 8 else f"an id of {table}"
                self.refuse(row.number, column, name, required, did_you_mean(name, sorted(known)))

    def refuse_unused(
        self, row: Row, used: Collection[str], columns: Iterable[str], why: str
    ) -> None:
        """Refuse filled cells of `columns` that do not apply to this kind of row."""
        for name in columns:
            if name in row and name in row.filled and name not in used:
                self.refuse(row.number, name, shown(words_of(row[name])), f"blank: {why}")

    def refuse_missing(self, row: Row, needed: Iterable[str], why: str) -> None:
        for name in needed:
            if name not in row.filled:
                hint = f"Enter {self.table.column(name).enter_when_blank}."
                self.refuse(row.number, name, f"blank, but {why}", hint=hint)

    def refuse_unordered(self, low: str, high: str) -> None:
        """Refuse rows whose value of `high` is under that of `low`."""
        for row in self.rows:
            if row.has(low, high) and None not in (row[low], row[high]) and row[low] > row[high]:
                required = f"{low} ({self.typed(low, row[low])}) or more"
                if not isinstance(row[low], int | float):
                    required = f"{low} ({row[low]}) or later"
                self.refuse(row.number, high, self.typed(high, row[high]), required)

    def typed(self, column: str, value: Any) -> str:
        """A value of a column as a person types it."""
        is_number = isinstance(value, int | float)
        return self.table.column(column).typed(value) if is_number else str(value)

    def is_whole(self, row: Row) -> bool:
        """Whether every cell of the row is sound."""
        return len(row.values) == len(self.table.columns)

    def whole_rows(self) -> list[Row]:
        return list(filter(self.is_whole, self.rows))

    @property
    def has_sound_ids(self) -> bool:
        """Whether every id is read and none is refused, so that a missing row is certain.

        A misspelled id would otherwise be listed twice: as unknown, and as missing.
        """
        refused = (problem.column for problem in self.problems)
        return self.has_every_id and self.table.id_column not in refused

    def ids(self) -> dict[str, Row]:
        return {row[self.table.id_column]: row for row in self.rows if self.table.id_column in row}

    def sorted_problems(self) -> list[Problem]:
        """By row, then by column in the order of the table."""
        names = (None, *self.table.column_names)

        def place(problem: Problem) -> tuple[int, int]:
            known = problem.column in names
            return problem.row or 0, names.index(problem.column) if known else len(names)

        return sorted(self.problems, key=place)

    def raise_problems(self) -> None:
        if self.problems:
            raise InputRefused(self.sorted_problems())

    def records(self, kind: type[Record]) -> tuple[Record, ...]:
        return tuple(made(kind, row.values) for row in self.rows)


def words_of(value: Any) -> str:
    if isinstance(value, tuple | frozenset):
        return "|".join(sorted(value))
    return f"{value:,.10g}" if isinstance(value, float) else str(value)


class Sheets:
    """Tables read together, and everything wrong with them. Raises FileTrouble."""

    def __init__(self, source: Source, tables: Mapping[str, Table]) -> None:
        self.tables = tables
        self.raw = read_tables(source, tables)
        self.by_name = {
            name: read_sheet(table, tables[name]) for name, table in self.raw.tables.items()
        }

    def __contains__(self, name: str) -> bool:
        return name in self.by_name

    def __getitem__(self, name: str) -> Sheet:
        return self.by_name[name]

    def get(self, name: str) -> Sheet | None:
        return self.by_name.get(name)

    def rows(self, name: str) -> list[Row]:
        return self.by_name[name].rows if name in self.by_name else []

    def records(self, name: str, kind: type[Record]) -> tuple[Record, ...]:
        return self.by_name[name].records(kind) if name in self.by_name else ()

    @property
    def problems(self) -> list[Problem]:
        """In the order of the tables, then of rows and columns."""
        found: list[Problem] = []
        for name in self.tables:
            if name in self.raw.problems:
                found.append(self.raw.problems[name])
            elif name in self.by_name:
                found += self.by_name[name].sorted_problems()
        return found

    def raise_problems(self, *before: Problem) -> None:
        problems = [*before, *self.problems]
        if problems:
            raise InputRefused(problems)

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """About files that were not read, and columns that were not."""
        return (
            *self.raw.warnings,
            *(each for sheet in self.by_name.values() for each in sheet.cautions),
        )


def read_sheet(raw: RawTable, table: Table) -> Sheet:
    """The rows of a table; what is wrong with its header and cells is in `problems`."""
    sheet = Sheet(table, raw.file, problems=list(raw.problems), has_every_id=not raw.problems)
    sheet.cautions += raw.cautions
    if not raw.rows:
        if not raw.problems:
            sheet.refuse(None, None, "empty", hint="Enter a header row with the column names.")
            sheet.has_every_id = False
        return sheet
    (header_number, header), *rows = raw.rows
    places = _read_header(sheet, header_number, header)
    if not places:
        sheet.has_every_id = False
        return sheet
    rows = _without_examples(sheet, header, rows)
    if not rows and table.required and not raw.problems:
        sheet.refuse(None, None, NO_ROWS, hint="Enter at least one row.")
    width = _width(header)
    _refuse_nameless_columns(sheet, header_number, header, rows)
    seen: dict[str, int] = {}
    parse = _row_parser(table.columns, tuple(places.items()))
    for number, cells in rows:
        if len(sheet.problems) >= MAX_PROBLEMS:
            sheet.refuse(number, None, f"{MAX_PROBLEMS:,} problems above", hint="Fix them first.")
            sheet.has_every_id = False
            break
        if _width(cells) > width or (len(cells) < width and not raw.ends_early):
            _refuse_ragged(sheet, number, max(_width(cells), len(cells)), width)
            row = _read_id(table, number, cells, places)
        else:
            row = _read_row(sheet, number, cells, parse)
        _note_id(sheet, row, seen)
        sheet.rows.append(row)
    _settle_price_units(sheet, places)
    return sheet


def _without_examples(sheet: Sheet, header: tuple[Cell, ...], rows: list[RawRow]) -> list[RawRow]:
    """The rows but those that say that they are an example."""
    names = [_name_of(cell) for cell in header]
    if NOTES not in names or NOTES in sheet.table.column_names:
        return rows
    place = names.index(NOTES)
    examples = [
        number
        for number, cells in rows
        if place < len(cells) and str(cells[place] or "").lstrip().upper().startswith(EXAMPLE)
    ]
    for number in examples:
        caution = Caution(
            sheet.file,
            number,
            None,
            f"the example row of {sheet.table.name} is not read",
            "Delete it.",
            EXAMPLES_LEFT,
        )
        sheet.cautions.append(caution)
    return [row for row in rows if row[0] not in examples]


def _settle_price_units(sheet: Sheet, places: Mapping[str, int]) -> None:
    """Each price gets its unit, from the cell itself or from the column of units."""
    for column in sheet.table.columns:
        if column.unit_column:
            without = [row for row in sheet.rows if not _has_unit(sheet, row, column)]
            if column.unit_column in places:
                numbers: list[int | None] = [row.number for row in without]
            else:
                numbers = [None] if without else []
            choices = either(sheet.table.column(column.unit_column).choices)
            for number in numbers:
                value = "blank" if number else "no such column"
                hint = f"Enter {choices}, or the unit with the price, such as $214/cwt."
                sheet.refuse(number, column.unit_column, value, hint=hint)


def _has_unit(sheet: Sheet, row: Row, column: Column) -> bool:
    """Settle the unit of one price; False where there is none."""
    if not row.has(column.name, column.unit_column):
        return True  # a fault of either is listed already
    price, unit = row[column.name], row[column.unit_column]
    own = price.unit if isinstance(price, PriceWithUnit) else None
    if own and unit and own != unit:
        value = f"a price in {own}, but {column.unit_column} is {unit}"
        sheet.refuse(row.number, column.name, value, hint="Enter one unit.")
        del row.values[column.unit_column]
        return True
    if own or unit:
        row.values[column.unit_column] = own or unit
        return True
    del row.values[column.unit_column]
    return False


# The header ----------------------------------------------------------------------------------


def _name_of(cell: Cell) -> str:
    return "" if is_blank(cell) else " ".join(shown(cell).split()).lower()


def _width(cells: tuple[Cell, ...]) -> int:
    """Cells up to the last that is filled."""
    places = range(len(cells), 0, -1)
    return next((place for place in places if not is_blank(cells[place - 1])), 0)


def _read_header(sheet: Sheet, number: int, header: tuple[Cell, ...]) -> dict[str, int]:
    """Where each known column is; faults of the header go to the sheet."""
    names = [_name_of(cell) for cell in header[: _width(header)]]
    table = sheet.table
    missing = [
        column.name for column in table.columns if column.required and column.name not in names
    ]
    if not set(names) & set(table.column_names):
        hint = f"The first row must name the columns: {', '.join(missing)}."
        sheet.refuse(number, None, f'no header, but "{shown(", ".join(names))}"', hint=hint)
        return {}
    places: dict[str, int] = {}
    found: set[str] = set()
    extra = []
    for place, name in enumerate(names):
        if is_blank(header[place]):
            continue
        is_known = name in table.column_names
        likely = () if is_known else meant(name, table.column_names)
        near = [each for each in likely if _is_near(name, each, missing)]
        if name in places:
            sheet.refuse(number, name, "this column is there twice", hint="Delete one.")
        elif is_known:
            places[name] = place
        elif near and name != NOTES:
            found.update(near if len(near) == 1 else ())
            sheet.refuse(number, name, "unknown column", hint=f"Did you mean {either(near)}?")
        elif name != NOTES:
            extra.append(name)
    if extra:
        fact = f"not read: {', '.join(extra)}"
        sheet.cautions.append(Caution(sheet.file, number, None, fact, "Extra columns are ignored."))
    for name in missing:
        if name not in found:
            hint = f"Add it: {table.column(name).about}."
            sheet.refuse(number, name, "no such column", hint=hint)
    return places


def _is_near(name: str, column: str, missing: Collection[str]) -> bool:
    """Whether a heading is a misspelled or shortened column, and not an extra one."""
    said, asked = (set(re.split(r"[\W_]+", each)) for each in (name, column))
    if column in missing or said <= asked:
        return True
    return not said > asked and SequenceMatcher(None, name, column).ratio() >= 0.75


def _refuse_nameless_columns(
    sheet: Sheet, number: int, header: tuple[Cell, ...], rows: list[tuple[int, tuple[Cell, ...]]]
) -> None:
    for place in range(_width(header)):
        if is_blank(header[place]) and any(
            place < len(cells) and not is_blank(cells[place]) for _, cells in rows
        ):
            sheet.refuse(number, None, f"no name above column {place + 1}", hint="Enter one.")


def _refuse_ragged(sheet: Sheet, number: int, cells: int, width: int) -> None:
    hint = "Put quotation marks around a cell with a comma in it."
    if cells < width:
        hint = f"Add {'commas' if width - cells > 1 else 'a comma'} for the cells left empty."
    sheet.refuse(number, None, f"{cells} cells, but the header has {width}", hint=hint)


def _read_id(table: Table, number: int, cells: tuple[Cell, ...], places: dict[str, int]) -> Row:
    """Of a ragged row only the id is surely in its place, and only if it comes first."""
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
    """Column, value, what is required, and a hint."""


_ParseRow = Callable[[tuple[Cell, ...]], _ParsedRow]


@lru_cache(64)
def _row_parser(columns: tuple[Column, ...], places: tuple[tuple[str, int], ...]) -> _ParseRow:
    """Parses rows under one header. A row of texts that was parsed before is not parsed again:
    tables that are edited are read after every edit, and nearly all of their rows are as before."""
    place_of = dict(places)
    # most cells of a column are in many of its rows; 1, 1.0 and True are equal and not the same
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
            # the header has listed a missing required column already
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
            refusals.append((column.name, *refused.words(column, cell)))
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
        sheet.refuse(row.number, name, f"{row_id} is in row {first} too", hint="Use each once.")
