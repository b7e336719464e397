"""The book's own database: deals are added, never changed; a correction keeps what it corrects."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

from sqlalchemy import (
    CheckConstraint,
    Column,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    UniqueConstraint,
    insert,
    inspect,
    select,
)
from sqlalchemy.exc import IntegrityError

from blend.domain.book import Deal, LeanClaim, Pricing, Side, Where
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
from blend.store.schema import UtcDateTime, guards, sql_columns

METADATA = MetaData()
DEALS = Table(
    "deals",
    METADATA,
    Column("added_at", UtcDateTime, nullable=False),
    *sql_columns(Deal),
    PrimaryKeyConstraint("deal_id"),
    CheckConstraint("corrects <> deal_id"),
    UniqueConstraint("deal_id", "corrects"),
)


class BookStore(Database):
    """Deals in one SQLite file or one PostgreSQL database of their own."""

    @classmethod
    def open(cls, where: str | Path) -> Self:
        """Open a book; one that is not there yet is made. Raise FileTrouble."""
        url = url_of(where)
        name = name_of(url)
        make_own_file(url)
        book = cls(open_engine(url), name)
        with as_file_trouble(name), writing(book._engine) as connection:
            tables = inspect(connection).get_table_names()
            if DEALS.name not in tables:
                if tables and url.drivername == "sqlite":
                    raise FileTrouble(f"{name}: holds other tables. Choose another name.")
                METADATA.create_all(connection)
                for statement in guards(connection.dialect.name, METADATA):
                    connection.exec_driver_sql(statement)
        return book

    def add(self, deals: Iterable[Deal]) -> int:
        """Add deals, all of them or none; those already there word for word are left out.

        Raise InputRefused for an id in use, or a correction of a deal that is not there or was
        corrected before.
        """
        there = {each.deal_id: each for each in self.deals()}
        new = [each for each in deals if there.get(each.deal_id) != each]
        problems = list(_problems(new, there))
        if problems:
            raise InputRefused(problems)
        if not new:
            return 0
        now = datetime.now(UTC)
        rows = [{"added_at": now} | _row(each) for each in new]
        with as_file_trouble(self.name), writing(self._engine) as connection:
            try:
                connection.execute(insert(DEALS), rows)
            except IntegrityError as error:
                raise FileTrouble(f"{self.name}: another entry came first. Try again.") from error
        return len(new)

    def deals(self) -> tuple[Deal, ...]:
        """Every deal ever added, in the order it was."""
        with as_file_trouble(self.name), self._engine.connect() as connection:
            rows = connection.execute(select(DEALS).order_by(DEALS.c.added_at, DEALS.c.deal_id))
            return tuple(_deal(dict(row._mapping)) for row in rows)


def _row(deal: Deal) -> dict[str, Any]:
    return {name: getattr(deal, name) for name in Deal.__dataclass_fields__}


def _deal(row: dict[str, Any]) -> Deal:
    row.pop("added_at")
    kinds = {"side": Side, "pricing": Pricing, "where": Where, "lean_claim": LeanClaim}
    return Deal(**row | {name: kind(row[name]) for name, kind in kinds.items()})


def _problems(new: list[Deal], there: dict[str, Deal]) -> Iterable[Problem]:
    ids = there.keys() | {each.deal_id for each in new}
    corrected = {each.corrects: each.deal_id for each in there.values() if each.corrects}
    for each in new:
        if each.deal_id in there:
            yield Problem("book", None, "deal_id", each.deal_id, "a number not in use")
        if each.corrects and each.corrects not in ids:
            yield Problem("book", None, "corrects", each.corrects, "a deal in the book")
        elif each.corrects in corrected:
            last = corrected[each.corrects]
            yield Problem("book", None, "corrects", each.corrects, f"{last}, which corrected it")
