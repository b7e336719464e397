"""Write plain tables: whole or not at all, and safe to open in a spreadsheet."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any, BinaryIO

from blend.domain.case import Case, Settings
from blend.domain.lots import Lot
from blend.domain.selectors import Selector
from blend.errors import FileTrouble
from blend.files import as_file_trouble, check_place, filling, in_memory, replacing, write_bytes
from blend.tables.build import usd_in_unit
from blend.tables.cells import neutralised
from blend.tables.columns import SETTING_COLUMNS, TABLES, Table
from blend.tables.standards import packaged_standards
from blend.tables.tables import READABLE


def write_csv(path: str | Path, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Write one table as CSV, replacing the file at once or leaving it as it was.

    Texts that a spreadsheet would take for formulas get a leading apostrophe; numbers stay
    numbers. None is a blank cell, True and False are yes and no, collections are joined by
    `|`. Raise FileTrouble.
    """
    with (
        replacing(Path(path)) as unfinished,
        # With its mark at the start, spreadsheets see that the file is UTF-8.
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
                sheet.append([_cell(value) for value in row])
        book.save(file)

    path = Path(path)
    check_place(path)
    write_bytes(path, in_memory(path, write))


def write_template(folder: str | Path) -> tuple[Path, ...]:
    """Write every table with its header only, and settings with their defaults.

    Return the files written. Raise FileTrouble, with nothing written, when any table is
    there already.
    """
    folder = Path(folder)
    with as_file_trouble(folder):
        there = sorted(
            path.name
            for path in (folder.iterdir() if folder.exists() else ())
            if path.suffix.lower() in READABLE and path.stem.casefold() in TABLES
        )
    if there:
        raise FileTrouble(
            f"{folder}: holds {', '.join(there)} already, and templates overwrite nothing"
        )
    return _write_tables(folder, {name: template_rows(name) for name in TABLES})


def template_rows(name: str) -> list[tuple[Any, ...]]:
    """What an empty table holds to begin with: settings their defaults, others nothing."""
    if name != "settings":
        return []
    return [(each.name, each.default) for each in SETTING_COLUMNS.values()]


def write_case(case: Case, folder: str | Path) -> tuple[Path, ...]:
    """Write a case as CSV, so that reading the folder gives the case again.

    Rows of packaged standards are left out, as the reader adds them. Return the files
    written. Raise FileTrouble.
    """
    packaged = packaged_standards() if case.standards else ()
    own = [row for row in case.standards if row not in packaged]
    return _write_tables(
        Path(folder),
        {
            "lots": [_lot_cells(lot) for lot in case.lots],
            "products": _rows(TABLES["products"], case.products),
            "rules": _rows(TABLES["rules"], case.rules),
            "losses": _rows(TABLES["losses"], case.losses),
            "settings": _setting_cells(case.settings),
            "standards": _rows(TABLES["standards"], own),
        },
    )


def _write_tables(folder: Path, rows_by_table: dict[str, Any]) -> tuple[Path, ...]:
    tables = {name: (TABLES[name].column_names, rows) for name, rows in rows_by_table.items()}
    return write_csv_tables(folder, tables)


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


def _rows(table: Table, things: Iterable[Any]) -> list[list[Any]]:
    return [[getattr(thing, name) for name in table.column_names] for thing in things]


def _lot_cells(lot: Lot) -> list[Any]:
    # Prices are inside in USD per lb, freight is quoted by the hundredweight.
    differing = {
        "price": lot.price_usd_per_lb,
        "price_unit": "usd_per_lb",
        "freight_usd_per_cwt": usd_in_unit(lot.freight_usd_per_lb, "usd_per_cwt"),
    }
    return [
        differing[name] if name in differing else getattr(lot, name)
        for name in TABLES["lots"].column_names
    ]


def _setting_cells(settings: Settings) -> list[tuple[str, Any]]:
    return [(name, getattr(settings, name)) for name in SETTING_COLUMNS]


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


def write_text(path: str | Path, text: str) -> None:
    """Write a text as UTF-8, whole or not at all; raise FileTrouble."""
    write_bytes(path, text.encode("utf-8"))
