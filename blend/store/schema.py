"""The tables of a store: what was heard, counted and published, each row with its append."""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
)

from blend.domain.market import CanvassEntry, Item, Published, Volume
from blend.store.tables import UtcDateTime, sql_columns
from blend.store.versions import Versioned, versions_table

METADATA = MetaData()

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

VERSIONED = Versioned(
    "store",
    versions_table("schema_versions", METADATA),
    version=5,
    oldest=2,  # fewer columns
    records={ENTRIES: CanvassEntry, VOLUMES: Volume, PUBLISHED: Published},
)
