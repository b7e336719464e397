"""Killed at any moment, the store loses nothing that was told as done and holds nothing half."""

from __future__ import annotations

import random
import sqlite3
import time
from collections import Counter

import pytest

from blend.store import Store
from tests.store.writer import all_heard, size_of, started

MOST_TELLINGS = 12
"""A writer is killed after so many at most: it tells when it is up, before and after an append."""

LONGEST_S = 0.02
"""And so long at most after that, so that kills fall into every part of an append."""


def kill_often(where: str, kills: int, seed: int, check_file) -> Counter[str]:
    """Start a writer, kill it, look at the store; again and again. How the kills fell."""
    draw = random.Random(seed)
    done: set[int] = set()
    fell: Counter[str] = Counter()
    Store.create(where).close()
    for _ in range(kills):
        process, heard = started(where, "w", first=max(done, default=0) + 1)
        tellings = [heard.recv() for _ in range(draw.randint(0, MOST_TELLINGS))]
        time.sleep(draw.uniform(0, LONGEST_S))
        process.kill()
        process.join()
        tellings += all_heard(heard)
        told = {number for what, number in tellings if what == "done"}
        begun = {number for what, number in tellings if what == "begins"} - told
        check_file()
        whole = look_at(where)
        assert done | told <= whole, "what was told as done is gone"
        assert whole <= done | told | begun, "something is there that was never begun"
        fell["within a write"] += bool(begun)
        fell["written, not told"] += bool(begun & whole)
        fell["appends told as done"] += len(told)
        done = whole
    return fell


def look_at(where: str) -> set[int]:
    """Numbers of the appends there are, each of them whole."""
    with Store.open(where) as store:
        entries = store.every_entry()
        series = [volume.series_id for volume in store.every_volume()]
        assert store.position() == len(series)
    sizes = Counter(int(entry.entry_id.split("-")[1]) for entry in entries)
    numbers = {int(name.split("-")[1]) for name in series}
    assert sizes == {number: size_of(number) for number in numbers}, "an append is there by half"
    return numbers


def check_sqlite(path) -> None:
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    connection.close()


@pytest.mark.parametrize("kills", [50, pytest.param(200, marks=pytest.mark.long)])
def test_sqlite_survives_kills(tmp_path, kills, record_property):
    path = tmp_path / "desk.db"
    fell = kill_often(str(path), kills, seed=kills, check_file=lambda: check_sqlite(path))
    record_property("kills", f"{kills}: {dict(fell)}")
    print(f"\n{kills} kills: {dict(fell)}")
    # A test whose kills all fall beside the writing would show nothing.
    assert fell["within a write"] >= kills / 4
    assert fell["appends told as done"] >= kills


def test_postgresql_survives_kills_of_the_writer(postgres, record_property):
    from tests.store.conftest import new_schema

    fell = kill_often(new_schema(postgres), 10, seed=1, check_file=lambda: None)
    record_property("kills", str(dict(fell)))
    print(f"\n10 kills: {dict(fell)}")
    assert fell["within a write"] >= 2


def test_two_writers_and_a_reader_at_once(where):
    Store.create(where).close()
    appends = 25
    writers = [started(where, name, last=appends) for name in ("a", "b")]
    seen: dict[int, tuple] = {}
    with Store.open(where) as store:
        while any(process.is_alive() for process, _ in writers):
            position = store.position()
            seen[position] = store.entries(as_of=position)
            time.sleep(0.01)
        for process, _ in writers:
            process.join()
            assert process.exitcode == 0
        assert store.position() == 2 * appends
        assert len({volume.series_id for volume in store.volumes()}) == 2 * appends
        for position, entries in seen.items():
            assert store.entries(as_of=position) == entries
        assert store.counts()["items"] == 1
    assert len(seen) > 3, "the reader was never let in"
