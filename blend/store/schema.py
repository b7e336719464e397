"""The store's tables, derived from the records they hold, and the guards that keep them whole."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields
from datetime import UTC, date, datetime
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Connection,
    Date,
    DateTime,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
    inspect,
    literal,
    text,
)

from blend.domain.market import CanvassEntry, Item, Published, Volume

VERSION = 5
"""Of the tables below. Versions from 2 on had fewer columns: a store of them is brought up to date
when it is opened. Any other version is refused."""
OLDEST_VERSION = 2


class UtcDateTime(TypeDecorator[datetime]):
    """A moment with its zone outside of the store, in UTC without one inside."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> datetime | None:
        return None if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Any) -> datetime | None:
        return None if value is None else value.replace(tzinfo=UTC)


class Codes(TypeDecorator[tuple[str, ...]]):
    """Several codes, joined by `|`."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: tuple[str, ...] | None, dialect: Any) -> str | None:
        return None if value is None else "|".join(value)

    def process_result_value(self, value: str | None, dialect: Any) -> tuple[str, ...] | None:
        return None if value is None else tuple(filter(None, value.split("|")))


_TYPES: Mapping[type, Any] = {
    str: Text,
    float: Double,
    int: Integer,
    bool: Boolean,
    date: Date,
    datetime: DateTime,
    tuple: Codes,
}


def sql_columns(
    record: type, utc: Iterable[str] = (), references: Mapping[str, str] | None = None
) -> list[Column[Any]]:
    """One SQL column for each field of a record; fields that may be None may be NULL.

    Moments named in `utc` carry their zone; `references` has the foreign keys, by field.
    """
    hints = get_type_hints(record)
    found: list[Column[Any]] = []
    for name in (each.name for each in fields(record)):
        kind, is_optional = _kind_of(hints[name])
        sql_type = UtcDateTime if name in utc else _sql_type(kind)
        keys = [ForeignKey(references[name])] if references and name in references else []
        found.append(Column(name, sql_type, *keys, nullable=is_optional))
    return found


def _kind_of(hint: Any) -> tuple[type, bool]:
    """The type of a field, and whether it may be None."""
    if get_origin(hint) in (Union, UnionType):
        (kind,) = (each for each in get_args(hint) if each is not NoneType)
        return get_origin(kind) or kind, True
    return get_origin(hint) or hint, False


def _sql_type(kind: type) -> Any:
    return next(_TYPES[each] for each in kind.__mro__ if each in _TYPES)


def add_missing_columns(connection: Connection, table: Table, record: type) -> None:
    """Add what a table of an older version lacks, in its rows as a blank cell is read."""
    known = {each["name"] for each in inspect(connection).get_columns(table.name)}
    for column in table.columns:
        if column.name in known:
            continue
        kind = column.type.compile(connection.dialect)
        added = f"ALTER TABLE {table.name} ADD COLUMN {column.name} {kind}"
        if not column.nullable:
            default = record.__dataclass_fields__[column.name].default  # type: ignore[attr-defined]
            value = literal(default, column.type)
            blank = value.compile(connection.engine, compile_kwargs={"literal_binds": True})
            added += f" DEFAULT {blank} NOT NULL"
        connection.exec_driver_sql(added)


METADATA = MetaData()

SCHEMA_VERSIONS = Table(
    "schema_versions",
    METADATA,
    Column("version", Integer, primary_key=True),
    Column("applied_at", UtcDateTime, nullable=False),
)

APPENDS = Table(
    "appends",
    METADATA,
    Column("append_number", Integer, primary_key=True, autoincrement=False),
    Column("recorded_at", UtcDateTime, nullable=False),
)


def _kept(name: str, *rest: Any) -> Table:
    """A table whose rows each belong to the append that brought them."""
    number: Column[int] = Column(
        "append_number", ForeignKey("appends.append_number"), nullable=False
    )
    return Table(name, METADATA, number, *rest)


def _place() -> Column[Any]:
    return Column("place", Integer, nullable=False)


METHODS = _kept(
    "methods", Column("digest", Text, primary_key=True), Column("text", Text, nullable=False)
)
ENTRIES = _kept(
    "entries",
    _place(),
    *sql_columns(CanvassEntry, references={"corrects": "entries.entry_id"}),
    PrimaryKeyConstraint("entry_id"),
    UniqueConstraint("corrects"),  # what is wrong with a correction is corrected there
    CheckConstraint("corrects <> entry_id"),
    Index("entries_by_item", "item_id", "market_day"),
    Index("entries_by_day", "market_day"),
)
ITEMS = _kept(
    "items", _place(), *sql_columns(Item), PrimaryKeyConstraint("append_number", "item_id")
)
VOLUMES = _kept(
    "volumes",
    _place(),
    *sql_columns(Volume),
    PrimaryKeyConstraint("append_number", "place"),
    Index("volumes_by_series", "series_id", "period_end"),
)
PUBLISHED = _kept(
    "published",
    _place(),
    *sql_columns(Published, utc=("published_at",), references={"method_digest": "methods.digest"}),
    PrimaryKeyConstraint("append_number", "item_id", "market_day"),
    Index("published_by_item", "item_id", "market_day"),
)


def add_guards(connection: Connection, tables: Iterable[Table]) -> None:
    """Make tables append-only."""
    for statement in guards(connection.dialect.name, tables):
        connection.execute(text(statement))


def guards(engine: str, tables: Iterable[Table]) -> Iterator[str]:
    """What makes tables append-only, as SQL for an engine."""
    if engine == "postgresql":
        yield (
            "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME; END $$"
        )
    for table in tables:
        refusal = f"BEGIN SELECT RAISE(ABORT, '{table.name} is append-only'); END"
        if engine == "postgresql":
            yield (
                f"CREATE TRIGGER {table.name}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON "
                f"{table.name} FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
            )
            continue
        for deed in ("UPDATE", "DELETE"):
            name = f"{table.name}_no_{deed.lower()}"
            yield f"CREATE TRIGGER {name} BEFORE {deed} ON {table.name} {refusal}"
        # INSERT OR REPLACE deletes the old row without firing the trigger above
        same = " OR ".join(
            "(" + " AND ".join(f"{column.name} = NEW.{column.name}" for column in key) + ")"
            for key in _unique_keys(table)
        )
        yield (
            f"CREATE TRIGGER {table.name}_no_replace BEFORE INSERT ON {table.name} "
            f"WHEN EXISTS (SELECT 1 FROM {table.name} WHERE {same}) {refusal}"
        )


def _unique_keys(table: Table) -> list[list[Column[Any]]]:
    constraints = [
        each
        for each in table.constraints
        if isinstance(each, PrimaryKeyConstraint | UniqueConstraint)
    ]
    return [list(each.columns) for each in constraints]
