"""The store: appends whole or not at all, and answers as of any earlier moment."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Self

from sqlalchemy import Connection, RowMapping, Select, Table, func, insert, select

from blend.domain.market import Additions, CanvassEntry, Item, Published, Volume
from blend.domain.method import Method, method_of
from blend.domain.quotations import Quotation
from blend.errors import FileTrouble, InputRefused, Problem
from blend.store.adding import Known, validate
from blend.store.engine import (
    Database,
    as_file_trouble,
    make_own_file,
    name_of,
    open_engine,
    url_of,
    writing,
)
from blend.store.schema import APPENDS, ENTRIES, ITEMS, METHODS, PUBLISHED, VERSIONED, VOLUMES
from blend.store.tables import record_of, row_of
from blend.units import LB_PER_CWT

AsOf = datetime | int | None
"""Up to when: a moment, the number of an append, or None for everything."""

Days = tuple[date, date]
"""First and last day, both of them included."""

_AT_ONCE = 500
"""Ids in one query; SQLite limits how many."""


@dataclass(frozen=True, slots=True)
class Added:
    """What an append brought. `number` None: nothing was new, so there was none."""

    number: int | None
    recorded_at: datetime | None
    items: int = 0
    entries: int = 0
    volumes: int = 0
    published: int = 0
    known: int = 0
    """Things the store had already, word for word."""


class Store(Database):
    """The market's history in one SQLite file or one PostgreSQL database."""

    # Opening ----------------------------------------------------------------------------------

    @classmethod
    def create(cls, where: str | Path) -> Self:
        """Make a store; one that is there already is left alone.

        `where` is a path or a PostgreSQL URL. Raise FileTrouble.
        """
        url = url_of(where)
        name = name_of(url)
        make_own_file(url)
        store = cls(open_engine(url), name)
        with store._reporting(), writing(store._engine) as connection:
            VERSIONED.make_or_update(connection, name)
        return store

    @classmethod
    def open(cls, where: str | Path) -> Self:
        """Open a store that is there; raise FileTrouble for anything else."""
        url = url_of(where)
        name = name_of(url)
        if url.drivername == "sqlite" and not os.path.isfile(name):
            raise FileTrouble(f"{name}: no such store. blend canvass import makes one.")
        store = cls(open_engine(url), name)
        with store._reporting(), store._engine.connect() as connection:
            version = VERSIONED.version_in(connection)
        if version is None:
            raise FileTrouble(f"{name}: not a blend store. blend canvass import makes one.")
        if version != VERSIONED.version:
            with store._reporting(), writing(store._engine) as connection:
                VERSIONED.make_or_update(connection, name)
        return store

    def _reporting(self) -> Any:
        return as_file_trouble(self.name)

    # Adding -----------------------------------------------------------------------------------

    def add(self, additions: Additions) -> Added:
        """Append items, entries and volumes in one transaction.

        What the store has already, word for word, is skipped, so that an interrupted import can be
        repeated. Raise InputRefused with every problem, nothing written;
        raise FileTrouble.
        """
        with self._reporting(), writing(self._engine) as connection:
            checked = validate(additions, _known(connection, additions))
            if checked.problems:
                raise InputRefused(checked.problems)
            if not (checked.items or checked.entries or checked.volumes):
                return Added(None, None, known=checked.known)
            number, recorded_at = _begin_append(connection)
            _put(connection, ITEMS, number, checked.items)
            _put(connection, ENTRIES, number, checked.entries)
            _put(connection, VOLUMES, number, checked.volumes)
        return Added(
            number,
            recorded_at,
            items=len(checked.items),
            entries=len(checked.entries),
            volumes=len(checked.volumes),
            known=checked.known,
        )

    def publish(self, published: Sequence[Published], method: Method) -> Added:
        """Keep what is published, and the method by which; the moment is set here.

        Raise InputRefused where somebody published one of them since the import it rests on, or
        where it changes what was published and gives no reason; raise FileTrouble.
        """
        with self._reporting(), writing(self._engine) as connection:
            problems = list(_conflicts(connection, published))
            if problems:
                raise InputRefused(problems)
            number, recorded_at = _begin_append(connection)
            held = select(METHODS.c.digest).where(METHODS.c.digest == method.digest)
            if connection.execute(held).first() is None:
                row = {"append_number": number, "digest": method.digest, "text": method.text}
                connection.execute(insert(METHODS), row)
            stamped = [replace(each, published_at=recorded_at) for each in published]
            _put(connection, PUBLISHED, number, stamped)
        return Added(number, recorded_at, published=len(published))

    # Reading -----------------------------------------------------------------------------------

    def position(self, as_of: AsOf = None) -> int:
        """Number of the last append up to then; 0 where there is none.

        With this number, the store gives the same answers forever.
        """
        if isinstance(as_of, int):
            return as_of
        last = select(func.coalesce(func.max(APPENDS.c.append_number), 0))
        if as_of is not None:
            last = last.where(APPENDS.c.recorded_at <= as_of)
        with self._reporting(), self._engine.connect() as connection:
            return connection.execute(last).scalar_one()

    def items(self, as_of: AsOf = None) -> dict[str, Item]:
        """Items by id, each on the terms last given."""
        rows = self._rows(_up_to(select(ITEMS), ITEMS, self.position(as_of)), ITEMS)
        return {row["item_id"]: record_of(Item, row) for row in rows}

    def entries(
        self, item_id: str | None = None, days: Days | None = None, as_of: AsOf = None
    ) -> tuple[CanvassEntry, ...]:
        """Entries neither corrected nor withdrawn up to then."""
        position = self.position(as_of)
        later = ENTRIES.alias()
        corrected = select(later.c.entry_id).where(
            later.c.corrects == ENTRIES.c.entry_id, later.c.append_number <= position
        )
        asked = select(ENTRIES).where(~corrected.exists(), ~ENTRIES.c.withdrawn)
        asked = _narrowed(asked, ENTRIES.c.item_id, item_id, ENTRIES.c.market_day, days)
        return tuple(map(_entry_of, self._rows(_up_to(asked, ENTRIES, position), ENTRIES)))

    def every_entry(self, as_of: AsOf = None, days: Days | None = None) -> tuple[CanvassEntry, ...]:
        """Every entry, corrected or not, in the order of recording."""
        asked = _narrowed(select(ENTRIES), None, None, ENTRIES.c.market_day, days)
        asked = _up_to(asked, ENTRIES, self.position(as_of))
        return tuple(map(_entry_of, self._rows(asked, ENTRIES)))

    def market_days(self) -> tuple[date, ...]:
        """Days with any entry, in order."""
        asked = select(ENTRIES.c.market_day).distinct().order_by(ENTRIES.c.market_day)
        with self._reporting(), self._engine.connect() as connection:
            return tuple(connection.execute(asked).scalars())

    def companies(self) -> dict[str, str]:
        """Companies that entries are from, each with the type last given."""
        asked = (
            select(ENTRIES.c.source, ENTRIES.c.source_class, func.max(ENTRIES.c.append_number))
            .where(~ENTRIES.c.withdrawn)
            .group_by(ENTRIES.c.source, ENTRIES.c.source_class)
            .order_by(func.max(ENTRIES.c.append_number))
        )
        with self._reporting(), self._engine.connect() as connection:
            return {source: kind for source, kind, _ in connection.execute(asked)}

    def history(self, entry_id: str) -> tuple[CanvassEntry, ...]:
        """An entry, what it corrects and what corrects it, in order; empty if unknown."""
        with self._reporting(), self._engine.connect() as connection:

            def one(column: Any, value: str | None) -> CanvassEntry | None:
                rows = _asked_by(connection, ENTRIES, column, [value] if value else [])
                return _entry_of(rows[0]) if rows else None

            first = one(ENTRIES.c.entry_id, entry_id)
            while first is not None and first.corrects is not None:
                first = one(ENTRIES.c.entry_id, first.corrects)
            chain = []
            while first is not None:
                chain.append(first)
                first = one(ENTRIES.c.corrects, first.entry_id)
        return tuple(chain)

    def volumes(
        self, series_id: str | None = None, days: Days | None = None, as_of: AsOf = None
    ) -> tuple[Volume, ...]:
        """The latest figure of each series, period, item and origin, by period."""
        every = self.every_volume(series_id, days, as_of)
        return tuple(sorted({each.key: each for each in every}.values(), key=_by_period))

    def every_volume(
        self, series_id: str | None = None, days: Days | None = None, as_of: AsOf = None
    ) -> tuple[Volume, ...]:
        """Every figure ever given, replaced or not, in the order of recording."""
        asked = _narrowed(
            select(VOLUMES), VOLUMES.c.series_id, series_id, VOLUMES.c.period_end, days
        )
        rows = self._rows(_up_to(asked, VOLUMES, self.position(as_of)), VOLUMES)
        return tuple(record_of(Volume, row) for row in rows)

    def published(
        self, item_id: str | None = None, days: Days | None = None, as_of: AsOf = None
    ) -> tuple[Published, ...]:
        """What was last published of each item and day and not withdrawn, by day and item."""
        every = self.every_published(item_id, days, as_of)
        last = {(each.market_day, each.item_id): each for each in every}
        return tuple(last[key] for key in sorted(last) if not last[key].is_withdrawn)

    def quotations(self, as_of: AsOf = None) -> tuple[Quotation, ...]:
        """What was published and not withdrawn, as quotations."""
        items = self.items(as_of)
        return tuple(
            Quotation(
                each.item_id,
                items[each.item_id].species,
                items[each.item_id].lean,
                each.usd_per_cwt / LB_PER_CWT,
                each.market_day,
                items[each.item_id].fresh_or_frozen,
            )
            for each in self.published(as_of=as_of)
            if each.item_id in items
        )

    def every_published(
        self, item_id: str | None = None, days: Days | None = None, as_of: AsOf = None
    ) -> tuple[Published, ...]:
        """All that was ever published, in order."""
        asked = _narrowed(
            select(PUBLISHED), PUBLISHED.c.item_id, item_id, PUBLISHED.c.market_day, days
        )
        rows = self._rows(_up_to(asked, PUBLISHED, self.position(as_of)), PUBLISHED)
        return tuple(record_of(Published, row) for row in rows)

    def method(self, digest: str) -> Method:
        """The method of this digest; raise FileTrouble where it is not known or not readable."""
        asked = select(METHODS.c.text).where(METHODS.c.digest == digest)
        with self._reporting(), self._engine.connect() as connection:
            written = connection.execute(asked).scalar_one_or_none()
        if written is None:
            raise FileTrouble(f"{self.name}: no method with digest {digest[:12]}")
        try:
            return method_of(written)
        except ValueError as error:
            raise FileTrouble(f"{self.name}: method {digest[:12]} is {error}") from error

    def counts(self) -> Mapping[str, int]:
        """Rows of each table."""
        with self._reporting(), self._engine.connect() as connection:
            return {
                table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
                for table in (APPENDS, ITEMS, ENTRIES, VOLUMES, PUBLISHED, METHODS)
            }

    def _rows(self, asked: Select[Any], table: Table) -> Sequence[RowMapping]:
        ordered = asked.order_by(table.c.append_number, table.c.place)
        with self._reporting(), self._engine.connect() as connection:
            return connection.execute(ordered).mappings().all()


# Between rows and domain objects ----------------------------------------------------------------


def _begin_append(connection: Connection) -> tuple[int, datetime]:
    """A new number and its moment, never before that of the number before it."""
    last = select(APPENDS).order_by(APPENDS.c.append_number.desc()).limit(1)
    row = connection.execute(last).first()
    number, recorded_at = 1, datetime.now(UTC)
    if row is not None:
        number, recorded_at = row.append_number + 1, max(recorded_at, row.recorded_at)
    connection.execute(insert(APPENDS), {"append_number": number, "recorded_at": recorded_at})
    return number, recorded_at


def _put(connection: Connection, table: Table, number: int, things: Iterable[Any]) -> None:
    rows = [
        {"append_number": number, "place": place} | row_of(thing)
        for place, thing in enumerate(things)
    ]
    if rows:
        connection.execute(insert(table), rows)


def _conflicts(connection: Connection, published: Sequence[Published]) -> Iterable[Problem]:
    """What may not be published as it is: by whom, at what price and when it was published."""
    for each in published:
        asked = select(PUBLISHED).where(
            PUBLISHED.c.item_id == each.item_id, PUBLISHED.c.market_day == each.market_day
        )
        row = (
            connection.execute(asked.order_by(PUBLISHED.c.append_number.desc())).mappings().first()
        )
        if row is None or row["is_withdrawn"]:
            continue
        price, by, at = row["usd_per_cwt"], row["assessor"], row["published_at"]
        there = f"{each.item_id} at ${price:,.2f}, published by {by} at {at:%H:%M} UTC"
        if each.store_position is not None and row["append_number"] > each.store_position:
            hint = "It was published while you were looking. Check it, then quote again."
            yield Problem("published", None, None, there, "", hint)
        elif not each.is_withdrawn and each.usd_per_cwt == price:
            continue
        elif not (each.correction_reason or each.override_reason).strip():
            hint = "Enter the reason for the change."
            yield Problem("published", None, None, there, "", hint)


def _up_to(asked: Select[Any], table: Table, position: int) -> Select[Any]:
    return asked.where(table.c.append_number <= position)


def _narrowed(
    asked: Select[Any], name: Any, wanted: str | None, day: Any, days: Days | None
) -> Select[Any]:
    if wanted is not None:
        asked = asked.where(name == wanted)
    return asked if days is None else asked.where(day.between(*days))


def _by_period(volume: Volume) -> tuple[Any, ...]:
    return volume.period_end, volume.series_id, volume.item_id, volume.origin


def _known(connection: Connection, additions: Additions) -> Known:
    """What the store holds that these additions could conflict with."""
    ids = sorted(
        {each for entry in additions.entries for each in (entry.entry_id, entry.corrects) if each}
    )
    entries = _asked_by(connection, ENTRIES, ENTRIES.c.entry_id, ids)
    corrections = _asked_by(connection, ENTRIES, ENTRIES.c.corrects, ids)
    series = sorted({volume.series_id for volume in additions.volumes})
    keys = {volume.key for volume in additions.volumes}
    volumes = [
        record_of(Volume, row)
        for row in sorted(
            _asked_by(connection, VOLUMES, VOLUMES.c.series_id, series),
            key=lambda row: (row["append_number"], row["place"]),
        )
    ]
    items = connection.execute(select(ITEMS).order_by(ITEMS.c.append_number)).mappings()
    return Known(
        items={row["item_id"]: record_of(Item, row) for row in items},
        entries={row["entry_id"]: _entry_of(row) for row in entries},
        corrected_by={row["corrects"]: row["entry_id"] for row in corrections},
        volumes=[volume for volume in volumes if volume.key in keys],
    )


def _asked_by(
    connection: Connection, table: Table, column: Any, values: Sequence[str]
) -> list[RowMapping]:
    rows: list[RowMapping] = []
    for start in range(0, len(values), _AT_ONCE):
        asked = select(table).where(column.in_(values[start : start + _AT_ONCE]))
        rows += connection.execute(asked).mappings().all()
    return rows


def _entry_of(row: Mapping[Any, Any]) -> CanvassEntry:
    return record_of(CanvassEntry, row)
