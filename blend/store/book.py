"""The book's own database: what is added stays; a correction keeps what it corrects."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from sqlalchemy import (
    CheckConstraint,
    Column,
    Connection,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    insert,
    select,
)

from blend.domain.book import BidOffer, Book, Deal, wrong_corrections
from blend.errors import InputRefused, Problem
from blend.store.engine import (
    Database,
    as_file_trouble,
    make_own_file,
    name_of,
    open_engine,
    url_of,
    writing,
)
from blend.store.tables import UtcDateTime, record_of, row_of, sql_columns
from blend.store.versions import Versioned, versions_table

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
VERSIONED = Versioned(
    "book",
    versions_table("book_versions", METADATA),
    version=3,
    oldest=1,  # fewer columns of deals, no bids and offers; 2 had no delivery month of those
    records={DEALS: Deal, BIDS_OFFERS: BidOffer},
    first_table=DEALS,
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
            VERSIONED.make_or_update(connection, name)
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
                rows = [{"added_at": now} | row_of(each) for each in new if isinstance(each, kind)]
                if rows:
                    connection.execute(insert(table), rows)
        return len(new)

    def book(self) -> Book:
        """Every deal, bid and offer ever added, in the order they were."""
        with as_file_trouble(self.name), self._engine.connect() as connection:
            return _book(connection)


def _book(connection: Connection) -> Book:
    return Book(_kept_in(connection, DEALS, Deal), _kept_in(connection, BIDS_OFFERS, BidOffer))


def _kept_in(connection: Connection, table: Table, kind: type) -> tuple[Any, ...]:
    ordered = select(table).order_by(table.c.added_at, *table.primary_key)
    return tuple(record_of(kind, row) for row in connection.execute(ordered).mappings())


def _problems(new: list[Deal | BidOffer], there: dict[str, Deal | BidOffer]) -> Iterable[Problem]:
    wrong = wrong_corrections({each.entry_id: each.corrects for each in (*there.values(), *new)})
    for each in new:
        id_column = "deal_id" if isinstance(each, Deal) else "quote_id"
        if each.entry_id in there:
            yield Problem("book", None, id_column, each.entry_id, "a number not in use")
        elif each.entry_id in wrong:
            yield Problem("book", None, "corrects", each.corrects, wrong[each.entry_id])
