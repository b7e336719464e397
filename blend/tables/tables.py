"""Files and DataFrames to raw rows, nothing interpreted yet.

A file that cannot be opened raises FileTrouble. What is in an opened file but cannot be made
into rows is a Problem of its table.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path

from blend.domain.columns import Table
from blend.errors import Caution, FileTrouble, InputRefused, Problem
from blend.tables.cells import Cell, is_blank, shown
from blend.tables.columns import TABLES
from blend.tables.layout import ColumnMap, RawTable, arranged, folded
from blend.tables.workbooks import MAX_ROWS, damage_as_trouble, open_book

MAX_BYTES = 20_000_000
"""No plant's day is that large: more is a slip, or meant to do harm."""

READABLE = (".csv", ".xlsx")
STARTER_BOOKS = ("plant.xlsx", "trade.xlsx", "report.xlsx")
"""Workbooks of several tables that `blend new` writes."""
OTHER_TYPES = (".xls", ".xlsm", ".xlsb", ".ods", ".tsv", ".numbers")
"""Not read; a table saved in one of these is reported, never ignored."""


@dataclass(slots=True)
class RawCase:
    """The tables found by name, and by table what is wrong with its file."""

    tables: dict[str, RawTable] = field(default_factory=dict)
    problems: dict[str, Problem] = field(default_factory=dict)
    warnings: list[Caution] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Overlaid:
    """A folder or workbook, some of its tables replaced by those in hand; without a path, those
    in hand alone.

    A table in hand without any row counts as one that is not there.
    """

    path: Path | None
    in_hand: Mapping[str, RawTable]


Source = str | Path | Overlaid
"""Where tables are read from: a folder, one workbook, or tables in hand."""


def read_tables(source: Source, tables: Mapping[str, Table] = TABLES) -> RawCase:
    """Raw rows of every one of `tables`; raise FileTrouble."""
    if not isinstance(source, Overlaid):
        return _read_path(Path(source), tables)
    others = {name: table for name, table in tables.items() if name not in source.in_hand}
    if source.path is None:
        case = RawCase(problems={n: _missing(n, t) for n, t in others.items() if t.required})
    else:
        case = _read_path(source.path, others) if others else RawCase()
    case.tables |= {
        name: raw
        for name, raw in source.in_hand.items()
        if name in tables and (raw.rows or tables[name].required)
    }
    return case


def _read_path(path: Path, tables: Mapping[str, Table]) -> RawCase:
    try:
        if path.is_dir():
            return _read_folder(path, tables)
        if path.is_file() and path.suffix.lower() == ".xlsx":
            return _read_case_workbook(path, tables)
        if path.is_file() and path.suffix.lower() == ".csv":
            return _read_one_table(path, tables)
        there_is = path.exists()
    except OSError as error:
        raise FileTrouble(f"{path}: {error.strerror}") from error
    if there_is:
        raise FileTrouble(
            f"{path}: not a plan folder. It must be a folder with lots.csv, products.csv and"
            " settings.csv, or one .xlsx workbook with sheets of these names."
        )
    raise FileTrouble(f"{path}: no such folder or workbook. Start with blend new or blend demo.")


def _read_one_table(path: Path, tables: Mapping[str, Table]) -> RawCase:
    """A file named after its table, or read for its only table."""
    name = path.stem.casefold() if len(tables) > 1 else next(iter(tables))
    if name not in tables:
        known = ", ".join(f"{each}.csv" for each in tables)
        raise FileTrouble(f"{path}: name the file after its table ({known}), or give its folder.")
    case = RawCase(tables={name: read_csv_table(path, path.name, tables[name])})
    others = {n: t for n, t in tables.items() if n != name and t.required}
    case.problems |= {n: _missing(n, t) for n, t in others.items()}
    return case


def _missing(name: str, table: Table, label: str = "", fault: str = "missing") -> Problem:
    from blend.tables.starter import starter_of

    about = f"{table.about[0].lower()}{table.about[1:]}"
    hint = f"It holds {about} Add it; for an empty one: blend new FOLDER{starter_of(name)}."
    return Problem(label or name, None, None, fault, "", hint)


def refuse_empty(table: Table) -> None:
    """Raise InputRefused for a table without rows that a question cannot do without."""
    raise InputRefused([_missing(table.name, table, f"{table.name}.csv", "missing or empty")])


def holds_table(source: str | Path, name: str) -> bool:
    """Whether a folder or workbook has the table; raise FileTrouble for a broken workbook."""
    path = Path(source)
    if path.is_dir():
        files = [each for each in path.iterdir() if each.suffix.lower() in READABLE]
        books = [each for each in files if each.name.casefold() in STARTER_BOOKS]
        return any(each.stem.casefold() == name for each in files) or any(
            holds_table(book, name) for book in books
        )
    if not path.is_file():
        return False
    if path.suffix.lower() == ".csv":
        return path.stem.casefold() == name
    return any(
        s.casefold() == name for s in _Workbook(_bytes_of(path, path.name), path.name).sheets()
    )


def stray_tables(folder: Path, known: Iterable[str]) -> tuple[Caution, ...]:
    """One caution for each table file of a folder that no command reads."""
    found = []
    # One nearly named like a table is reported when that table is read.
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        stem = path.stem.casefold()
        is_table = path.suffix.lower() in READABLE + OTHER_TYPES and path.is_file()
        is_table = is_table and path.name.casefold() not in (*STARTER_BOOKS, COLUMN_MAP)
        near = get_close_matches(stem, [name for name in known if name in TABLES], 1, 0.8)
        if is_table and stem not in known and not near and not path.name.startswith((".", "~")):
            like = next((name for name in known if stem.startswith(name)), None)
            advice = f"Is it a copy of {like}?" if like else "blend guide columns lists the names."
            found.append(Caution(path.name, None, None, "not read: no table has this name", advice))
    return tuple(found)


def read_csv_table(
    path: Path, file: str, table: Table | None = None, confirmed: ColumnMap | None = None
) -> RawTable:
    """Raw rows of one CSV file, which messages name `file`; raise FileTrouble.

    With `table`, the file may be a plant's own sheet, as `layout` reads it.
    """
    text = _decoded(_bytes_of(path, file), file)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    raw = raw_table(file, rows)
    return raw if table is None else arranged(raw, table, confirmed)


COLUMN_MAP = "column_map.csv"
"""Next to a plant's own sheets: which of their headings are which columns."""
COLUMN_MAP_HEADER = ("table", "heading", "column", "unit")


def column_map(folder: Path) -> ColumnMap:
    """The headings confirmed in a folder; none where it has no column map. Raise FileTrouble."""
    path = folder / COLUMN_MAP
    if not path.is_file():
        return {}
    _, *rows = csv.reader(io.StringIO(_decoded(_bytes_of(path, COLUMN_MAP), COLUMN_MAP)))
    if any(len(row) != len(COLUMN_MAP_HEADER) for row in rows):
        header = ", ".join(COLUMN_MAP_HEADER)
        raise FileTrouble(f"{COLUMN_MAP}: each row needs {header}. Or delete the file.")
    return {(table, folded(heading)): (column, unit) for table, heading, column, unit in rows}


# Which file or sheet holds which table -------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Naming:
    """How tables are named where they are looked for: as files of a folder, or as sheets."""

    thing: str
    ending: str
    place: str = ""

    def label(self, name: str) -> str:
        return f"{self.place}{name}"


def _pick(
    tables: Mapping[str, Table],
    naming: _Naming,
    stem_by_name: dict[str, str],
    unread: dict[str, str],
) -> tuple[RawCase, dict[str, str]]:
    """Pick the one file or sheet of each table; refuse what is missing, twice or misnamed.

    `unread` has, by table, a file of a type that is not read.
    """
    named: dict[str, list[str]] = {table: [] for table in tables}
    nearly: dict[str, list[str]] = {table: [] for table in tables}
    for name, stem in stem_by_name.items():
        near = get_close_matches(stem.casefold(), tables, 1, 0.8)
        if near:
            (named if near[0] == stem.casefold() else nearly)[near[0]].append(name)

    def misnamed(table: str, name: str) -> Problem:
        hint = f"Is it {table}? Name it {table}{naming.ending}."
        return Problem(naming.label(name), None, None, "not a name of a table", "", hint)

    def ignored(read: str, name: str) -> Caution:
        fact = f"this {naming.thing} is not read, as {read} is there"
        return Caution(naming.label(name), None, None, fact, "Is it an older one?")

    case, picked = RawCase(), {}
    for table in tables:
        names = named[table]
        if len(names) == 1:
            picked[table] = names[0]
            case.warnings += [ignored(names[0], name) for name in nearly[table]]
        elif names:
            value = f"{' and '.join(names)} are both there"
            hint = f"Keep one {naming.thing}."
            case.problems[table] = Problem(naming.label(names[0]), None, None, value, "", hint)
        elif nearly[table]:
            case.problems[table] = misnamed(table, nearly[table][0])
        elif table in unread:
            hint = f"Save it as {table}.csv or {table}.xlsx."
            label = naming.label(unread[table])
            case.problems[table] = Problem(label, None, None, "this type is not read", "", hint)
        elif tables[table].required:
            label = naming.label(f"{table}{naming.ending}")
            case.problems[table] = _missing(table, tables[table], label)
    return case, picked


def _read_folder(folder: Path, tables: Mapping[str, Table]) -> RawCase:
    paths = sorted(path for path in folder.iterdir() if path.is_file())
    stems = {path.name: path.stem for path in paths if path.suffix.lower() in READABLE}
    unread = {
        path.stem.casefold(): path.name for path in paths if path.suffix.lower() in OTHER_TYPES
    }
    if not stems and not unread and any(table.required for table in tables.values()):
        raise FileTrouble(f"{folder}: no tables here. Start with blend new or blend demo.")
    confirmed = column_map(folder)
    case, picked = _pick(tables, _Naming("file", ".csv"), stems, unread)
    for table, name in picked.items():
        path = folder / name
        if path.suffix.lower() == ".csv":
            case.tables[table] = read_csv_table(path, name, tables[table], confirmed)
        else:
            case.tables[table] = _read_table_workbook(path, tables[table], confirmed)
    _add_books(case, paths, tables)
    return case


def _read_table_workbook(path: Path, table: Table, confirmed: ColumnMap) -> RawTable:
    workbook = _Workbook(_bytes_of(path, path.name), path.name, confirmed)
    sheets = workbook.sheets()
    own = [sheet for sheet in sheets if sheet.casefold() == table.name] or sheets
    if len(own) == 1:
        return workbook.table(own[0], path.name, table)
    value = f"sheets {shown(', '.join(sheets))}" if sheets else "no sheet"
    problem = Problem(path.name, None, None, value, "", f"Name one of them {table.name}.")
    return RawTable(path.name, problems=(problem,))


def _read_case_workbook(path: Path, tables: Mapping[str, Table]) -> RawCase:
    confirmed = column_map(path.parent)
    workbook = _Workbook(_bytes_of(path, path.name), path.name, confirmed)
    naming = _Naming("sheet", "", f"{path.name} sheet ")
    case, picked = _pick(tables, naming, {sheet: sheet for sheet in workbook.sheets()}, {})
    for table, sheet in picked.items():
        case.tables[table] = workbook.table(sheet, naming.label(sheet), tables[table])
    return case


def _add_books(case: RawCase, paths: Iterable[Path], tables: Mapping[str, Table]) -> None:
    """Add the tables of starter workbooks in a folder; a file of its own goes first."""
    optional = {name: replace(table, required=False) for name, table in tables.items()}
    for path in paths:
        if path.name.casefold() in STARTER_BOOKS:
            book = _read_case_workbook(path, optional)
            case.problems = book.problems | case.problems
            case.warnings += book.warnings
            for name, raw in book.tables.items():
                if name in case.tables:
                    fact = f"this sheet is not read, as {case.tables[name].file} is there"
                    case.warnings.append(Caution(raw.file, None, None, fact, "Is it an older one?"))
                else:
                    case.tables[name] = raw
                    case.problems.pop(name, None)


# CSV -----------------------------------------------------------------------------------------


def _bytes_of(path: Path, file: str) -> bytes:
    try:
        with path.open("rb") as opened:
            data = opened.read(MAX_BYTES + 1)
    except OSError as error:
        raise FileTrouble(f"{file}: {error.strerror}") from error
    if len(data) > MAX_BYTES:
        raise FileTrouble(f"{file}: larger than {MAX_BYTES // 1_000_000} MB")
    return data


def _decoded(data: bytes, file: str) -> str:
    try:
        return data.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FileTrouble(
            f"{file}: byte {error.start} (line {line}) is not UTF-8. Save it as CSV UTF-8."
        ) from error


def _delimiter(text: str) -> str:
    """Spreadsheets set to decimal commas put semicolons between cells."""
    header = next((line for line in io.StringIO(text, newline=None) if line.strip()), "")
    return max((",", ";", "\t"), key=header.count)


def raw_table(file: str, rows: Iterable[Iterable[Cell]], ends_early: bool = False) -> RawTable:
    """Rows as a table, blank ones left out, numbered from 1."""
    kept: list[tuple[int, tuple[Cell, ...]]] = []
    problems: tuple[Problem, ...] = ()
    number = 0
    try:
        for number, cells in enumerate(map(tuple, rows), 1):
            if number > MAX_ROWS:
                value = f"more than {MAX_ROWS:,} rows"
                problems = (Problem(file, number, None, value, "", "Split the table."),)
                break
            if not all(map(is_blank, cells)):
                kept.append((number, cells))
    except csv.Error as error:
        problem = Problem(
            file,
            number + 1,
            None,
            f"cannot be split into cells ({error})",
            "",
            "Look for a quotation mark that is not closed.",
        )
        problems = (problem,)
    return RawTable(file, tuple(kept), ends_early, problems)


# XLSX ----------------------------------------------------------------------------------------


class _Workbook:
    """One workbook and its tables; raise FileTrouble."""

    def __init__(self, data: bytes, file: str, confirmed: ColumnMap | None = None) -> None:
        self._confirmed = confirmed
        self._file = file
        self._book = open_book(data, file)

    def sheets(self) -> list[str]:
        return self._book.sheets()

    def table(self, sheet: str, file: str, table: Table) -> RawTable:
        content = self._book.content(sheet)
        with damage_as_trouble(self._file):
            raw = raw_table(file, content.rows, ends_early=True)
            if not content.is_visible:
                fact = "this hidden sheet is read"
                raw = replace(
                    raw, cautions=(Caution(file, None, None, fact, "Unhide it to check."),)
                )
            raw = replace(raw, merged=content.merged, hidden=content.hidden)
            return arranged(raw, table, self._confirmed)
