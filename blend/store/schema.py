"""The tables as they are now. How a store came to have them is in `migrations`."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    Date,
    DateTime,
    Double,
    ForeignKey,
    Integer,
    MetaData,
    Table,
    Text,
    TypeDecorator,
)


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


def _kept(name: str, *columns: Column[Any]) -> Table:
    """A table whose rows each belong to the append that brought them."""
    number = Column("append_number", ForeignKey("appends.append_number"), nullable=False)
    return Table(name, METADATA, number, *columns)


ENTRIES = _kept(
    "entries",
    Column("place", Integer, nullable=False),
    Column("entry_id", Text, primary_key=True),
    Column("heard_at", DateTime, nullable=False),
    Column("market_day", Date, nullable=False),
    Column("kind", Text, nullable=False),
    Column("item_id", Text, nullable=False),
    Column("usd_per_cwt", Double, nullable=False),
    Column("pounds_lb", Double),
    Column("source", Text, nullable=False),
    Column("source_class", Text, nullable=False),
    Column("lean", Double),
    Column("basis", Text, nullable=False),
    Column("freight_usd_per_cwt", Double),
    Column("delivered_within_days", Integer),
    Column("is_firm", Boolean, nullable=False),
    Column("between_affiliates", Boolean, nullable=False),
    Column("note", Text, nullable=False),
    # An entry is corrected once; what is wrong with the correction is corrected there.
    Column("corrects", Text, ForeignKey("entries.entry_id"), unique=True),
    Column("withdrawn", Boolean, nullable=False),
)

ITEMS = _kept(
    "items",
    Column("place", Integer, nullable=False),
    Column("item_id", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("species", Text, nullable=False),
    Column("lean", Double, nullable=False),
    Column("fresh_or_frozen", Text, nullable=False),
    Column("origin", Text, nullable=False),
    Column("basis", Text, nullable=False),
    Column("delivered_within_days", Integer, nullable=False),
    Column("tick_usd_per_cwt", Double, nullable=False),
    Column("point_usd_per_cwt", Double),
)

VOLUMES = _kept(
    "volumes",
    Column("place", Integer, nullable=False),
    Column("series_id", Text, nullable=False),
    Column("period_end", Date, nullable=False),
    Column("value", Double, nullable=False),
    Column("unit", Text, nullable=False),
    Column("item_id", Text, nullable=False),
    Column("origin", Text, nullable=False),
    Column("corrects", Date),
)

PUBLISHED = _kept(
    "published",
    Column("place", Integer, nullable=False),
    Column("item_id", Text, nullable=False),
    Column("market_day", Date, nullable=False),
    Column("usd_per_cwt", Double, nullable=False),
    Column("low_usd_per_cwt", Double, nullable=False),
    Column("high_usd_per_cwt", Double, nullable=False),
    Column("tone", Text, nullable=False),
    Column("evidence", Text, nullable=False),
    Column("method_digest", Text, ForeignKey("methods.digest"), nullable=False),
    Column("published_at", UtcDateTime, nullable=False),
    Column("assessor", Text, nullable=False),
    Column("override_reason", Text, nullable=False),
    Column("assessed_usd_per_cwt", Double),
    Column("confidence", Text, nullable=False),
    Column("rationale", Codes, nullable=False),
    Column("store_position", Integer),
)

METHODS = _kept(
    "methods",
    Column("digest", Text, primary_key=True),
    Column("text", Text, nullable=False),
)
