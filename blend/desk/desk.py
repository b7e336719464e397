"""The desk itself: the tables being edited, their plan, and where the market's history is."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blend.desk.book import Book, Edit, TypedTable, typed_table
from blend.desk.jobs import Job, Jobs
from blend.desk.journal import DeskBook, Journal, digest_of
from blend.domain.case import Case
from blend.errors import BlendError, Caution, FileTrouble, InputRefused, Problem
from blend.files import filling, take_away_unfinished
from blend.grinder.live import LiveCase, LivePlan
from blend.reading import read_ready_case
from blend.tables.cells import typed_text
from blend.tables.columns import (
    IMPORT_TABLES,
    POSITION_TABLES,
    QUOTATIONS,
    SCENARIOS,
    TABLES,
    TEMPERATURES,
    Table,
)
from blend.tables.method import read_method
from blend.tables.starter import starter_rows
from blend.tables.tables import READABLE, Overlaid, read_tables
from blend.tables.write import write_csv

if TYPE_CHECKING:
    from blend.store import Store

CASE_TABLES: Mapping[str, Table] = {**TABLES, TEMPERATURES.name: TEMPERATURES}
"""What a plan hangs on."""
EDITED_TABLES: Mapping[str, Table] = {
    **CASE_TABLES,
    QUOTATIONS.name: QUOTATIONS,
    **IMPORT_TABLES,
    **POSITION_TABLES,
    SCENARIOS.name: SCENARIOS,
}
"""What is edited at the desk; other tables are read from the folder as they are."""
WORK_FOLDER = ".blend_desk"
_as_of: ContextVar[int] = ContextVar("as_of")
"""The revision of the tables when the request being answered came in."""


@dataclass(frozen=True)
class State:
    """What the tables as typed amount to.

    `case` is None where they were refused; `plan` is None there too, and where no plan meets
    every requirement. `last` is the last plan there was: the page keeps showing it, as stale.
    """

    revision: int
    case: Case | None
    plan: LivePlan | None
    problems: tuple[Problem, ...]
    warnings: tuple[Caution, ...]
    last: LivePlan | None = None

    @property
    def shown(self) -> LivePlan | None:
        """The plan, or while there is none the last one."""
        return self.plan or self.last


class Desk:
    """One person's desk on one folder of tables. Safe to use from several threads."""

    def __init__(
        self,
        place: Path,
        *,
        work: Path | None = None,
        store: str | None = None,
        market: Path | None = None,
        before: Path | None = None,
        method: Path | None = None,
    ) -> None:
        self.place = place
        self.where_store = store
        self.market = market
        self.before = before
        self.method = read_method(method).method
        self.jobs = Jobs()
        self.lock = threading.RLock()
        self._live = LiveCase()
        self._state: State | None = None
        self.opened_with: LivePlan | None = None
        if place.is_dir():
            take_away_unfinished(place)
        fresh = self._tables_of_folder()
        self.journal = Journal(work or _work_folder(place))
        _, self.is_changed_behind = self.journal.open_book(fresh)

    @property
    def book(self) -> DeskBook:
        """The tables as typed, with every edit since they were read."""
        return self.journal.book

    # Editing -------------------------------------------------------------------------------------

    def edit(self, make: Callable[[Book], Edit], *, name: str = "", group: str = "") -> None:
        """Make an edit from the book as it stands, keep it on disk, then do it; nothing where one
        of this name was made already."""
        with self._changing():
            if not name or name not in self.book.names:
                self.journal.add(replace(make(self.book), name=name, group=group))

    def undo(self, name: str = "") -> None:
        with self._changing():
            self.journal.undo(name)

    def redo(self, name: str = "") -> None:
        with self._changing():
            self.journal.redo(name)

    @contextmanager
    def _changing(self) -> Iterator[None]:
        with self.lock:
            yield
            self.jobs.supersede(self.book.revision)

    @contextmanager
    def as_typed_in(self, book_id: str) -> Iterator[None]:
        """For what was typed on a page that showed the book of this id; nobody else changes
        anything meanwhile. Raise InputRefused where the tables have been read again since: rows
        that are named there mean others by now."""
        with self.lock:
            if book_id and book_id != self.book.book_id:
                read, allowed = "an edit of tables that were read again since", "edits of these"
                hint = "Load the page again."
                raise InputRefused([Problem("page", None, None, read, allowed, hint)])
            yield

    def table(self, name: str) -> TypedTable:
        return self.book.tables[name]

    @property
    def name(self) -> str:
        """A name that no desk on other tables has, so that browsers keep their own things apart."""
        return sha256(str(self.journal.folder.resolve()).encode()).hexdigest()[:16]

    @property
    def is_unsaved(self) -> bool:
        return self.book.is_unsaved

    # What it amounts to --------------------------------------------------------------------------

    @property
    def source(self) -> Overlaid:
        """For the readers: the folder, with the tables as typed in the place of its own."""
        with self.lock:
            in_hand = {
                name: table.raw(name, is_there=EDITED_TABLES[name].required)
                for name, table in self.book.tables.items()
            }
        return Overlaid(self.place, in_hand)

    def state(self) -> State:
        """The case and its plan, made again where something was typed since. The first plan is
        kept as `opened_with`, to compare with."""
        with self.lock:
            if self._state is None or self._state.revision != self.book.revision:
                last = None if self._state is None else self._state.shown
                self._state = replace(self._plan(), last=last)
                self.opened_with = self.opened_with or self._state.plan
            return self._state

    def _plan(self) -> State:
        make = partial(State, self.book.revision)
        try:
            read = read_ready_case(self.source)
        except InputRefused as refused:
            return make(None, None, refused.problems, ())
        except FileTrouble as trouble:
            return make(None, None, (_as_problem(trouble),), ())
        try:
            plan = self._live.plan(read.case)
        except InputRefused as refused:
            return make(read.case, None, refused.problems, read.warnings)
        return make(read.case, plan, (), read.warnings)

    @contextmanager
    def warm(self) -> Iterator[LiveCase]:
        """The linear program of the plan as it stands, for a short question; who changes it
        puts it back."""
        with self.lock:
            self.state()
            yield self._live

    def case(self) -> Case:
        """The case as typed; raise InputRefused where it cannot be read."""
        state = self.state()
        if state.case is None:
            raise InputRefused(state.problems)
        return state.case

    def ask(
        self,
        name: str,
        *hangs_on: Hashable,
        about: str,
        work: Callable[[Job], Any],
        can_stop: bool = False,
    ) -> Job:
        """Long work that hangs on the tables as typed and on `hangs_on`; `can_stop` where it
        looks whether it is stopped.

        It is known by the tables as they were when the page was asked for: the case that it
        takes may be younger, never older.
        """
        revision = _as_of.get(None)
        revision = self.book.revision if revision is None else revision
        key = (name, *hangs_on)
        return self.jobs.ask(key, about, work, revision=revision, can_stop=can_stop)

    @contextmanager
    def as_of_now(self) -> Iterator[None]:
        """Within, long work hangs on the tables as they are at the start."""
        before = _as_of.set(self.book.revision)
        try:
            yield
        finally:
            _as_of.reset(before)

    # Files ---------------------------------------------------------------------------------------

    def save(self, *, even_if_changed: bool = False) -> tuple[Path, ...]:
        """Write the tables that were edited into their folder; raise FileTrouble."""
        with self.lock:
            folder = self._tables_of_folder()
            if not even_if_changed and self._is_behind(folder):
                self.is_changed_behind = True
                raise FileTrouble(
                    f"{self.place}: its tables have changed since they were read here; take them, "
                    "or save over them"
                )
            changed = [
                name
                for name, table in self.book.tables.items()
                if table.cells() != folder[name].cells()
            ]
            there = self._files_of(changed)
            paths = {name: there.get(name, self.place / f"{name}.csv") for name in changed}
            with filling(self.place) as unfinished:
                for name, path in paths.items():
                    write_csv(unfinished / path.name, *kept_columns(self.book.tables[name]))
            self.journal.saved(self.book.digest)
            self.is_changed_behind = False
            return tuple(paths.values())

    def take_folder(self) -> None:
        """Start over from the folder; what was typed is kept in a file next to it."""
        with self._changing():
            self.journal.begin(self._tables_of_folder(), self.book.revision + 1)
            self.is_changed_behind = False

    def _is_behind(self, folder: Mapping[str, TypedTable]) -> bool:
        return digest_of(folder) != self.book.saved_digest

    def _files_of(self, names: list[str]) -> dict[str, Path]:
        """The files that hold these tables, however their names are written; raise FileTrouble
        where one is not to be written over."""
        if not self.place.is_dir():
            raise FileTrouble(
                f"{self.place}: is one workbook, which is not written over; download the tables"
            )
        there = {
            path.stem.casefold(): path
            for path in self.place.iterdir()
            if path.suffix.lower() in READABLE
        }
        files = {name: there[name] for name in names if name in there}
        for path in files.values():
            if path.suffix.lower() != ".csv":
                raise FileTrouble(
                    f"{path}: is a workbook, which is not written over; download the tables, or "
                    "keep it as CSV"
                )
        return files

    def _tables_of_folder(self) -> dict[str, TypedTable]:
        # At the desk a table that is not there is an empty one to fill in.
        optional = {name: replace(table, required=False) for name, table in EDITED_TABLES.items()}
        raw = read_tables(self.place, optional)
        if raw.problems:
            raise InputRefused(tuple(raw.problems.values()))
        return {
            name: typed_table(raw.tables[name], table) if name in raw.tables else _empty(table)
            for name, table in EDITED_TABLES.items()
        }

    # The market's history ------------------------------------------------------------------------

    @property
    def store_place(self) -> str:
        """Path or URL of the store; raise FileTrouble where none was named."""
        if self.where_store is None:
            raise FileTrouble("no store was named: open the desk with --store PATH|URL")
        return self.where_store

    @contextmanager
    def store(self) -> Iterator[Store]:
        """The store, open; raise FileTrouble where none was named."""
        from blend.store import Store

        with Store.open(self.store_place) as opened:
            yield opened

    def close(self, seconds: float = 0.0) -> bool:
        """Stop all work; whether it has ended within so many seconds."""
        has_ended = self.jobs.close(seconds)
        self.journal.close()
        return has_ended


def kept_columns(table: TypedTable) -> tuple[list[str], list[list[str]]]:
    """Header and rows without the columns that nobody filled in; the header alone where there
    are no rows."""
    raw = table.raw("")
    if not raw.rows:
        return list(table.columns), []
    header, *rows = ([typed_text(cell) for cell in cells] for _, cells in raw.rows)
    return header, rows


def _empty(table: Table) -> TypedTable:
    """A table that is not there, as `blend new` writes it, without the example."""
    rows = starter_rows(table.name)
    return TypedTable.of(
        table.column_names, ([typed_text(cell) for cell in cells] for cells in rows)
    )


def _work_folder(place: Path) -> Path:
    return place / WORK_FOLDER if place.is_dir() else place.with_name(f"{place.name}{WORK_FOLDER}")


def _as_problem(trouble: BlendError) -> Problem:
    return Problem("tables", None, None, str(trouble), "tables that can be read")
