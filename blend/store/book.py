"""The book's own database: what is added stays; a correction keeps what it corrects."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from sqlalchemy import (
    CheckConstraint,
    Column,
    Connection,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    func,
    insert,
    inspect,
    select,
)

from blend.domain.book import BidOffer, Book, Deal, wrong_corrections
from blend.domain.columns import Kind, columns_of
from blend.errors import FileTrouble, InputRefused, Problem
from blend.store.engine import (
    Database,
    as_file_trouble,
    make_own_file,
    name_of,
    open_engine,
    url_of,
    writing,
)
from blend.store.schema import UtcDateTime, add_guards, add_missing_columns, sql_columns

VERSION = 2
"""Of the tables below. Version 1 had fewer columns of deals, and no bids and offers: a book of it
is brought up to date when it is opened. A later one is refused."""

METADATA = MetaData()


def _kept(kind: type, key: str) -> Table:
    return Table(
        {Deal: "deals", BidOffer: "bids_offers"}[kind],
        METADATA,
        Column("added_at", UtcDateTime, nullable=False),
        *sql_columns(kind),
        PrimaryKeyConstraint(key),
        CheckConstraint(f"corrects <> {key}"),
    )


DEALS, BIDS_OFFERS = _kept(Deal, "deal_id"), _kept(BidOffer, "quote_id")
VERSIONS = Table(
    "book_versions",
    METADATA,
    Column("version", Integer, primary_key=True),
    Column("applied_at", UtcDateTime, nullable=False),
)


class BookStore(Database):
    """Deals, bids and offers in one SQLite file or one PostgreSQL database of their own."""

    @classmethod
    def open(cls, where: str | Path) -> Self:
        """Open a book; one that is not there yet is made. Raise FileTrouble."""
        url = url_of(where)
        name = name_of(url)
        make_own_file(url)
        book = cls(open_engine(url), name)
        with as_file_trouble(name), writing(book._engine) as connection:
            _make_or_update(connection, name)
        return book

    def add(self, entries: Iterable[Deal | BidOffer]) -> int:
        """Add deals, bids and offers, all of them or none; those already there word for word are
        left out.

        Raise InputRefused for an id in use, or a correction of what is not there or was
        corrected before.
        """
        with as_file_trouble(self.name), writing(self._engine) as connection:
            now = datetime.now(UTC)
            there = {each.entry_id: each for each in _book(connection).entries}
            new = [each for each in entries if there.get(each.entry_id) != each]
            problems = list(_problems(new, there))
            if problems:
                raise InputRefused(problems)
            for kind, table in ((Deal, DEALS), (BidOffer, BIDS_OFFERS)):
                rows = [{"added_at": now} | _row(each) for each in new if isinstance(each, kind)]
                if rows:
                    connection.execute(insert(table), rows)
        return len(new)

    def book(self) -> Book:
        """Every deal, bid and offer ever added, in the order they were."""
        with as_file_trouble(self.name), self._engine.connect() as connection:
            return _book(connection)


def _book(connection: Connection) -> Book:
    return Book(
        tuple(Deal(**row) for row in _rows(connection, DEALS)),
        tuple(BidOffer(**row) for row in _rows(connection, BIDS_OFFERS)),
    )


def _make_or_update(connection: Connection, name: str) -> None:
    """Make the tables, or add what the tables of an older version lack."""
    there = inspect(connection).get_table_names()
    engine = connection.dialect.name
    if DEALS.name not in there and there and engine == "sqlite":
        raise FileTrouble(f"{name}: holds other tables. Choose another name.")
    version = None
    if VERSIONS.name in there:
        version = connection.execute(select(func.max(VERSIONS.c.version))).scalar_one()
    elif DEALS.name in there:
        version = 1
    if version == VERSION:
        return
    if version is not None and version > VERSION:
        raise FileTrouble(
            f"{name}: a book of version {version}, made by a later blend; this one uses version "
            f"{VERSION}. Install the later blend."
        )
    if version == 1:
        add_missing_columns(connection, DEALS, Deal)
    METADATA.create_all(connection)
    new = [each for each in METADATA.sorted_tables if each.name not in there]
    add_guards(connection, new)
    row = {"version": VERSION, "applied_at": datetime.now(UTC)}
    connection.execute(insert(VERSIONS), row)


def _rows(connection: Connection, table: Table) -> Iterator[dict[str, Any]]:
    key = next(iter(table.primary_key))
    for row in connection.execute(select(table).order_by(table.c.added_at, key)).mappings():
        yield {
            name: _KINDS[table, name](value) if (table, name) in _KINDS else value
            for name, value in row.items()
            if name != "added_at"
        }


_KINDS = {
    (table, column.name): column.convert
    for table, kind in ((DEALS, Deal), (BIDS_OFFERS, BidOffer))
    for column in columns_of(kind)
    if column.kind is Kind.CHOICE and column.convert
}
"""Columns whose text is one of a few choices."""


def _row(entry: Deal | BidOffer) -> dict[str, Any]:
    return {name: getattr(entry, name) for name in type(entry).__dataclass_fields__}


def _problems(new: list[Deal | BidOffer], there: dict[str, Deal | BidOffer]) -> Iterable[Problem]:
    wrong = wrong_corrections({each.entry_id: each.corrects for each in (*there.values(), *new)})
    for each in new:
        id_column = "deal_id" if isinstance(each, Deal) else "quote_id"
        if each.entry_id in there:
            yield Problem("book", None, id_column, each.entry_id, "a number not in use")
        elif each.entry_id in wrong:
            yield Problem("book", None, "corrects", each.corrects, wrong[each.entry_id])
