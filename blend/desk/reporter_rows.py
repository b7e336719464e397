"""Several entries of the canvass at once: rows or messages pasted, or a file; all or none."""

from __future__ import annotations

import csv
import io
import re
import tempfile
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from hashlib import sha256
from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.pages import Form, Upload, text_of, view
from blend.desk.reporter_canvass import PASTE_DRAFT, PASTED, begun, canvass, completed, row_id
from blend.desk.reporter_store import Day, day_of, of_store
from blend.domain.market import Additions
from blend.errors import BlendError, FileTrouble, InputRefused, Problem
from blend.output.formats import printable
from blend.reporter.canvass import added_lines
from blend.reporter.entry_questions import import_warnings
from blend.reporter.phone_round import entries_of_messages
from blend.store import Store
from blend.tables.columns import HISTORY_TABLES
from blend.tables.history import entries_of_words, read_history
from blend.tables.tables import MAX_ROWS

_PASTED = "pasted rows"
_MESSAGE = re.compile(r"[^,:\t\n]+:")
"""A line of a message begins with the company and a colon; a row begins with its first cell."""


def paste(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """Add rows of a spreadsheet or lines of a message, all of them or none.

    What looks wrong is confirmed first, and what was read from a message in any case.
    """
    pasted = {name: text_of(form, name) for name in ("paste_id", "rows")}
    day = day_of(store, request)
    is_message = bool(_MESSAGE.match(pasted["rows"].lstrip()))
    try:
        additions, asked = (_of_message if is_message else _of_rows)(desk, store, pasted, day)
        confirm = sha256(pasted["rows"].encode()).hexdigest()[:16]
        if asked and text_of(form, "confirmed") != confirm:
            return canvass(
                desk, store, request, day, begun(desk, store, day),
                pasted=pasted | {"confirm": confirm}, asked=asked, read=additions.entries,
            )  # fmt: skip
        added = store.add(additions)
    except InputRefused as refused:
        typed = begun(desk, store, day)
        problems = refused.problems
        return canvass(desk, store, request, day, typed, pasted=pasted, problems=problems)
    with desk.lock:
        desk.journal.keep_draft(PASTE_DRAFT, "")
    typed = begun(desk, store, day)
    return canvass(desk, store, request, day, typed, messages=list(added_lines(added)))


def _of_message(
    desk: Desk, store: Store, pasted: Mapping[str, str], day: Day
) -> tuple[Additions, list[str]]:
    """Entries of a message and what to look at before they are added; nothing of one that was
    sent twice, which is as it was added."""
    text, paste_id = pasted["rows"], pasted["paste_id"]
    first = next(n for n, line in enumerate(text.splitlines(), 1) if line.strip())
    held = store.history(row_id(paste_id, first))
    now = held[0].heard_at if held else datetime.now()
    read = entries_of_messages(store, text, day.day, now, paste_id, desk.method, entries_of_words)
    additions = Additions(entries=tuple(each.entry for each in read))
    if held:
        return additions, []
    asked = [f"Line {each.line}: {words}" for each in read for words in each.remarks]
    return additions, [*map(printable, asked)] or ["Is it read right?"]


def _of_rows(
    desk: Desk, store: Store, pasted: Mapping[str, str], day: Day
) -> tuple[Additions, list[str]]:
    rows = _rows(store, pasted["rows"], pasted["paste_id"], str(day) if day.is_chosen else "")
    entries = entries_of_words(_PASTED, rows)
    additions = Additions(entries=entries, rows={"canvass": (_PASTED, tuple(rows))})
    asked = import_warnings(store, additions, desk.method, lists_all=True)
    return additions, [printable(str(each)) for each in asked]


def _rows(store: Store, text: str, paste_id: str, day: str) -> dict[int, dict[str, str]]:
    """What was pasted, by row and column, completed."""

    def refuse(row: int | None, read: str, allowed: str) -> None:
        raise InputRefused([Problem(_PASTED, row, None, read, allowed)])

    first_line = text.strip().partition("\n")[0]
    delimiter = "\t" if "\t" in first_line else ","
    try:
        block = [
            (number, cells)
            for number, cells in enumerate(csv.reader(io.StringIO(text), delimiter=delimiter), 1)
            if any(cell.strip() for cell in cells)
        ]
    except csv.Error as error:
        refuse(None, f"what cannot be split into cells ({error})", "cells as they are copied")
    header = list(PASTED)
    names = [cell.strip().lower() for cell in block[0][1]] if block else []
    if len(set(names) & set(HISTORY_TABLES["canvass"].column_names)) > 1:
        header, block = names, block[1:]
    if not block or len(block) > MAX_ROWS:
        refuse(None, f"{len(block)} rows", f"1 to {MAX_ROWS} rows")
    rows = {}
    for place, (number, cells) in enumerate(block, 1):
        if len(cells) > len(header):
            refuse(number, f"{len(cells)} cells", f"{len(header)}: {', '.join(header)}")
        cells = [*cells, *[""] * (len(header) - len(cells))]
        words = dict.fromkeys(PASTED, "") | dict(zip(header, cells, strict=True))
        words["market_day"] = words["market_day"] or day
        words["entry_id"] = words.get("entry_id") or row_id(paste_id, place)
        rows[number] = completed(store, words)
    return rows


def upload(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """Add what a file holds, as `blend canvass import` does: all of it or nothing."""
    sent = form.get("file")
    day = day_of(store, request)
    typed = begun(desk, store, day)
    try:
        additions = _additions(sent)
        warnings = [str(each) for each in import_warnings(store, additions, desk.method)]
        added = store.add(additions)
    except InputRefused as refused:
        return canvass(desk, store, request, day, typed, problems=refused.problems)
    except BlendError as error:
        return canvass(desk, store, request, day, typed, problems=[printable(str(error))])
    messages = [*added_lines(added), *map(printable, warnings)]
    return canvass(desk, store, request, day, typed, messages=messages)


def _additions(sent: str | Upload | None) -> Additions:
    if not isinstance(sent, Upload) or not sent.data:
        raise InputRefused([Problem("file", None, None, "no file", "a .csv or .xlsx")])
    name = Path(sent.name)
    ending = name.suffix.lower()
    if ending not in (".csv", ".xlsx"):
        allowed = "a .csv or .xlsx"
        raise InputRefused([Problem(sent.name, None, None, f"a file named {name}", allowed)])
    # a file that is named after no table of the market is taken for the canvass
    stem = name.stem.casefold() if name.stem.casefold() in HISTORY_TABLES else "canvass"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{stem}{ending}"
        path.write_bytes(sent.data)
        try:
            return read_history(path).additions
        except InputRefused as refused:
            problems = [_named(each, path.name, sent.name) for each in refused.problems]
            raise InputRefused(problems) from None
        except FileTrouble as trouble:
            words = str(trouble).replace(str(path), sent.name).replace(path.name, sent.name)
            raise FileTrouble(words) from None


def _named(problem: Problem, made: str, sent: str) -> Problem:
    return replace(problem, file=problem.file.replace(made, sent))


routes = [
    Route("/reporter/paste", view(of_store(paste)), methods=["POST"]),
    Route("/reporter/file", view(of_store(upload)), methods=["POST"]),
]
