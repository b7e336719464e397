"""A process that writes until it is killed, and reports each append before and after it."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable
from datetime import UTC, datetime
from multiprocessing.connection import Connection

from blend.domain.market import Additions, EntryKind, Published, Volume
from blend.store import Store
from blend.tables.method import read_method
from tests.store.heard import MONDAY, NINETIES, entry

# Forked from a server that has all imported: a child begins to write within milliseconds.
PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["tests.store.writer"])


def size_of(number: int) -> int:
    """Entries of one append: more than one, so that half an append shows."""
    return 10 + number * 37 % 60


def numbered(name: str, number: int) -> Additions:
    """Entries of an append and a volume series of its own, both named by its number."""
    entries = tuple(
        entry(f"{name}-{number}-{place}", 300 + place / 4, kind=EntryKind.BID)
        for place in range(size_of(number))
    )
    return Additions((NINETIES,), entries, (Volume(f"{name}-{number}", MONDAY, 1.0, "lb"),))


def add(store: Store, name: str, number: int) -> None:
    store.add(numbered(name, number))


def publish(store: Store, name: str, number: int) -> None:
    """As many quotations as an append has entries, each of an item named as they are."""
    method = read_method().method
    quotations = [
        Published(
            item_id=f"{name}-{number}-{place}",
            market_day=MONDAY,
            usd_per_cwt=300 + place / 4,
            low_usd_per_cwt=299.0,
            high_usd_per_cwt=320.0,
            tone="steady",
            evidence="trades",
            method_digest=method.digest,
            published_at=datetime(2026, 3, 2, 20, tzinfo=UTC),
            assessor="A. Reporter",
        )
        for place in range(size_of(number))
    ]
    store.publish(quotations, method)


Append = Callable[[Store, str, int], None]


def write(
    where: str, name: str, first: int, last: int | None, told: Connection, append: Append
) -> None:
    told.send(("up", 0))
    with Store.open(where) as store:
        number = first
        while last is None or number <= last:
            told.send(("begins", number))
            append(store, name, number)
            told.send(("done", number))
            number += 1


def make(where: str, told: Connection) -> None:
    Store.create(where).close()
    told.send(("made", 0))


def started(where: str, name: str, first: int = 1, last: int | None = None, append: Append = add):
    """A running writer, and our end of the pipe it reports to."""
    return begun(write, where, name, first, last, append=append)


def begun(work: Callable[..., None], *args: object, **more: object):
    """A running process, and our end of the pipe it reports to."""
    heard, told = PROCESSES.Pipe(duplex=False)
    process = PROCESSES.Process(target=work, args=(*args, told), kwargs=more, daemon=True)
    process.start()
    told.close()
    return process, heard


def all_heard(heard: Connection) -> list[tuple[str, int]]:
    """Everything reported before the pipe broke."""
    tellings = []
    try:
        while True:
            tellings.append(heard.recv())
    except EOFError:
        return tellings
