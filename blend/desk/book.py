"""Typed tables and every edit of them: pure data, so that an edit can be undone and replayed.

A cell holds the text as typed, sound or not. What it means is for the readers of `blend.tables`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from blend.tables.cells import restored, typed_text
from blend.tables.columns import Table
from blend.tables.tables import RawTable

Cells = tuple[str, ...]


class TooWide(ValueError):
    """A pasted block holds more columns than there are from its cell on."""


@dataclass(frozen=True, slots=True)
class RowChange:
    """One row before and after an edit, None where there is none; `place` is its place among the
    rows."""

    row_id: int
    place: int
    before: Cells | None
    after: Cells | None

    @property
    def reversed(self) -> RowChange:
        return RowChange(self.row_id, self.place, self.after, self.before)


@dataclass(frozen=True, slots=True)
class Edit:
    """What one action of a person changed in one table. Edits of one `group`, such as the steps
    of a drag, count as one when undone. A `name` keeps an edit that is sent twice from being made
    twice."""

    table: str
    about: str
    changes: tuple[RowChange, ...]
    group: str = ""
    name: str = ""

    @property
    def reversed(self) -> Edit:
        return replace(self, changes=tuple(each.reversed for each in reversed(self.changes)))

    def to_plain(self) -> dict[str, Any]:
        changes = [[c.row_id, c.place, c.before, c.after] for c in self.changes]
        return {
            "table": self.table,
            "about": self.about,
            "group": self.group,
            "name": self.name,
            "changes": changes,
        }

    @classmethod
    def of_plain(cls, plain: Mapping[str, Any]) -> Edit:
        changes = tuple(
            RowChange(row_id, place, _cells(before), _cells(after))
            for row_id, place, before, after in plain["changes"]
        )
        return cls(plain["table"], plain["about"], changes, plain["group"], plain["name"])


def _cells(plain: Sequence[str] | None) -> Cells | None:
    return None if plain is None else tuple(plain)


@dataclass(slots=True)
class TypedTable:
    """A table as typed: its columns, and rows by an id that stays while rows come and go."""

    columns: tuple[str, ...]
    rows: dict[int, Cells] = field(default_factory=dict)
    order: list[int] = field(default_factory=list)
    next_id: int = 0

    @classmethod
    def of(cls, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> TypedTable:
        made = cls(tuple(columns))
        for cells in rows:
            made.rows[made.next_id] = tuple(cells)
            made.order.append(made.next_id)
            made.next_id += 1
        return made

    def apply(self, changes: Iterable[RowChange]) -> None:
        for change in changes:
            if change.after is None:
                self.order.remove(change.row_id)
                del self.rows[change.row_id]
                continue
            if change.before is None:
                self.order.insert(change.place, change.row_id)
                self.next_id = max(self.next_id, change.row_id + 1)
            self.rows[change.row_id] = change.after

    def place_of(self, row_id: int) -> int:
        return self.order.index(row_id)

    def cells(self) -> list[Cells]:
        return [self.rows[row_id] for row_id in self.order]

    def raw(self, name: str, *, is_there: bool = False) -> RawTable:
        """As the readers take it, rows numbered as they stand on the page, the header first.

        Columns nobody filled in are left out. Without rows the table counts as not there, or as
        a header where it `is_there` in any case.
        """
        filled = [
            any(cells[place].strip() for cells in self.rows.values())
            for place in range(len(self.columns))
        ]
        kept = [place for place, is_filled in enumerate(filled) if is_filled]
        if not kept:
            return RawTable(name, ((1, self.columns),) if is_there else ())
        header = tuple(self.columns[place] for place in kept)
        rows = [
            (number, tuple(cells[place] for place in kept))
            for number, cells in enumerate(self.cells(), 2)
            if any(cell.strip() for cell in cells)
        ]
        return RawTable(name, ((1, header), *rows))


def typed_table(raw: RawTable | None, table: Table) -> TypedTable:
    """A table of a folder as typed: its own columns, then those of `table` it leaves out."""
    if raw is None or not raw.rows:
        return TypedTable.of(table.column_names, ())
    (_, header), *rows = raw.rows
    names = [" ".join(typed_text(cell).split()).lower() for cell in header]
    while names and not names[-1]:
        names.pop()
    columns = (*names, *(name for name in table.column_names if name not in names))
    filled = [[restored(typed_text(cell)) for cell in cells] for _, cells in rows]
    width = len(names)
    return TypedTable.of(
        columns,
        ((cells + [""] * width)[:width] + [""] * (len(columns) - width) for cells in filled),
    )


class Book:
    """Tables by name, with what was done to them and what was undone."""

    def __init__(self, tables: Mapping[str, TypedTable]) -> None:
        self.tables = dict(tables)
        self.done: list[Edit] = []
        self.undone: list[Edit] = []
        self.names: set[str] = set()
        self.revision = 0

    def apply(self, edit: Edit) -> None:
        self._change(edit)
        self.undone.clear()
        self._note(edit.name)
        last = self.done[-1] if self.done else None
        place = edit.table, edit.group
        if last is not None and edit.group and (last.table, last.group) == place:
            self.done[-1] = _joined(last, edit)
        else:
            self.done.append(edit)

    def undo(self, name: str = "") -> None:
        """Undo the last edit, where there is one, with those of its group in other tables."""
        self._note(name)
        self._move(self.done, self.undone, lambda edit: edit.reversed)

    def redo(self, name: str = "") -> None:
        """Do again what was undone last, where anything was."""
        self._note(name)
        self._move(self.undone, self.done, lambda edit: edit)

    def _move(self, source: list[Edit], to: list[Edit], way: Callable[[Edit], Edit]) -> None:
        group = source[-1].group if source else None
        while source:
            edit = source.pop()
            self._change(way(edit))
            to.append(edit)
            if not group or not source or source[-1].group != group:
                return

    def _note(self, name: str) -> None:
        if name:
            self.names.add(name)

    def _change(self, edit: Edit) -> None:
        self.tables[edit.table].apply(edit.changes)
        self.revision += 1


def _joined(first: Edit, then: Edit) -> Edit:
    return replace(then, changes=first.changes + then.changes)


# Edits -------------------------------------------------------------------------------------------


def edit_cells(table: str, typed: TypedTable, texts: Mapping[tuple[int, str], str]) -> Edit:
    """Give cells, by row id and column, other texts; raise KeyError where one is gone."""
    by_row: dict[int, dict[str, str]] = {}
    for (row_id, column), text in texts.items():
        by_row.setdefault(row_id, {})[column] = text
    changes = []
    for row_id, own in by_row.items():
        before = typed.rows[row_id]
        after = list(before)
        for column, text in own.items():
            if column not in typed.columns:
                raise KeyError(column)
            after[typed.columns.index(column)] = text
        changes.append(RowChange(row_id, typed.place_of(row_id), before, tuple(after)))
    about = f"{len(texts)} cells of {table}" if len(texts) > 1 else f"{column} of {table}"
    return Edit(table, about, tuple(changes))


def insert_rows(table: str, typed: TypedTable, place: int, rows: Sequence[Cells]) -> Edit:
    changes = tuple(
        RowChange(typed.next_id + index, place + index, None, cells)
        for index, cells in enumerate(rows)
    )
    return Edit(table, f"{len(rows)} new {'row' if len(rows) == 1 else 'rows'} of {table}", changes)


def delete_rows(table: str, typed: TypedTable, row_ids: Sequence[int]) -> Edit:
    order = typed.order
    places = sorted({order.index(row_id) for row_id in row_ids}, reverse=True)
    changes = tuple(RowChange(order[p], p, typed.rows[order[p]], None) for p in places)
    return Edit(table, f"{len(places)} fewer {'row' if len(places) == 1 else 'rows'} of {table}",
                changes)  # fmt: skip


def paste_block(
    table: str,
    typed: TypedTable,
    targets: Sequence[int],
    column: str,
    block: Sequence[Sequence[str]],
    shown: Sequence[str] = (),
) -> Edit:
    """A block of texts from a cell to the right and down.

    `targets` are the rows from the cell down, as a person sees them; what the block has more goes
    into new rows below the last. A block whose first row names columns is pasted by
    them; else by `shown`, the columns in the order in which a person sees them, or all in their
    own. Raise KeyError where the cell is gone, TooWide where the block is wider than what is
    there.
    """
    names = [text.strip().lower() for text in block[0]]
    if len(set(names)) == len(names) and set(names) <= set(typed.columns) and len(block) > 1:
        places, block = [typed.columns.index(name) for name in names], block[1:]
    else:
        seen = [name for name in shown if name in typed.columns] or list(typed.columns)
        if column not in seen:
            raise KeyError(column)
        places = [typed.columns.index(name) for name in seen[seen.index(column) :]]
    width = max(map(len, block))
    if width > len(places):
        raise TooWide(f"a block of {width} columns, where {len(places)} are left")
    changes = []
    for index, texts in enumerate(block):
        new = index - len(targets)
        name = targets[index] if new < 0 else typed.next_id + new
        before = typed.rows[name] if new < 0 else None
        after = list(("",) * len(typed.columns) if before is None else before)
        for at, text in zip(places, texts, strict=False):
            after[at] = text
        place = typed.place_of(name) if new < 0 else len(typed.order) + new
        changes.append(RowChange(name, place, before, tuple(after)))
    return Edit(table, f"{len(block)} rows pasted into {table}", tuple(changes))


def replace_rows(table: str, typed: TypedTable, other: TypedTable) -> Edit:
    """Take every row out and put those of another table in."""
    gone = delete_rows(table, typed, typed.order)
    places = [other.columns.index(c) if c in other.columns else None for c in typed.columns]
    new = [tuple("" if p is None else cells[p] for p in places) for cells in other.cells()]
    come = insert_rows(table, typed, 0, new)
    return Edit(table, f"{table} read from a file", gone.changes + come.changes)
