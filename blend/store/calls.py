"""Published calls in the store: added, never changed. A store made before there were any gets their
table with the first one."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    Column,
    Connection,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    insert,
    inspect,
    select,
)

from blend.domain.calls import Call
from blend.errors import InputRefused, Problem
from blend.store.engine import as_file_trouble, writing
from blend.store.store import Store
from blend.store.tables import UtcDateTime, add_guards, record_of, row_of, sql_columns

METADATA = MetaData()
CALLS = Table(
    "calls",
    METADATA,
    Column("recorded_at", UtcDateTime, nullable=False),
    *sql_columns(Call),
    PrimaryKeyConstraint("made_on", "item_id", "horizon_days"),
)


def add_calls(store: Store, calls: Iterable[Call]) -> int:
    """Add calls, all of them or none; those there already are left out. Return how many are new.

    Raise InputRefused for another call on the same item, day and horizon: a call that was
    published is kept.
    """
    there = {_key(each): each for each in calls_of(store)}
    new = [each for each in calls if there.get(_key(each)) != each]
    problems = [
        Problem("calls", None, "item_id", each.item_id,
                f"an item without a call of {each.made_on}: {there[_key(each)].way} stands")
        for each in new
        if _key(each) in there
    ]  # fmt: skip
    if problems:
        raise InputRefused(problems)
    if new:
        now = datetime.now(UTC)
        rows = [{"recorded_at": now} | row_of(each) for each in new]
        with as_file_trouble(store.name), writing(store._engine) as connection:
            _make_table(connection)
            connection.execute(insert(CALLS), rows)
    return len(new)


def calls_of(store: Store) -> tuple[Call, ...]:
    """Every call ever published, by day and item."""
    with as_file_trouble(store.name), store._engine.connect() as connection:
        if not inspect(connection).has_table(CALLS.name):
            return ()
        asked = select(CALLS).order_by(CALLS.c.made_on, CALLS.c.item_id)
        rows = connection.execute(asked).mappings().all()
    return tuple(record_of(Call, row) for row in rows)


def _key(call: Call) -> tuple[Any, ...]:
    return call.made_on, call.item_id, call.horizon_days


def _make_table(connection: Connection) -> None:
    if inspect(connection).has_table(CALLS.name):
        return
    METADATA.create_all(connection)
    add_guards(connection, METADATA.sorted_tables)
