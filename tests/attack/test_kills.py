"""Killed at any moment of writing, every file is the old one whole or the new one whole."""

from __future__ import annotations

import os
import random
import re
import shutil
import time
from collections import Counter
from pathlib import Path

import pytest

from blend import files
from blend.tables.history import read_history
from blend.tables.read import read_case
from blend.tables.write import write_text
from tests.attack import killing
from tests.attack.killing import ADDING, REPLACING, Deed, Kill, case_of, heard_of
from tests.store.writer import all_heard, begun

UNFINISHED = re.compile(r"\..+\.[0-9a-f]{8}\.unfinished")
KILLS = [pytest.param(10, marks=pytest.mark.slow), pytest.param(200, marks=pytest.mark.long)]
MAX_REPORTS = 3
CALLS_A_FILE = 6
"""To open, to look at its rights, to bring to disk, to give its name; about."""
LONGEST_S = 120.0


def visible(folder: Path) -> list[Path]:
    """Files that stand under their own names."""
    return sorted(
        path
        for path in folder.rglob("*")
        if path.is_file() and not any(part.startswith(".") for part in path.parts)
    )


def hidden(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob(".*") if path.name.startswith("."))


class Expected:
    """What a deed writes, for odd and for even numbers, from undisturbed runs of it."""

    def __init__(self, deed: Deed, folder: Path) -> None:
        self.by_parity: list[dict[str, bytes]] = []
        self.longest_s = 0.0
        for number in (0, 1):
            place = folder / str(number)
            place.mkdir(parents=True)
            began = time.monotonic()
            deed(place, number)
            self.longest_s = max(self.longest_s, time.monotonic() - began)
            self.by_parity.append(
                {unnumbered(path, place): path.read_bytes() for path in visible(place)}
            )
        assert self.by_parity[0].keys() == self.by_parity[1].keys()

    @property
    def max_bytes(self) -> int:
        return max(len(content) for each in self.by_parity for content in each.values())

    @property
    def max_calls(self) -> int:
        """Enough that kills by call fall into a first and into a second deed."""
        return 2 * CALLS_A_FILE * len(self.by_parity[0])

    def parities_of(self, path: Path, folder: Path) -> set[int]:
        """Of the numbers whose deed left a file as it is; empty for one that is not whole."""
        if path.suffix == ".xlsx" and path.name.startswith("heard"):
            heard = read_history(path).additions
            return {parity for parity in (0, 1) if heard.entries == heard_of(parity == 1).entries}
        name, content = unnumbered(path, folder), path.read_bytes()
        return {parity for parity in (0, 1) if self.by_parity[parity][name] == content}


def unnumbered(path: Path, folder: Path) -> str:
    return re.sub(r"-\d+", "", path.relative_to(folder).as_posix())


def kill_often(deed: Deed, kills: int, tmp_path: Path, look) -> Counter[str]:
    """Start a writer, kill it in one of three ways, look; again and again. How the kills fell."""
    expected = Expected(deed, tmp_path / "expected")
    folder = tmp_path / "written"
    folder.mkdir()
    draw = random.Random(f"{deed.__name__} {kills}")
    fell: Counter[str] = Counter()
    first = 1
    for turn in range(kills):
        kill = (
            Kill(),
            Kill(call=draw.randint(1, expected.max_calls)),
            Kill(byte=draw.randrange(expected.max_bytes)),
        )[turn % 3]
        process, heard = begun(killing.work, deed, folder, first, kill)
        reports = []
        if turn % 3 == 0:
            reports = [heard.recv() for _ in range(draw.randint(1, MAX_REPORTS))]
            time.sleep(draw.uniform(0, 1.2 * expected.longest_s))
            process.kill()
        process.join(LONGEST_S)
        assert process.exitcode is not None and process.exitcode < 0, "it was not killed"
        reports += all_heard(heard)
        done = [number for what, number in reports if what == "done"]
        began = [number for what, number in reports if what == "begins"]
        fell["within a write"] += len(began) > len(done)
        fell["done"] += len(done)
        fell["leftovers"] = len(hidden(folder))
        look(expected, folder, done, began)
        first = max(began, default=first - 1) + 1
    fell["kills"] = kills
    check_leftovers(deed, folder, first)
    return fell


def check_leftovers(deed: Deed, folder: Path, number: int) -> None:
    """All are hidden names of ours; once old, the next write takes away those of its own name."""
    left = hidden(folder)
    assert all(UNFINISHED.fullmatch(path.name) for path in left if path.parent.name[0] != ".")
    old = time.time() - files.STALE_AFTER_S - 60
    for path in left:
        os.utime(path, (old, old))
    deed(folder, number)
    if deed in REPLACING:
        assert hidden(folder) == []


def look_at_replaced(expected: Expected, folder: Path, done: list[int], began: list[int]) -> None:
    for path in visible(folder):
        parities = expected.parities_of(path, folder)
        assert parities, f"{path.name} is half there"
        if began == done and done:
            assert done[-1] % 2 in parities, f"{path.name} is not what was reported done"
    if done:
        names = {unnumbered(path, folder) for path in visible(folder)}
        assert names == expected.by_parity[0].keys()
    if (folder / "case" / "lots.csv").exists() and done:
        lots = read_case(folder / "case").case.lots
        assert lots in (case_of(True).lots, case_of(False).lots)


def look_at_added(expected: Expected, folder: Path, done: list[int], began: list[int]) -> None:
    """Each file is of its own number; a folder is there with all its files, or not at all."""
    there: dict[int, set[str]] = {}
    for path in visible(folder):
        number = int(re.search(r"-(\d+)", path.relative_to(folder).as_posix())[1])
        assert number % 2 in expected.parities_of(path, folder), f"{path} is half there"
        there.setdefault(number, set()).add(unnumbered(path, folder))
    for number, names in there.items():
        assert names == expected.by_parity[0].keys(), f"{number} is half there"
    assert set(done) <= there.keys() <= set(began), "what was reported done is gone"
    for path in folder.iterdir():
        if not path.name.startswith("."):
            shutil.rmtree(path) if path.is_dir() else path.unlink()


@pytest.mark.parametrize("kills", KILLS)
@pytest.mark.parametrize("deed", REPLACING, ids=lambda deed: deed.__name__)
def test_a_file_is_the_old_one_or_the_new_one(deed, kills, tmp_path, record_property):
    fell = kill_often(deed, kills, tmp_path, look_at_replaced)
    record(fell, deed, record_property)


@pytest.mark.parametrize("kills", KILLS)
@pytest.mark.parametrize("deed", ADDING, ids=lambda deed: deed.__name__)
def test_what_is_new_is_there_whole_or_not_at_all(deed, kills, tmp_path, record_property):
    fell = kill_often(deed, kills, tmp_path, look_at_added)
    record(fell, deed, record_property)


def record(fell: Counter[str], deed: Deed, record_property) -> None:
    record_property("kills", str(dict(fell)))
    print(f"\n{deed.__name__}: {dict(fell)}")
    # Kills that all miss the writing would show nothing.
    assert fell["within a write"] >= fell["kills"] / 2


# What a kill leaves behind -----------------------------------------------------------------------


def test_leftovers_are_no_tables_and_stop_nothing(tmp_path):
    case = case_of(True)
    killing.write_tables_over(tmp_path, 1)
    folder = tmp_path / "case"
    for name in ("lots.csv", "rules.csv", "standards.xlsx", "tests.csv"):
        (folder / f".{name}.0123abcd.unfinished").write_text("half a ta")
    (folder / ".case.0123abcd.unfinished").mkdir()
    (folder / ".case.0123abcd.unfinished" / "lots.csv").write_text("half a ta")
    read = read_case(folder)
    assert read.case == case and not any(".0123abcd" in str(each) for each in read.warnings)
    killing.write_tables_over(tmp_path, 0)
    assert read_case(folder).case == case_of(False)


def test_only_old_leftovers_of_the_same_name_are_taken_away(tmp_path):
    ours = {"old": ".note.md.00000000.unfinished", "young": ".note.md.11111111.unfinished"}
    others = [".note.mdx.00000000.unfinished", "note.md.00000000.unfinished", ".note.md.txt",
              ".note.md.0000000g.unfinished", ".note.md.00000000.unfinished.txt"]  # fmt: skip
    for name in (*ours.values(), *others):
        (tmp_path / name).write_text("half")
        if name != ours["young"]:
            old = time.time() - files.STALE_AFTER_S - 1
            os.utime(tmp_path / name, (old, old))
    write_text(tmp_path / "note.md", "whole")
    assert {path.name for path in tmp_path.iterdir()} == {"note.md", ours["young"], *others}


@pytest.mark.parametrize("name", ["[a-z]*.md", "**.md", "a.b?.md", "é" * 120 + ".md"])
def test_leftovers_of_any_name_are_found(tmp_path, name):
    left = None
    with pytest.raises(RuntimeError), files.replacing(tmp_path / name) as unfinished:
        left = unfinished
        raise RuntimeError
    left.write_text("half")
    os.utime(left, (0, 0))
    (tmp_path / "b.md").write_text("another")
    write_text(tmp_path / name, "whole")
    assert {path.name for path in tmp_path.iterdir()} == {name, "b.md"}
