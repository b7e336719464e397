"""Read and write the market's history: items, the canvass, volumes; all problems at once."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from blend.domain.columns import table_of
from blend.domain.market import Additions, CanvassEntry, EntryKind, Item, Published, Volume
from blend.errors import Caution, FileTrouble, InputRefused
from blend.files import as_file_trouble, check_place
from blend.tables.columns import HISTORY_TABLES
from blend.tables.rows import Sheet, Sheets, read_sheet
from blend.tables.tables import Overlaid, RawTable, Source, read_csv_table
from blend.tables.write import records_table, write_csv_tables, write_plain_workbook

Record = TypeVar("Record")


@dataclass(frozen=True, slots=True)
class HistoryRead:
    """What was read, in the order of the rows, and what to check."""

    additions: Additions
    warnings: tuple[Caution, ...]


def read_history(path: str | Path) -> HistoryRead:
    """Read the tables from a folder, from one .xlsx workbook or from one .csv table.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    path = Path(path)
    sheets = Sheets(_source(path), HISTORY_TABLES)
    for sheet in sheets.by_name.values():
        _check(sheet)
    sheets.raise_problems()
    if not sheets.by_name:
        names = ", ".join(HISTORY_TABLES)
        raise FileTrouble(f"{path}: no {names} here. Start with blend new --for report.")
    return HistoryRead(
        Additions(
            items=sheets.records("items", Item),
            entries=sheets.records("canvass", CanvassEntry),
            volumes=sheets.records("volumes", Volume),
            rows={
                name: (sheet.file, tuple(row.number for row in sheet.rows))
                for name, sheet in sheets.by_name.items()
            },
        ),
        sheets.cautions,
    )


def _source(path: Path) -> Source:
    if not path.is_file() or path.suffix.lower() == ".xlsx":
        return path
    name = path.stem.casefold()
    if path.suffix.lower() != ".csv":
        raise FileTrouble(f"{path}: not a folder, an .xlsx workbook or a .csv table")
    if name not in HISTORY_TABLES:
        raise FileTrouble(f"{path}: name the file after its table: {', '.join(HISTORY_TABLES)}")
    return Overlaid(None, {name: read_csv_table(path, path.name, HISTORY_TABLES[name])})


# Checks within a table ------------------------------------------------------------------------


def _check(sheet: Sheet) -> None:
    if sheet.table.name == "canvass":
        _check_canvass(sheet)
    elif sheet.table.name == "volumes":
        _check_volumes(sheet)


def _check_canvass(sheet: Sheet) -> None:
    for row in sheet.rows:
        values, number = row.values, row.number
        is_trade = values.get("kind") == EntryKind.TRADE
        if is_trade and "pounds_lb" in values and values["pounds_lb"] is None:
            sheet.refuse(number, "pounds_lb", "blank", hint="Enter the pounds of the trade.")
        if is_trade and values.get("is_firm") is False:
            sheet.refuse(number, "is_firm", "no", "yes or blank: a trade is done")
        if row.has("heard_at", "market_day"):
            heard_on = values["heard_at"].date()
            if values["market_day"] > heard_on:
                required = f"{heard_on}, the day it was heard, or earlier"
                sheet.refuse(number, "market_day", str(values["market_day"]), required)
        corrects = values.get("corrects")
        if corrects is not None and corrects == values.get("entry_id"):
            sheet.refuse(number, "corrects", corrects, "the entry_id of another entry")
        if values.get("withdrawn") and "corrects" in values and corrects is None:
            hint = "Enter the entry_id of the entry to withdraw."
            sheet.refuse(number, "corrects", "blank", hint=hint)


def _check_volumes(sheet: Sheet) -> None:
    first_of: dict[tuple[Any, ...], int] = {}
    for row in sheet.rows:
        values = row.values
        corrects = values.get("corrects")
        if corrects is not None and corrects != values.get("period_end", corrects):
            required = f"blank, or its own period_end, {values['period_end']}"
            sheet.refuse(row.number, "corrects", str(corrects), required)
        if sheet.is_whole(row) and corrects is None:
            key = Volume(**values).key
            first = first_of.setdefault(key, row.number)
            if first != row.number:
                value = f"row {first} has {key[1]} too"
                hint = "To replace a figure, fill in corrects."
                sheet.refuse(row.number, "period_end", value, hint=hint)


# Writing --------------------------------------------------------------------------------------

PUBLISHED_COLUMNS = tuple(field.name for field in fields(Published))


def write_history(
    path: str | Path,
    items: Iterable[Item],
    entries: Iterable[CanvassEntry],
    volumes: Iterable[Volume],
    published: Iterable[Published] = (),
) -> tuple[Path, ...]:
    """Write the tables into a folder as CSV, or into one .xlsx workbook.

    Reading them again gives the same items, entries and volumes; `published` is for people.
    Return the files written. Raise FileTrouble, with nothing written, where a file of a name is
    there already.
    """
    path = Path(path)
    published_rows = [[getattr(each, name) for name in PUBLISHED_COLUMNS] for each in published]
    tables: dict[str, tuple[Sequence[str], Iterable[Sequence[Any]]]] = {
        "items": records_table(HISTORY_TABLES["items"], items),
        "canvass": records_table(HISTORY_TABLES["canvass"], entries),
        "volumes": records_table(HISTORY_TABLES["volumes"], volumes),
        "published": (PUBLISHED_COLUMNS, published_rows),
    }
    if path.suffix.lower() == ".xlsx":
        if check_place(path).exists():
            raise FileTrouble(f"{path}: is already there. Choose another name.")
        write_plain_workbook(path, tables)
        return (path,)
    with as_file_trouble(path):
        there = [f"{name}.csv" for name in tables if (path / f"{name}.csv").exists()]
    if there:
        raise FileTrouble(f"{path}: has {', '.join(there)} already. Choose another folder.")
    return write_csv_tables(path, tables)


# Entries as they are typed ----------------------------------------------------------------------

_TYPED = "entry"
"""What messages call a single entry that was typed, be it refused here or by the store."""


def typed_addition(entry: CanvassEntry) -> Additions:
    """One entry that was typed, to go into the store."""
    return Additions(entries=(entry,), rows={"canvass": (_TYPED, (None,))})


def records_of_words(
    kind: type[Record], name: str, rows: Mapping[int, Mapping[str, str]]
) -> tuple[Record, ...]:
    """Records from what was typed for each column, by the number of the row; all rows have the
    same columns.

    Problems name the place by `name`. Raise InputRefused with all of them.
    """
    header = tuple(next(iter(rows.values())))
    cells = ((number, tuple(words.values())) for number, words in rows.items())
    sheet = read_sheet(RawTable(name, ((1, header), *cells)), table_of(kind))
    _check(sheet)
    sheet.raise_problems()
    return sheet.records(kind)


def record_of_words(kind: type[Record], name: str, words: Mapping[str, str]) -> Record:
    """One record from what was typed for each column; its problems have no row."""
    try:
        (record,) = records_of_words(kind, name, {2: words})
    except InputRefused as refused:
        raise InputRefused([replace(each, row=None) for each in refused.problems]) from None
    return record


def entry_of_words(words: Mapping[str, str]) -> CanvassEntry:
    """One canvass entry from what was typed; raise InputRefused with all problems."""
    return record_of_words(CanvassEntry, _TYPED, words)


def item_of_words(words: Mapping[str, str]) -> Item:
    """One item from what was typed; raise InputRefused with all problems."""
    return record_of_words(Item, "item", words)


def entries_of_words(name: str, rows: Mapping[int, Mapping[str, str]]) -> tuple[CanvassEntry, ...]:
    """Canvass entries from what was typed, by the number of the row; raise InputRefused."""
    return records_of_words(CanvassEntry, name, rows)


def filled_in(words: Mapping[str, str], entry_id: str, now: datetime) -> dict[str, str]:
    """What was typed of an entry, with defaults where nothing was: heard now, on the market day
    on which it was heard, named `entry_id`. A time alone is on the market day."""
    heard_at = words.get("heard_at") or now.isoformat(" ", "seconds")
    if re.fullmatch(r"\d{1,2}:\d\d( ?[ap]m)?", heard_at, re.IGNORECASE):
        heard_at = f"{words.get('market_day') or now.date().isoformat()} {heard_at}"
    return {
        **words,
        "heard_at": heard_at,
        "market_day": words.get("market_day") or heard_at.replace("T", " ").partition(" ")[0],
        "entry_id": words.get("entry_id") or entry_id,
    }
