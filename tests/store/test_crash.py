"""Killed at any moment, the store keeps everything it confirmed, and nothing in part."""

from __future__ import annotations

import random
import sqlite3
import time
from collections import Counter

import pytest

from blend.errors import FileTrouble
from blend.store import Store, engine
from blend.store.engine import writing
from tests.store.writer import add, all_heard, begun, make, numbered, publish, size_of, started

MAX_TELLINGS = 12
"""Max kills of one writer, which reports its start and each append, before and after."""

LONGEST_S = 0.02
"""And so long at most after that, so that kills fall into every part of an append."""


def kill_often(where: str, kills: int, seed: int, check_file, append=add) -> Counter[str]:
    """Start a writer, kill it, look at the store; again and again. How the kills fell."""
    draw = random.Random(seed)
    done: set[int] = set()
    fell: Counter[str] = Counter()
    Store.create(where).close()
    for _ in range(kills):
        process, heard = started(where, "w", first=max(done, default=0) + 1, append=append)
        tellings = [heard.recv() for _ in range(draw.randint(0, MAX_TELLINGS))]
        time.sleep(draw.uniform(0, LONGEST_S))
        process.kill()
        process.join()
        tellings += all_heard(heard)
        told = {number for what, number in tellings if what == "done"}
        begun = {number for what, number in tellings if what == "begins"} - told
        check_file()
        whole = look_at(where, append)
        assert done | told <= whole, "a confirmed append is gone"
        assert whole <= done | told | begun, "something is there that was never begun"
        fell["within a write"] += bool(begun)
        fell["written, not confirmed"] += bool(begun & whole)
        fell["confirmed appends"] += len(told)
        done = whole
    return fell


def look_at(where: str, append=add) -> set[int]:
    """Numbers of the appends there are, each of them whole."""
    with Store.open(where) as store:
        position = store.position()
        if append is publish:
            every = store.every_published()
            names = [each.item_id for each in every]
            for digest in {each.method_digest for each in every}:
                assert store.method(digest).digest == digest
        else:
            names = [entry.entry_id for entry in store.every_entry()]
            series = [volume.series_id for volume in store.every_volume()]
            assert len(series) == position
            assert {number_of(name) for name in names} == {number_of(name) for name in series}
    sizes = Counter(map(number_of, names))
    assert sizes == {number: size_of(number) for number in sizes}, "an append is there by half"
    assert len(sizes) == position
    return set(sizes)


def number_of(name: str) -> int:
    return int(name.split("-")[1])


def check_sqlite(path) -> None:
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    connection.close()


@pytest.mark.parametrize("append", [add, publish])
@pytest.mark.parametrize(
    "kills",
    [8, pytest.param(25, marks=pytest.mark.slow), pytest.param(200, marks=pytest.mark.long)],
)
def test_sqlite_survives_kills(tmp_path, kills, append, record_property):
    path = tmp_path / "market.db"
    fell = kill_often(str(path), kills, kills, lambda: check_sqlite(path), append)
    record_property("kills", f"{kills}: {dict(fell)}")
    print(f"\n{kills} kills: {dict(fell)}")
    # A test whose kills all miss the writing would show nothing.
    assert fell["within a write"] >= kills / 4
    assert fell["confirmed appends"] >= kills


def test_postgresql_survives_kills_of_the_writer(postgres, record_property):
    from tests.store.conftest import new_schema

    fell = kill_often(new_schema(postgres), 10, seed=1, check_file=lambda: None)
    record_property("kills", str(dict(fell)))
    print(f"\n10 kills: {dict(fell)}")
    assert fell["within a write"] >= 2


@pytest.mark.slow
def test_two_writers_and_a_reader_at_once(where):
    Store.create(where).close()
    appends = 100
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
        every = [volume.series_id for volume in store.every_volume()]
        for name in ("a", "b"):
            own = [series for series in every if series.startswith(name)]
            assert own == [f"{name}-{number}" for number in range(1, appends + 1)]
        assert len(every) == 2 * appends
        entries = Counter(entry.entry_id for entry in store.every_entry())
        assert set(entries.values()) == {1}
        assert len(entries) == 2 * sum(map(size_of, range(1, appends + 1)))
        for position, entries in seen.items():
            assert store.entries(as_of=position) == entries
        assert store.counts()["items"] == 1
    assert len(seen) > 3, "the reader was never let in"


@pytest.mark.slow
def test_two_who_add_the_same_add_it_once(where):
    Store.create(where).close()
    appends = 30
    writers = [started(where, "w", last=appends) for _ in range(2)]
    for process, _ in writers:
        process.join()
        assert process.exitcode == 0
    assert look_at(where) == set(range(1, appends + 1))


def test_a_busy_store_is_waited_for(where):
    Store.create(where).close()
    waited_s = 1.5
    with Store.open(where) as held, writing(held._engine):
        process, heard = started(where, "a", last=1)
        assert [heard.recv(), heard.recv()] == [("up", 0), ("begins", 1)]
        time.sleep(waited_s)
        assert not heard.poll()
    process.join()
    assert process.exitcode == 0 and all_heard(heard) == [("done", 1)]
    assert look_at(where) == {1}


def test_a_store_that_stays_busy_is_reported(where, monkeypatch):
    Store.create(where).close()
    monkeypatch.setattr(engine, "WAIT_S", 1)
    with (
        Store.open(where) as other,
        Store.open(where) as held,
        writing(held._engine),
        pytest.raises(FileTrouble, match="another process has been writing"),
    ):
        other.add(numbered("a", 1))
    assert look_at(where) == set()


def test_two_who_make_a_store_at_once_make_one(where):
    makers = [begun(make, where) for _ in range(4)]
    for process, heard in makers:
        process.join()
        assert all_heard(heard) == [("made", 0)]
    assert look_at(where) == set()
