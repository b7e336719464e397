"""Read and write the market's history: items, the canvass, volume series; all problems at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from blend.domain.market import Additions, CanvassEntry, EntryKind, Item, Published, Volume
from blend.errors import Caution, FileTrouble, InputRefused
from blend.files import as_file_trouble, check_place
from blend.tables.columns import HISTORY_TABLES
from blend.tables.rows import Row, Sheet, problems_in_order, read_sheet
from blend.tables.tables import RawCase, RawTable, read_csv_table, read_tables
from blend.tables.write import write_csv_tables, write_plain_workbook


@dataclass(frozen=True, slots=True)
class HistoryRead:
    """What was read, in the order of the rows, and what to look at twice."""

    additions: Additions
    warnings: tuple[Caution, ...]


def read_history(path: str | Path) -> HistoryRead:
    """Read the tables from a folder, from one .xlsx workbook or from one .csv table.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    path = Path(path)
    raw = _raw(path)
    sheets = {name: read_sheet(table, HISTORY_TABLES[name]) for name, table in raw.tables.items()}
    for name, check in _CHECKS.items():
        if name in sheets:
            check(sheets[name])
    problems = problems_in_order(raw, sheets, HISTORY_TABLES)
    if problems:
        raise InputRefused(problems)
    if not sheets:
        raise FileTrouble(f"{path}: holds none of {', '.join(HISTORY_TABLES)}")

    def made(name: str, build: Callable[[Row], Any]) -> tuple[Any, ...]:
        return tuple(map(build, sheets[name].rows)) if name in sheets else ()

    return HistoryRead(
        Additions(
            items=made("items", lambda row: Item(**row.values)),
            entries=made("canvass", _entry_of),
            volumes=made("volumes", lambda row: Volume(**row.values)),
            rows={
                name: (sheet.file, tuple(row.number for row in sheet.rows))
                for name, sheet in sheets.items()
            },
        ),
        tuple(raw.warnings),
    )


def _raw(path: Path) -> RawCase:
    if path.is_file() and path.suffix.lower() == ".csv":
        name = path.stem.casefold()
        if name not in HISTORY_TABLES:
            raise FileTrouble(f"{path}: name the file after its table: {', '.join(HISTORY_TABLES)}")
        return RawCase(tables={name: read_csv_table(path, path.name)})
    if path.is_file() and path.suffix.lower() != ".xlsx":
        raise FileTrouble(f"{path}: not a folder, an .xlsx workbook or a .csv table")
    return read_tables(path, HISTORY_TABLES)


def _entry_of(row: Row) -> CanvassEntry:
    return CanvassEntry(**row.values | {"kind": EntryKind(row["kind"])})


# Checks within a table ------------------------------------------------------------------------


def _check_canvass(sheet: Sheet) -> None:
    for row in sheet.rows:
        values = row.values
        number = row.number
        is_trade = values.get("kind") == EntryKind.TRADE
        if is_trade and "pounds_lb" in values and values["pounds_lb"] is None:
            sheet.refuse(number, "pounds_lb", "nothing", "a weight, as it is a trade")
        if is_trade and values.get("is_firm") is False:
            sheet.refuse(number, "is_firm", "no", "yes or nothing, as a trade is concluded")
        if {"heard_at", "market_day"} <= values.keys():
            heard_on = values["heard_at"].date()
            if values["market_day"] > heard_on:
                allowed = f"{heard_on}, the day it was heard, or earlier"
                sheet.refuse(number, "market_day", str(values["market_day"]), allowed)
        corrects = values.get("corrects")
        if corrects is not None and corrects == values.get("entry_id"):
            sheet.refuse(number, "corrects", corrects, "another entry_id than its own")
        if values.get("withdrawn") and "corrects" in values and corrects is None:
            sheet.refuse(number, "corrects", "nothing", "the entry_id that is withdrawn")


def _check_volumes(sheet: Sheet) -> None:
    first_of: dict[tuple[Any, ...], int] = {}
    for row in sheet.rows:
        values = row.values
        corrects = values.get("corrects")
        if corrects is not None and corrects != values.get("period_end", corrects):
            allowed = f"{values['period_end']}, its own period_end, or nothing"
            sheet.refuse(row.number, "corrects", str(corrects), allowed)
        if sheet.is_whole(row) and corrects is None:
            key = Volume(**values).key
            first = first_of.setdefault(key, row.number)
            if first != row.number:
                hint = f"Row {first} has it already; fill in corrects to replace it."
                sheet.refuse(row.number, "period_end", str(key[1]), "each figure once", hint)


_CHECKS: Mapping[str, Callable[[Sheet], None]] = {
    "canvass": _check_canvass,
    "volumes": _check_volumes,
}


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

    Reading them again gives the same items, entries and volumes; `published` is written for
    people. Return the files written. Raise FileTrouble, with nothing written, where a file of
    a name is there already.
    """
    path = Path(path)
    tables: dict[str, tuple[Sequence[str], Iterable[Any]]] = {
        "items": (HISTORY_TABLES["items"].column_names, items),
        "canvass": (HISTORY_TABLES["canvass"].column_names, entries),
        "volumes": (HISTORY_TABLES["volumes"].column_names, volumes),
        "published": (PUBLISHED_COLUMNS, published),
    }
    rows = {
        name: (header, [[getattr(thing, column) for column in header] for thing in things])
        for name, (header, things) in tables.items()
    }
    if path.suffix.lower() == ".xlsx":
        if check_place(path).exists():
            raise FileTrouble(f"{path}: is there already, and an export overwrites nothing")
        write_plain_workbook(path, rows)
        return (path,)
    with as_file_trouble(path):
        there = [f"{name}.csv" for name in rows if (path / f"{name}.csv").exists()]
    if there:
        raise FileTrouble(f"{path}: holds {', '.join(there)} already; an export overwrites nothing")
    return write_csv_tables(path, rows)


# Entries as they are typed ----------------------------------------------------------------------

_TYPED = "entry"
"""What messages call a single entry that was typed, be it refused here or by the store."""


def typed_addition(entry: CanvassEntry) -> Additions:
    """One entry that was typed, to go into the store."""
    return Additions(entries=(entry,), rows={"canvass": (_TYPED, (None,))})


def entry_of_words(words: Mapping[str, str]) -> CanvassEntry:
    """One entry from what was typed for each column, under the rules of the table.

    Raise InputRefused with all problems.
    """
    try:
        (entry,) = entries_of_words(_TYPED, {2: words})
    except InputRefused as refused:
        raise InputRefused([replace(each, row=None) for each in refused.problems]) from None
    return entry


def item_of_words(words: Mapping[str, str]) -> Item:
    """One item from what was typed for each column, under the rules of the table.

    Raise InputRefused with all problems.
    """
    raw = RawTable("item", ((1, tuple(words)), (2, tuple(words.values()))))
    sheet = read_sheet(raw, HISTORY_TABLES["items"])
    if sheet.problems:
        raise InputRefused([replace(each, row=None) for each in sheet.sorted_problems()])
    return Item(**sheet.rows[0].values)


def entries_of_words(name: str, rows: Mapping[int, Mapping[str, str]]) -> tuple[CanvassEntry, ...]:
    """Entries from what was typed, by the number of the row; all rows have the same columns.

    Problems name the place of what was typed by `name`. Raise InputRefused with all of them.
    """
    header = tuple(next(iter(rows.values())))
    cells = ((number, tuple(words.values())) for number, words in rows.items())
    sheet = read_sheet(RawTable(name, ((1, header), *cells)), HISTORY_TABLES["canvass"])
    _check_canvass(sheet)
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())
    return tuple(map(_entry_of, sheet.rows))


def filled_in(words: Mapping[str, str], entry_id: str, now: datetime) -> dict[str, str]:
    """What was typed of an entry, with what is taken where nothing was: it was heard now, on the
    market day on which it was heard, and goes by `entry_id`. A time alone is of the market day."""
    heard_at = words.get("heard_at") or now.isoformat(" ", "seconds")
    if re.fullmatch(r"\d{1,2}:\d\d", heard_at):
        heard_at = f"{words.get('market_day') or now.date().isoformat()} {heard_at:0>5}"
    return {
        **words,
        "heard_at": heard_at,
        "market_day": words.get("market_day") or heard_at[:10],
        "entry_id": words.get("entry_id") or entry_id,
    }
