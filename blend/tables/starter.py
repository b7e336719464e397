"""Starter sheets: every column, drop-downs for fixed words, one example row, a notes column."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO

import blend
from blend.domain.columns import Column, Kind, Table
from blend.errors import FileTrouble
from blend.files import as_file_trouble, filling, in_memory, write_bytes
from blend.tables.columns import (
    BOOK_TABLES,
    CONFIDENCE_TABLES,
    CORRELATIONS,
    CUSTOMERS,
    EVIDENCE_TABLES,
    GROUND,
    HISTORY_TABLES,
    IMPORT_TABLES,
    INVENTORY,
    MARKET_TABLES,
    POSITION_TABLES,
    QUOTATIONS,
    SCENARIOS,
    SETTING_COLUMNS,
    STRESS,
    TABLES,
)
from blend.tables.rows import EXAMPLE, NOTES
from blend.tables.standards import packaged_path
from blend.tables.tables import READABLE
from blend.tables.write import write_csv

PLANT, TRADE, REPORT = "plant", "trade", "report"
BOOKS: Mapping[str, Mapping[str, Table]] = {
    PLANT: {
        **TABLES,
        **CONFIDENCE_TABLES,
        **EVIDENCE_TABLES,
        **{each.name: each for each in (GROUND, INVENTORY)},
    },
    TRADE: {
        QUOTATIONS.name: QUOTATIONS,
        **IMPORT_TABLES,
        **POSITION_TABLES,
        **BOOK_TABLES,
        **{each.name: each for each in (SCENARIOS, CUSTOMERS, STRESS, CORRELATIONS)},
    },
    REPORT: {**HISTORY_TABLES, **MARKET_TABLES},
}
"""The tables of each person's starter workbook."""

_FEWEST_EXAMPLES = 2
"""With fewer declared, a table takes its example row from the invented plant, or from the
built-in table that it adds to."""
_ROWS_WITH_LISTS = 500
_NEEDED = "1F4E78"
"""Color of what must be filled in."""
_LONGEST_LIST = 255
"""Characters a drop-down list can hold."""


def write_starter(
    folder: str | Path, people: Iterable[str] = (PLANT,), *, as_csv: bool = False
) -> tuple[Path, ...]:
    """Write a starter workbook for each of `people`, such as plant.xlsx, or CSV tables.

    Return the files written. Raise FileTrouble, with nothing written, if one of them exists.
    """
    folder = Path(folder)
    books = {person: BOOKS[person] for person in people}
    tables = {name: table for book in books.values() for name, table in book.items()}
    stems = {*tables, *books}
    with as_file_trouble(folder):
        there = sorted(
            path.name
            for path in (folder.iterdir() if folder.exists() else ())
            if path.suffix.lower() in READABLE and path.stem.casefold() in stems
        )
    if there:
        raise FileTrouble(f"{folder}: has {', '.join(there)} already. Choose another folder.")
    with filling(folder) as place:
        if as_csv:
            for name, table in tables.items():
                write_csv(place / f"{name}.csv", *starter_table(table))
        else:
            for person, book in books.items():
                path = place / f"{person}.xlsx"
                write_bytes(path, in_memory(path, partial(_save, book)))
        names = sorted(path.name for path in place.iterdir() if not path.name.startswith("."))
    return tuple(folder / name for name in names)


def starter_of(table: str) -> str:
    """The option of `blend new` that writes a table; empty for a plant's own."""
    people = [person for person, book in BOOKS.items() if table in book]
    return "" if PLANT in people else "".join(f" --for {person}" for person in people[:1])


def starter_rows(name: str) -> list[tuple[Any, ...]]:
    """The rows an empty table starts with: defaults for settings, none for others."""
    if name != "settings":
        return []
    return [(each.name, _default(each)) for each in SETTING_COLUMNS.values()]


def _default(column: Column) -> Any:
    if column.example:
        return column.example
    is_share = column.kind is Kind.SHARE and column.default is not None
    return column.typed(column.default) if is_share else column.default


def starter_table(table: Table) -> tuple[list[str], list[list[Any]]]:
    """Header and rows: the settings with their defaults, else one example row.

    Its notes say that it is an example; the reader leaves it out.
    """
    header = [*table.column_names, NOTES]
    if table.name == "settings":
        abouts = [column.about for column in SETTING_COLUMNS.values()]
        rows = [[*row, about] for row, about in zip(starter_rows(table.name), abouts, strict=True)]
        return header, rows
    example = [column.example for column in table.columns]
    if sum(map(bool, example)) < _FEWEST_EXAMPLES:
        example = _first_packaged_row(table)
    return header, [[*example, f"{EXAMPLE}: not read. Put your own rows under it."]]


def _first_packaged_row(table: Table) -> list[str]:
    """The first row of the table in the invented plant, else of the built-in table."""
    name = f"{table.name}.csv"
    places = sorted(demo_folder().rglob(name), key=lambda each: len(each.parts))
    with suppress(FileTrouble):
        places.append(packaged_path(name))
    for path in places:
        with path.open(encoding="utf-8-sig", newline="") as file:
            row = next(csv.DictReader(file), None)
        if row is not None:
            return [row.get(column, "") for column in table.column_names]
    return [column.example for column in table.columns]


def demo_folder() -> Path:
    """Where the invented plant is: in an installed package, next to it in a checkout."""
    package = Path(blend.__file__).parent
    for place in (package / "demo_data", package.parent / "demo_data"):
        if place.is_dir():
            return place
    raise FileTrouble("The demo data is missing from this installation. Install blend again.")


def _save(tables: Mapping[str, Table], file: BinaryIO) -> None:
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for table in tables.values():
        _fill_sheet(book.create_sheet(table.name), table)
    book.save(file)


def _fill_sheet(sheet: Any, table: Table) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.properties import PageSetupProperties

    header, rows = starter_table(table)
    sheet.append(header)
    for row in rows:
        sheet.append([_typed(cell) for cell in row])
    sheet.freeze_panes = "B2"
    if table.required:
        sheet.sheet_properties.tabColor = _NEEDED
    sheet.page_setup.orientation = "landscape"
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.page_setup.fitToHeight = 0
    for place, name in enumerate(header, 1):
        letter = get_column_letter(place)
        cell = sheet.cell(1, place)
        is_notes = name == NOTES
        column = None if is_notes else table.column(name)
        needed = column is not None and column.required
        cell.font = Font(bold=True, color="FFFFFF" if needed else "000000")
        cell.fill = PatternFill("solid", fgColor=_NEEDED if needed else "DDE6EE")
        widest = max(len(str(each[place - 1])) for each in ([*rows, header]))
        sheet.column_dimensions[letter].width = min(max(10, widest + 2), 48)
        if column is not None:
            comment = Comment(column.help, "blend", width=320, height=110)
            cell.comment = comment
            if table.name != "settings":
                _add_list(sheet, letter, 2, 1 + _ROWS_WITH_LISTS, column)
    for cells in sheet.iter_rows(min_row=2):
        for cell in cells:
            cell.alignment = Alignment(vertical="top")
            if isinstance(cell.value, date):
                cell.number_format = "m/d/yyyy"
            if table.name != "settings":
                cell.font = Font(italic=True, color="808080")
    if table.name == "settings":
        for number, column in enumerate(SETTING_COLUMNS.values(), 2):
            _add_list(sheet, "B", number, number, column)


def _add_list(sheet: Any, letter: str, first: int, last: int, column: Column) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    choices: Sequence[str] = column.choices if column.kind is Kind.CHOICE else ()
    if column.kind is Kind.YES_NO:
        choices = ("yes", "no")
    text = ",".join(choices)
    if not choices or len(text) > _LONGEST_LIST:
        return
    validation = DataValidation("list", formula1=f'"{text}"', allow_blank=not column.required)
    validation.error = f"Choose one of: {', '.join(choices)}"
    sheet.add_data_validation(validation)
    validation.add(f"{letter}{first}:{letter}{last}")


def _typed(cell: Any) -> Any:
    """Numbers as numbers and days as days, so that the spreadsheet aligns and sorts them."""
    if not isinstance(cell, str) or not cell[:1].isdigit():
        return cell
    for kind in (float, date.fromisoformat):
        with suppress(ValueError):
            return kind(cell)
    return cell
