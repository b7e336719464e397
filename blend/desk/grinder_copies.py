"""Copies of the sheets side by side: the day as it is, without imports, or at other prices."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Any
from uuid import uuid4

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.desk.asked import refused
from blend.desk.book import Book, Edit, TypedTable, replace_rows
from blend.desk.desk import CASE_TABLES, Desk
from blend.desk.loosening import rows_by_id
from blend.desk.pages import Form, page, text_of, view
from blend.domain.selectors import parse_selector
from blend.errors import BlendError, InputRefused
from blend.grinder.live import LiveCase, LivePlan
from blend.grinder.side_by_side import Plans, lots_frame, totals_frame
from blend.output.shown import shown_of
from blend.reading import read_ready_case
from blend.tables.tables import Overlaid, RawTable
from blend.tables.write import write_text

PATH = "/grinder/copies"
AS_IS = "As is"
MAX_COPIES, MAX_NAME = 8, 60
_Raws = tuple[RawTable, ...]


@dataclass(frozen=True)
class Copy:
    """The sheets of the plan as they were kept under a name."""

    copy_id: str
    name: str
    tables: Mapping[str, TypedTable]

    @property
    def raws(self) -> _Raws:
        return _raws(self.tables)


def _raws(tables: Mapping[str, TypedTable]) -> _Raws:
    return tuple(tables[name].raw(name, is_there=each.required)
                 for name, each in CASE_TABLES.items())  # fmt: skip


def _folder(desk: Desk) -> Path:
    return desk.journal.folder / "copies"


def copies_of(desk: Desk) -> list[Copy]:
    """The oldest first; what cannot be read back is left out."""
    found = []
    for path in sorted(_folder(desk).glob("*.json"), key=lambda path: path.stat().st_mtime_ns):
        try:
            plain = json.loads(path.read_bytes())
            tables = {name: TypedTable.of(*each) for name, each in plain["tables"].items()}
            found.append(Copy(path.stem, str(plain["name"]), tables))
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return found


def copies_page(desk: Desk, request: Request, form: Form) -> Response:
    copies = copies_of(desk)
    now = {name: desk.table(name) for name in CASE_TABLES}
    plans: Plans = {AS_IS: _planned(desk.place, _raws(now))} | {
        each.name: _planned(desk.place, each.raws) for each in copies
    }
    basis = "As if combos and batches could be split."
    tables = [
        shown_of(totals_frame(plans), title="Side by side", note=basis),
        shown_of(lots_frame(plans), title="Pounds of each lot, where they differ"),
    ]
    return page(desk, request, "grinder_copies.html", tables, title="Compare", copies=copies)


@lru_cache(maxsize=32)
def _planned(place: Path, raws: _Raws) -> LivePlan | str:
    """The plan of tables, or why there is none."""
    try:
        read = read_ready_case(
            Overlaid(place, {raw.file.removesuffix(".csv"): raw for raw in raws})
        )
        plan = LiveCase().plan(read.case)
    except InputRefused as faulty:
        return str(faulty.problems[0])
    except BlendError as error:
        return str(error)
    return plan or "no plan meets every requirement"


# What is done ------------------------------------------------------------------------------------


def keep(desk: Desk, request: Request, form: Form) -> Response:
    """Keep the sheets as they are under a name, without the lots that a condition names."""
    name = " ".join(text_of(form, "name").split())
    where = text_of(form, "without").strip()
    copies = copies_of(desk)
    if not name or len(name) > MAX_NAME or not name.isprintable() or name == AS_IS:
        raise refused("name", name, f"a name of at most {MAX_NAME} characters")
    if len(copies) >= MAX_COPIES:
        raise refused("name", name, f"at most {MAX_COPIES} copies: delete one first")
    if name in {each.name for each in copies}:
        raise refused("name", name, "a name that no copy has yet")
    left_out = _lots_where(desk, where) if where else set()
    with desk.lock:
        tables = {
            table: [typed.columns, [typed.rows[row] for row in typed.order
                                    if not (table == "lots" and row in left_out)]]
            for table in CASE_TABLES
            for typed in (desk.table(table),)
        }  # fmt: skip
    _folder(desk).mkdir(0o700, exist_ok=True)
    path = _folder(desk) / f"{uuid4().hex}.json"
    write_text(path, json.dumps({"name": name, "tables": tables}))
    return RedirectResponse(PATH, 303)


def _lots_where(desk: Desk, where: str) -> set[int]:
    """Rows of the lots that a condition holds for; at least one lot stays."""
    case, rows = desk.case(), rows_by_id(desk.book, "lots")
    try:
        selector = parse_selector(where)
        gone = {rows[lot.lot_id] for lot in case.lots if selector.holds(lot)}
    except ValueError as error:
        raise refused("without", where, f"conditions on lots ({error})") from None
    if not gone or len(gone) == len(case.lots):
        raise refused("without", where, "a condition that some lots meet, and others do not")
    return gone


def use(desk: Desk, request: Request, form: Form) -> Response:
    """Take a copy into the sheets, as one action that Undo takes back."""
    copy = _named(desk, form)
    group = uuid4().hex
    for table, other in copy.tables.items():
        if other.cells() != desk.table(table).cells():
            desk.edit(partial(_replaced, table, other), group=group)
    return RedirectResponse("/grinder", 303)


def _replaced(table: str, other: TypedTable, book: Book) -> Edit:
    return replace_rows(table, book.tables[table], other)


def delete(desk: Desk, request: Request, form: Form) -> Response:
    (_folder(desk) / f"{_named(desk, form).copy_id}.json").unlink(missing_ok=True)
    return RedirectResponse(PATH, 303)


def _named(desk: Desk, form: Form) -> Copy:
    asked: Any = text_of(form, "copy")
    for each in copies_of(desk):
        if each.copy_id == asked:
            return each
    raise refused("copy", asked, "a copy that is there")


routes = [
    Route(PATH, view(copies_page)),
    Route(PATH, view(keep), methods=["POST"]),
    Route(f"{PATH}/use", view(use), methods=["POST"]),
    Route(f"{PATH}/delete", view(delete), methods=["POST"]),
]
