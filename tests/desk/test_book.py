"""Tables as typed, compared with a plain list of rows: whatever is done, undone, killed and read
back, they agree."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from blend.desk.book import (
    Edit,
    RowChange,
    TooWide,
    TypedTable,
    delete_rows,
    edit_cells,
    insert_rows,
    paste_block,
    replace_rows,
    typed_table,
)
from blend.desk.journal import EDITS, Journal, digest_of
from blend.tables.columns import TABLES
from blend.tables.tables import RawTable

COLUMNS = ("lot_id", "price", "note")
CELLS = st.text(st.characters(exclude_categories=["Cs"]), max_size=4) | st.sampled_from(
    ["", " ", "=1", "'=1", "a\nb", "\u2028", "\x85", "\x1c", "𝔘", '"', "\\", "é"]
)
ROWS = st.lists(st.tuples(CELLS, CELLS, CELLS), max_size=3)


class Typing(RuleBasedStateMachine):
    """A journal next to a model: the cells, and those before each edit, as plain lists."""

    def __init__(self):
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="journal-"))
        self.names = 0

    @initialize(rows=ROWS)
    def begin(self, rows):
        self.base = {"lots": TypedTable.of(COLUMNS, rows), "rules": TypedTable.of(COLUMNS, ())}
        self.first = {name: table.cells() for name, table in self.base.items()}
        self.journal = Journal(self.folder)
        self.journal.open_book(self.fresh())
        self.cells = dict(self.first)
        self.before: list[tuple[dict, str]] = []
        self.after: list[tuple[dict, str]] = []
        self.last: Edit | None = None

    def fresh(self):
        return {name: TypedTable.of(COLUMNS, rows) for name, rows in self.first.items()}

    @property
    def book(self):
        return self.journal.book

    def new_name(self) -> str:
        self.names += 1
        return f"edit-{self.names}"

    def do(self, edit: Edit, cells: list, group: str = "") -> None:
        from dataclasses import replace

        self.last = replace(edit, name=self.new_name(), group=group)
        self.journal.add(self.last)
        joins = group and self.before and self.before[-1][1] == group
        if not joins:
            self.before.append((dict(self.cells), group))
        self.after.clear()
        self.cells = self.cells | {edit.table: cells}

    @rule(table=st.sampled_from(["lots", "rules"]), data=st.data())
    def add_rows(self, table, data):
        own = self.cells[table]
        place = data.draw(st.integers(0, len(own)))
        new = data.draw(ROWS.filter(bool))
        typed = self.book.tables[table]
        self.do(insert_rows(table, typed, place, new), [*own[:place], *new, *own[place:]])

    @precondition(lambda self: self.cells["lots"])
    @rule(data=st.data(), text=CELLS, group=st.sampled_from(["", "drag", "other"]))
    def type_cell(self, data, text, group):
        own = [list(cells) for cells in self.cells["lots"]]
        place = data.draw(st.integers(0, len(own) - 1))
        column = data.draw(st.sampled_from(COLUMNS))
        typed = self.book.tables["lots"]
        edit = edit_cells("lots", typed, {(typed.order[place], column): text})
        own[place][COLUMNS.index(column)] = text
        self.do(edit, [tuple(cells) for cells in own], group)

    @precondition(lambda self: self.cells["lots"])
    @rule(data=st.data())
    def take_rows_out(self, data):
        own = self.cells["lots"]
        places = data.draw(st.lists(st.integers(0, len(own) - 1), min_size=1, max_size=4))
        typed = self.book.tables["lots"]
        edit = delete_rows("lots", typed, [typed.order[place] for place in places])
        self.do(edit, [cells for place, cells in enumerate(own) if place not in places])

    @rule(data=st.data(), block=st.lists(st.lists(CELLS, min_size=1, max_size=2), min_size=1))
    def paste(self, data, block):
        if {text.strip().lower() for text in block[0]} <= set(COLUMNS):
            return  # laid by names, tested below
        own = [list(cells) for cells in self.cells["lots"]]
        place = data.draw(st.integers(0, len(own)))
        first = data.draw(st.integers(0, len(COLUMNS) - max(map(len, block))))
        typed = self.book.tables["lots"]
        edit = paste_block("lots", typed, typed.order[place:], COLUMNS[first], block)
        for down, texts in enumerate(block):
            if place + down == len(own):
                own.append([""] * len(COLUMNS))
            own[place + down][first : first + len(texts)] = texts
        self.do(edit, [tuple(cells) for cells in own])

    @rule(rows=ROWS)
    def read_a_file(self, rows):
        typed = self.book.tables["lots"]
        self.do(replace_rows("lots", typed, TypedTable.of(COLUMNS, rows)), rows)

    @rule()
    def undo(self):
        self.journal.undo(self.new_name())
        if self.before:
            cells, group = self.before.pop()
            self.after.append((self.cells, group))
            self.cells = cells

    @rule()
    def redo(self):
        self.journal.redo(self.new_name())
        if self.after:
            cells, group = self.after.pop()
            self.before.append((self.cells, group))
            self.cells = cells

    @rule()
    def send_an_undo_twice(self):
        name = self.new_name()
        self.journal.undo(name)
        if self.before:
            cells, group = self.before.pop()
            self.after.append((self.cells, group))
            self.cells = cells
        self.journal.undo(name)

    @rule()
    def save(self):
        self.journal.saved(self.book.digest)
        assert not self.book.is_unsaved

    @rule(torn=st.binary(max_size=30).map(lambda data: data.replace(b"\n", b"")))
    def open_again(self, torn):
        """After a kill in the middle of a line, or without."""
        before = self.book
        self.journal.close()
        with (self.folder / EDITS).open("ab") as file:
            file.write(torn)
        self.journal = Journal(self.folder)
        was_saved = self.book_as_of_folder(before)
        self.journal.open_book(was_saved)
        assert self.book.book_id == before.book_id
        assert self.book.names == before.names
        assert self.book.done == before.done and self.book.undone == before.undone
        assert [table.order for table in self.book.tables.values()] == [
            table.order for table in before.tables.values()
        ]

    def book_as_of_folder(self, before):
        """What the folder holds: the tables as saved last."""
        return self.fresh() if before.is_unsaved else before.tables

    @rule()
    def another_desk_is_refused(self):
        with pytest.raises(Exception, match="another desk is open"):
            Journal(self.folder)

    @invariant()
    def tables_are_as_the_model_says(self):
        if hasattr(self, "journal"):
            assert {n: t.cells() for n, t in self.book.tables.items()} == self.cells
            assert self.book.is_unsaved == (self.book.saved_digest != digest_of(self.book.tables))

    def teardown(self):
        if hasattr(self, "journal"):
            self.journal.close()
        shutil.rmtree(self.folder)


TestTyping = Typing.TestCase
TestTyping.settings = settings(
    max_examples=40,
    stateful_step_count=20,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)


# One edit ----------------------------------------------------------------------------------------


def table(*rows) -> TypedTable:
    return TypedTable.of(COLUMNS, rows)


def test_a_block_is_laid_by_the_names_above_it():
    typed = table(("a", "1", ""))
    block = [["Price", "lot_id"], ["2", "b"], ["3", "c"]]
    typed.apply(paste_block("lots", typed, typed.order, "note", block).changes)
    assert typed.cells() == [("b", "2", ""), ("c", "3", "")]


@pytest.mark.parametrize("block", [[["1", "2"]], [["price"], ["1", "2"]], [["1"], ["1", "2", "3"]]])
def test_a_block_wider_than_its_place_is_refused_whole(block):
    typed = table(("a", "1", ""))
    column = "note" if block[0] != ["price"] else "price"
    with pytest.raises(ValueError):
        paste_block("lots", typed, typed.order, column, block)


def test_what_is_gone_is_told():
    typed = table(("a", "1", ""))
    for make in (
        lambda: edit_cells("lots", typed, {(7, "price"): "1"}),
        lambda: edit_cells("lots", typed, {(0, "color"): "1"}),
        lambda: delete_rows("lots", typed, [7]),
        lambda: paste_block("lots", typed, [7], "price", [["1"]]),
        lambda: paste_block("lots", typed, [0], "color", [["1"]]),
    ):
        with pytest.raises((KeyError, ValueError)):
            make()


@given(ROWS)
def test_an_edit_written_out_is_read_back_the_same(rows):
    import json

    edit = insert_rows("lots", table(*rows), 0, rows)
    assert Edit.of_plain(json.loads(json.dumps(edit.to_plain()))) == edit
    gone = Edit("lots", "x", (RowChange(1, 0, ("a", "b", "c"), None),), "g", "n")
    assert Edit.of_plain(json.loads(json.dumps(gone.to_plain()))) == gone


@given(ROWS)
def test_digests_differ_where_cells_do(rows):
    first = digest_of({"lots": table(*rows)})
    assert first == digest_of({"lots": table(*rows), "rules": table()})
    assert first == digest_of({"lots": table(*rows, ("", " ", ""))})
    assert first != digest_of({"lots": table(*rows, ("x", "", ""))})


def test_a_text_moved_to_the_blank_cell_beside_it_is_a_change():
    assert digest_of({"lots": table(("a", "5", ""))}) != digest_of({"lots": table(("a", "", "5"))})


def test_columns_that_a_file_leaves_out_can_be_typed_into():
    raw = RawTable("lots.csv", ((1, ("Lot_ID ", "", "color", "")), (3, ("a", "b", "red"))))
    typed = typed_table(raw, TABLES["lots"])
    assert typed.columns[:3] == ("lot_id", "", "color")
    assert set(TABLES["lots"].column_names) <= set(typed.columns)
    assert typed.cells()[0][:3] == ("a", "b", "red")


def test_a_block_without_names_is_laid_by_the_columns_as_they_are_seen():
    typed = table(("a", "1", "x"))
    shown = [COLUMNS[2], COLUMNS[0]]
    edit = paste_block("lots", typed, [0], shown[0], [["new", "b"]], shown)
    typed.apply(edit.changes)
    cells = dict(zip(typed.columns, typed.cells()[0], strict=True))
    assert (cells[shown[0]], cells[shown[1]], cells[COLUMNS[1]]) == ("new", "b", "1")
    with pytest.raises(TooWide):
        paste_block("lots", typed, [0], shown[1], [["1", "2"]], shown)
    with pytest.raises(KeyError):
        paste_block("lots", typed, [0], COLUMNS[1], [["1"]], shown)
