"""The door to the two engines: SQLite in one file, or PostgreSQL for those who share one."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import ArgumentError, SQLAlchemyError

from blend.errors import FileTrouble
from blend.files import check_place

WAIT_S = 30
"""How long a writer waits for another before it gives up."""

_WRITERS_LOCK = 0x626C656E64
"""PostgreSQL knows locks by number. Writers take turns, so that appends are recorded in the
order of their numbers, and what was read at one number stays as it was."""


def url_of(where: str | Path) -> URL:
    """The address of a store: a path means an SQLite file, else a PostgreSQL URL.

    Raise FileTrouble for any other address.
    """
    if isinstance(where, Path) or "://" not in where:
        return URL.create("sqlite", database=str(where))
    try:
        url = make_url(where)
    except ArgumentError:
        raise FileTrouble("the address of the store cannot be read as a URL") from None
    if url.drivername.partition("+")[0] not in ("postgresql", "postgres", "sqlite"):
        raise FileTrouble(
            f"{url.render_as_string()}: a store is a path, or begins with postgresql://"
        )
    if url.drivername.startswith("postgres"):
        return url.set(drivername="postgresql+psycopg")
    return url


def name_of(url: URL) -> str:
    """As messages call it; never with a password."""
    if url.drivername.startswith("sqlite"):
        return str(url.database)
    return url.set(drivername="postgresql").render_as_string(hide_password=True)


def make_own_file(url: URL) -> None:
    """The file of a new SQLite database, for its owner alone to read; one that is there stays as
    it is. Raise FileTrouble."""
    name = name_of(url)
    if url.drivername != "sqlite":
        return
    check_place(Path(name))
    if not os.path.exists(name):
        os.close(os.open(name, os.O_CREAT | os.O_WRONLY, 0o600))


class Database:
    """An open database by the name that messages call it; used in a `with`, it is closed."""

    def __init__(self, engine: Engine, name: str) -> None:
        self._engine = engine
        self.name = name

    def close(self) -> None:
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_engine(url: URL) -> Engine:
    """An engine whose transactions are begun by us alone, so that a change of tables is one."""
    try:
        if url.drivername.startswith("sqlite"):
            engine = create_engine(url, connect_args={"timeout": WAIT_S})
            event.listen(engine, "connect", _set_up_sqlite)
            event.listen(engine, "begin", _begin_sqlite)
            return engine
        return create_engine(url, connect_args={"connect_timeout": 10})
    except ModuleNotFoundError as error:
        raise FileTrouble(
            f"{error.name} is not installed, and a PostgreSQL store needs it. In blend's own "
            "folder: python -m pip install '.[postgres]'"
        ) from error


def _set_up_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    # A writer that begins as a reader could no longer become one once another has written.
    is_writer = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if is_writer else "BEGIN")


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that alone writes: kept whole when the block ends, else undone whole."""
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.execute(text(f"SET LOCAL lock_timeout = '{WAIT_S}s'"))
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _WRITERS_LOCK})
        yield connection


@contextmanager
def as_file_trouble(name: str) -> Iterator[None]:
    """What goes wrong with an engine, in one line that names the store."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error) as error:
        cause = getattr(error, "orig", None) or error
        reason = next(iter(str(cause).strip().splitlines()), type(cause).__name__)
        for reported, meant in _MEANINGS.items():
            if reported in reason:
                reason = meant
        raise FileTrouble(f"{name}: {reason}") from error


_BUSY = f"another process has been writing for {WAIT_S} s; try again"
_MEANINGS = {
    "database is locked": _BUSY,
    "lock timeout": _BUSY,
    "disk I/O error": "the disk fails, or is full (disk I/O error)",
    "readonly database": "you may not write there, and SQLite must even to read a store",
}
