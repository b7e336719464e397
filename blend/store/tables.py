"""SQL tables derived from the records they keep, and the guards that make them append-only."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields
from datetime import UTC, date, datetime
from enum import StrEnum
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Date,
    DateTime,
    Double,
    ForeignKey,
    Integer,
    PrimaryKeyConstraint,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
    inspect,
    literal,
    text,
)


class UtcDateTime(TypeDecorator[datetime]):
    """A moment with its zone outside of the store, in UTC without one inside."""

    impl = DateTime
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> datetime | None:
        return None if value is None else value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Any) -> datetime | None:
        return None if value is None else value.replace(tzinfo=UTC)


class Choice(TypeDecorator[StrEnum]):
    """One of a few words, each an enum's value."""

    impl = Text
    cache_ok = True

    def __init__(self, kind: type[StrEnum]) -> None:
        super().__init__()
        self.kind = kind

    def process_bind_param(self, value: StrEnum | None, dialect: Any) -> str | None:
        return None if value is None else str(value)

    def process_result_value(self, value: str | None, dialect: Any) -> StrEnum | None:
        return None if value is None else self.kind(value)


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
    if issubclass(kind, StrEnum):
        return Choice(kind)
    return next(_TYPES[each] for each in kind.__mro__ if each in _TYPES)


def row_of(thing: Any) -> dict[str, Any]:
    """A record as a row of its table, as `sql_columns` has it."""
    return {name: getattr(thing, name) for name in thing.__dataclass_fields__}


def record_of(kind: Any, row: Mapping[Any, Any]) -> Any:
    """The record of a row; columns that are not the record's are left out."""
    return kind(**{name: row[name] for name in kind.__dataclass_fields__})


def add_missing_columns(connection: Connection, table: Table, record: type) -> None:
    """Add the columns that an older version does not have, in its rows as a blank cell is read."""
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
