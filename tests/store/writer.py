"""A process that writes until it is killed, and tells of each append before and after it."""

from __future__ import annotations

import multiprocessing
from multiprocessing.connection import Connection

from blend.domain.market import Additions, EntryKind, Volume
from blend.store import Store
from tests.store.heard import MONDAY, NINETIES, entry

# Forked from a server that has all imported: a child begins to write within milliseconds.
PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["tests.store.writer"])


def size_of(number: int) -> int:
    """Entries of an append, so that half an append can be told from a whole one."""
    return 10 + number * 37 % 60


def numbered(name: str, number: int) -> Additions:
    """Entries of an append and a volume series of its own, both named by its number."""
    entries = tuple(
        entry(f"{name}-{number}-{place}", 300 + place / 4, kind=EntryKind.BID)
        for place in range(size_of(number))
    )
    return Additions((NINETIES,), entries, (Volume(f"{name}-{number}", MONDAY, 1.0, "lb"),))


def write(where: str, name: str, first: int, last: int | None, told: Connection) -> None:
    told.send(("up", 0))
    with Store.open(where) as store:
        number = first
        while last is None or number <= last:
            told.send(("begins", number))
            store.add(numbered(name, number))
            told.send(("done", number))
            number += 1


def started(where: str, name: str, first: int = 1, last: int | None = None):
    """A writer that runs, and the end of the pipe at which it tells."""
    heard, told = PROCESSES.Pipe(duplex=False)
    process = PROCESSES.Process(target=write, args=(where, name, first, last, told), daemon=True)
    process.start()
    told.close()
    return process, heard


def all_heard(heard: Connection) -> list[tuple[str, int]]:
    """All that was told before the pipe broke."""
    tellings = []
    try:
        while True:
            tellings.append(heard.recv())
    except EOFError:
        return tellings
