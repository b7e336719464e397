"""What is typed at a desk, kept on disk as it is typed: a copy of the tables at the start and a
line for each edit, so that neither a reload nor a crash loses any."""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import sys
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from io import FileIO, TextIOWrapper
from pathlib import Path
from typing import Any

from blend.desk.book import Book, Edit, TypedTable
from blend.errors import FileTrouble
from blend.files import as_file_trouble, take_away_unfinished
from blend.tables.write import write_text

if sys.platform != "win32":
    import fcntl

BASE, EDITS, DRAFTS, LOCK = "base.json", "edits.jsonl", "drafts.json", "lock"
OWN = "desk: "
"""How the names of drafts begin that the desk keeps for itself, and no form."""


def digest_of(tables: Mapping[str, TypedTable]) -> str:
    """A digest of the filled cells, by which a change of the folder behind the desk is seen."""
    return _joined({name: _digest_of_table(table) for name, table in tables.items()})


def _joined(digests: Mapping[str, str]) -> str:
    filled = sorted((name, digest) for name, digest in digests.items() if digest)
    return hashlib.sha256(json.dumps(filled).encode()).hexdigest()


def _digest_of_table(table: TypedTable) -> str:
    """Empty where nothing is filled in, as where there is no table."""
    plain = [
        [[column, cell] for column, cell in zip(table.columns, cells, strict=True) if cell.strip()]
        for cells in table.cells()
    ]
    filled = [row for row in plain if row]
    return hashlib.sha256(json.dumps(filled).encode()).hexdigest() if filled else ""


class Journal:
    """The files of one desk in one folder of its own; raise FileTrouble where they fail."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with as_file_trouble(folder):
            # What is typed may be a firm's prices: nobody else's to read.
            folder.mkdir(0o700, parents=True, exist_ok=True)
            for name in (LOCK, BASE, EDITS, DRAFTS):
                (folder / name).touch(0o600)
            self._lock = (folder / LOCK).open("a")
        if not _is_locked(self._lock):
            self._lock.close()
            raise FileTrouble(
                f"{folder}: another desk is open on these tables; close it, or name another "
                "place for what is typed with --work"
            )
        take_away_unfinished(folder, is_ours=True)
        self._edits: FileIO | None = None
        self._size = 0
        self.drafts: dict[str, str] = self._read_drafts()

    def open_book(self, fresh: Mapping[str, TypedTable]) -> tuple[DeskBook, bool]:
        """The book as left, and whether the tables behind it have changed since.

        `fresh` are the tables as they are now: they begin a new book where there is none with
        edits that were not saved.
        """
        digest = digest_of(fresh)
        left = self._read_book()
        if left is None or (left.saved_digest != digest and not left.is_unsaved):
            return self.begin(fresh), False
        self._open_edits()
        self.book = left
        return left, left.saved_digest != digest

    def begin(self, fresh: Mapping[str, TypedTable], revision: int = 0) -> DeskBook:
        """A new book of these tables; edits of the one before are put aside, not thrown away."""
        self._put_aside()
        book_id, digest = secrets.token_hex(8), digest_of(fresh)
        base = {
            "id": book_id,
            "digest": digest,
            "tables": {n: {"columns": t.columns, "rows": t.cells()} for n, t in fresh.items()},
        }
        write_text(self.folder / BASE, json.dumps(base))
        self._open_edits()
        self.book = DeskBook(fresh, book_id, digest, revision)
        return self.book

    def add(self, edit: Edit) -> None:
        """Keep an edit on disk, then make it."""
        self._write(edit.to_plain())
        self.book.apply(edit)

    def undo(self, name: str) -> None:
        """Undo the last edit; `name` keeps a request that is sent twice from undoing two."""
        if self.book.done and name not in self.book.names:
            self._write({"do": "undo", "name": name})
            self.book.undo(name)

    def redo(self, name: str) -> None:
        if self.book.undone and name not in self.book.names:
            self._write({"do": "redo", "name": name})
            self.book.redo(name)

    def saved(self, digest: str) -> None:
        """The tables are written to their folder."""
        self._write({"do": "saved", "digest": digest})
        self.book.mark_saved(digest)

    def keep_draft(self, key: str, text: str) -> None:
        """Keep a text that is being written, such as a note, by a name; empty forgets it."""
        if text:
            self.drafts[key] = text
        else:
            self.drafts.pop(key, None)
        write_text(self.folder / DRAFTS, json.dumps(self.drafts))

    def draft_as_json(self, key: str) -> Any:
        """What is kept by a name; None where nothing is, or what no form has sent."""
        try:
            return json.loads(self.drafts.get(key, ""))
        except (ValueError, RecursionError):
            return None

    def close(self) -> None:
        if self._edits is not None:
            self._edits.close()
        self._lock.close()

    def _open_edits(self) -> None:
        with as_file_trouble(self.folder / EDITS):
            self._edits = (self.folder / EDITS).open("ab", buffering=0)
            # a line that a crash left half written was never answered for
            self._size = (self.folder / EDITS).read_bytes().rfind(b"\n") + 1

    def _write(self, plain: Mapping[str, Any]) -> None:
        """Add a line, or leave the file as it was."""
        edits = self._edits
        assert edits is not None, "a book is open before anything is written of it"
        line = json.dumps(plain).encode() + b"\n"
        with as_file_trouble(self.folder / EDITS):
            # whatever a write that failed has left is no line
            edits.truncate(self._size)
            try:
                left = memoryview(line)
                while left:
                    left = left[edits.write(left) :]
                os.fsync(edits.fileno())
            except OSError:
                with suppress(OSError):
                    edits.truncate(self._size)
                raise
        self._size += len(line)

    def _read_book(self) -> DeskBook | None:
        """The book as it was left; None where there is none. Raise FileTrouble where what is
        there is not what was written."""
        base_path, edits_path = self.folder / BASE, self.folder / EDITS
        with as_file_trouble(self.folder):
            written, lines = base_path.read_bytes(), edits_path.read_bytes().split(b"\n")[:-1]
        if not written:
            return None
        place = f"{base_path}"
        try:
            book = _book_of_plain(json.loads(written))
            for number, line in enumerate(lines, 1):
                place = f"{edits_path} line {number}"
                _redo(book, json.loads(line))
        except (ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
            raise FileTrouble(
                f"{place}: cannot be read back; move {self.folder} out of the way to "
                "begin from the tables as they are in their folder"
            ) from error
        return book

    def _put_aside(self) -> None:
        base, edits = self.folder / BASE, self.folder / EDITS
        with as_file_trouble(edits):
            if self._edits is not None:
                self._edits.close()
            if edits.stat().st_size:
                moment = datetime.now().strftime("%Y%m%d-%H%M%S-%f")
                for path in (edits, base):
                    os.replace(path, path.with_name(f"before-{moment}-{path.name}"))
                    path.touch(0o600)

    def _read_drafts(self) -> dict[str, str]:
        try:
            return dict(json.loads((self.folder / DRAFTS).read_text("utf-8")))
        except (OSError, ValueError):
            return {}


def _is_locked(file: TextIOWrapper) -> bool:
    """Whether the lock is ours now. Windows and some file systems have no such locks: two desks
    on one folder are not kept apart there."""
    if sys.platform == "win32":
        return True
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True


def _book_of_plain(base: Mapping[str, Any]) -> DeskBook:
    tables = {
        name: TypedTable.of(each["columns"], each["rows"]) for name, each in base["tables"].items()
    }
    return DeskBook(tables, base["id"], base["digest"])


def _redo(book: DeskBook, plain: Mapping[str, Any]) -> None:
    match plain.get("do"):
        case "undo":
            book.undo(plain["name"])
        case "redo":
            book.redo(plain["name"])
        case "saved":
            book.mark_saved(plain["digest"])
        case _:
            book.apply(Edit.of_plain(plain))


class DeskBook(Book):
    """A book with an id, in which alone the ids of its rows mean anything, that knows what of it
    is written to its folder."""

    def __init__(
        self, tables: Mapping[str, TypedTable], book_id: str, digest: str, revision: int = 0
    ) -> None:
        super().__init__(tables)
        self.book_id = book_id
        self.revision = revision
        self.saved_digest = digest
        self._digests: dict[str, str] = {}

    def mark_saved(self, digest: str) -> None:
        self.saved_digest = digest

    @property
    def is_unsaved(self) -> bool:
        return self.digest != self.saved_digest

    @property
    def digest(self) -> str:
        """Of the tables as they stand; only those that were edited since are read again."""
        for name, table in self.tables.items():
            if name not in self._digests:
                self._digests[name] = _digest_of_table(table)
        return _joined(self._digests)

    def _change(self, edit: Edit) -> None:
        super()._change(edit)
        self._digests.pop(edit.table, None)
