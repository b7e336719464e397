"""Write tables: whole or not at all, and safe to open in a spreadsheet."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any, BinaryIO

from blend.domain.case import Case
from blend.domain.columns import SHARES, Column, Kind, Table, cells
from blend.domain.selectors import Selector
from blend.domain.stock import as_typed
from blend.files import check_place, filling, in_memory, replacing, write_bytes
from blend.tables.cells import neutralised
from blend.tables.columns import EVERY_TABLE, SETTING_COLUMNS, SETTINGS, TABLES
from blend.tables.standards import packaged_standards
from blend.tables.tables import COLUMN_MAP, COLUMN_MAP_HEADER, column_map, read_tables


def write_csv(path: str | Path, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Write one table as CSV, replacing the file at once or leaving it as it was.

    Text that a spreadsheet would take for a formula gets a leading apostrophe; numbers stay
    numbers. None is a blank cell, True and False are yes and no, collections are joined by
    `|`. Raise FileTrouble.
    """
    with (
        replacing(Path(path)) as unfinished,
        # with this mark at the start, spreadsheets see that the file is UTF-8
        unfinished.open("x", encoding="utf-8-sig", newline="") as file,
    ):
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows([_cell(value) for value in row] for row in rows)


def write_plain_workbook(
    path: str | Path, tables: Mapping[str, tuple[Sequence[str], Iterable[Sequence[Any]]]]
) -> None:
    """Write tables as sheets of one .xlsx workbook, cells as in `write_csv`; raise FileTrouble.

    `tables` has, by name, header and rows.
    """
    from openpyxl import Workbook

    def write(file: BinaryIO) -> None:
        book = Workbook(write_only=True)
        for name, (header, rows) in tables.items():
            sheet = book.create_sheet(name)
            sheet.append(list(header))
            for row in rows:
                sheet.append([_workbook_cell(value) for value in row])
        book.save(file)

    path = Path(path)
    check_place(path)
    write_bytes(path, in_memory(path, write))


def write_case(case: Case, folder: str | Path) -> tuple[Path, ...]:
    """Write a case as CSV, so that reading the folder gives the case again.

    Rows of built-in standards are left out, as the reader adds them. Return the files written.
    Raise FileTrouble.
    """
    packaged = packaged_standards() if case.standards else ()
    things = {
        "lots": [as_typed(lot, case.settings) for lot in case.lots],
        "products": case.products,
        "rules": case.rules,
        "losses": case.losses,
        "standards": [row for row in case.standards if row not in packaged],
    }
    tables = {name: records_table(TABLES[name], rows) for name, rows in things.items()}
    settings = _typed_cells(SETTING_COLUMNS.values(), cells(case.settings))
    tables["settings"] = (SETTINGS.column_names, list(settings.items()))
    return write_csv_tables(Path(folder), {name: tables[name] for name in TABLES})


def records_table(
    table: Table, things: Iterable[Any]
) -> tuple[Sequence[str], Iterable[Sequence[Any]]]:
    """Header and rows of records, in the units of the columns."""
    rows = (_typed_cells(table.columns, cells(thing)) for thing in things)
    return table.column_names, [[row[name] for name in table.column_names] for row in rows]


def _typed_cells(columns: Iterable[Column], values: Mapping[str, Any]) -> dict[str, Any]:
    """Values by column as people type them: shares as 90, small ones as 0.5%."""
    return {each.name: _typed(each, values[each.name]) for each in columns}


def _typed(column: Column, value: Any) -> Any:
    if value is None or column.kind not in SHARES:
        return value
    if column.kind is Kind.SHARES:
        return [str(_percent(each)) for each in value]
    return _percent(value)


def _percent(share: float) -> Decimal | str:
    """The percent that reads back as exactly this share; with a % where it could be misread."""
    percent = 100 * Decimal(repr(share))
    return percent if percent > 1 or percent == 0 else f"{percent.normalize():f}%"


def write_csv_tables(
    folder: Path, tables: Mapping[str, tuple[Sequence[str], Iterable[Sequence[Any]]]]
) -> tuple[Path, ...]:
    """Write tables into a folder as CSV, all of them or none, as `write_csv` does each.

    `tables` has, by name, header and rows. The folder is made where it is missing. Return the
    files written. Raise FileTrouble.
    """
    with filling(folder) as place:
        for name, (header, rows) in tables.items():
            write_csv(place / f"{name}.csv", header, rows)
    return tuple(folder / f"{name}.csv" for name in tables)


def _workbook_cell(value: Any) -> Any:
    return float(value) if isinstance(value, Decimal) else _cell(value)


def _cell(value: Any) -> Any:
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case Decimal():
            return f"{value.normalize():f}"
        case float() if value.is_integer():
            return int(value)
        case int() | float():
            return value
        case date():
            return value.isoformat()
        case set() | frozenset():
            return neutralised("|".join(sorted(value)))
        case tuple() | list():
            return neutralised("|".join(value))
        case Selector() | str():
            return neutralised(str(value))
    raise TypeError(f"no cell for {type(value).__name__}")


def save_column_map(source: Path) -> Path | None:
    """Confirm what was guessed of the headings of a folder or workbook, in a column map next to
    it; None where nothing was guessed. Raise FileTrouble."""
    folder = source if source.is_dir() else source.parent
    optional = {name: replace(table, required=False) for name, table in EVERY_TABLE.items()}
    known = column_map(folder)
    guesses = {
        (name, heading): (column, unit)
        for name, raw in read_tables(source, optional).tables.items()
        for heading, column, unit in raw.guesses
    }
    if not guesses:
        return None
    rows = [(*key, *meaning) for key, meaning in ({**known, **guesses}).items()]
    write_csv(folder / COLUMN_MAP, COLUMN_MAP_HEADER, rows)
    return folder / COLUMN_MAP


def write_text(path: str | Path, text: str) -> None:
    """Write a text as UTF-8, whole or not at all; raise FileTrouble."""
    write_bytes(path, text.encode("utf-8"))
