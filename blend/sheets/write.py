"""Write plain tables: whole or not at all, and safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import os
import secrets
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

from blend.domain.case import Case, Settings
from blend.domain.lots import Lot
from blend.domain.selectors import Selector
from blend.errors import FileTrouble
from blend.sheets.build import usd_in_unit
from blend.sheets.cells import neutralised
from blend.sheets.columns import SETTING_COLUMNS, TABLES, Table
from blend.sheets.standards import packaged_standards
from blend.sheets.tables import READABLE


def write_csv(path: str | Path, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Write one table as CSV, replacing the file at once or leaving it as it was.

    Texts that a spreadsheet would take for formulas get a leading apostrophe; numbers stay
    numbers. None is a blank cell, True and False are yes and no, collections are joined by
    `|`. Raise FileTrouble.
    """
    with (
        _replacing(Path(path)) as unfinished,
        # With its mark at the start, spreadsheets see that the file is UTF-8.
        unfinished.open("x", encoding="utf-8-sig", newline="") as file,
    ):
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows([_cell(value) for value in row] for row in rows)
        file.flush()
        os.fsync(file.fileno())


def write_plain_workbook(
    path: str | Path, tables: Mapping[str, tuple[Sequence[str], Iterable[Sequence[Any]]]]
) -> None:
    """Write tables as sheets of one .xlsx workbook, cells as in `write_csv`; raise FileTrouble.

    `tables` has, by name, header and rows.
    """
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    for name, (header, rows) in tables.items():
        sheet = book.create_sheet(name)
        sheet.append(list(header))
        for row in rows:
            sheet.append([_cell(value) for value in row])
    with _replacing(Path(path)) as unfinished:
        book.save(unfinished)
        with unfinished.open("rb") as file:
            os.fsync(file.fileno())


@contextmanager
def _replacing(path: Path) -> Iterator[Path]:
    """A file to write; it takes the place of `path` at once when all went well, else it goes."""
    # In the same folder, as only there one file can take the place of another at once.
    unfinished = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    with as_file_trouble(path):
        try:
            yield unfinished
            os.replace(unfinished, path)
        except BaseException:
            with suppress(OSError):
                unfinished.unlink()
            raise


@contextmanager
def as_file_trouble(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise FileTrouble(f"{path}: {error.strerror}") from error


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
    return _write_tables(
        folder,
        {
            name: [(each.name, each.default) for each in SETTING_COLUMNS.values()]
            if name == "settings"
            else []
            for name in TABLES
        },
    )


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
    with as_file_trouble(folder):
        folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, rows in rows_by_table.items():
        paths.append(folder / f"{name}.csv")
        write_csv(paths[-1], TABLES[name].column_names, rows)
    return tuple(paths)


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
    with _replacing(Path(path)) as unfinished:
        unfinished.write_text(text, "utf-8", newline="\n")
