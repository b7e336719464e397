"""A process that writes files until it is killed: by chance, at a chosen call, at a chosen byte."""

from __future__ import annotations

import os
import resource
import signal
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from multiprocessing.connection import Connection
from pathlib import Path

from blend.domain.case import Case
from blend.domain.market import Published
from blend.grinder.plan_workbook import write_plan_workbook
from blend.tables.history import write_history
from blend.tables.write import write_case, write_text
from tests.grinder.example_plan import answer, example_case, example_plan
from tests.store.heard import NINETIES
from tests.store.writer import PROCESSES, numbered

# So that a child, of whichever test, begins to write within milliseconds.
PROCESSES.set_forkserver_preload(["tests.store.writer", "tests.attack.warm"])

CALLS = {"open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.chmod", "os.fsync"}
"""Those that Python reports to audit hooks, and os.fsync, before they are done."""


@dataclass(frozen=True)
class Kill:
    """When a process ends itself: before one of its calls, or when a file passes some bytes."""

    call: int | None = None
    byte: int | None = None

    def arm(self, folder: Path) -> None:
        if self.call is not None:
            _kill_at_call(self.call, folder)
        if self.byte is not None:
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            signal.signal(signal.SIGXFSZ, signal.SIG_DFL)  # Which ends it like a SIGKILL.
            resource.setrlimit(resource.RLIMIT_FSIZE, (self.byte, self.byte))


def _kill_at_call(chosen: int, folder: Path) -> None:
    calls = 0

    def count(call: str, about: tuple) -> None:
        nonlocal calls
        if call in CALLS and (call == "os.fsync" or str(about[0]).startswith(str(folder))):
            calls += 1
            if calls == chosen:
                os.kill(os.getpid(), signal.SIGKILL)

    def counted_fsync(number: int, fsync: Callable[[int], None] = os.fsync) -> None:
        count("os.fsync", (number,))
        fsync(number)

    os.fsync = counted_fsync
    sys.addaudithook(count)


def work(deed: Deed, folder: Path, first: int, kill: Kill, reports: Connection) -> None:
    """Do a deed again and again, numbered from `first`, and report each before and after."""
    reports.send(("up", 0))
    kill.arm(folder)
    number = first
    while True:
        reports.send(("begins", number))
        deed(folder, number)
        reports.send(("done", number))
        number += 1


# What is written: odd and even numbers differ, so that old and new can be distinguished -----------

Deed = Callable[[Path, int], None]


@cache
def case_of(odd: bool) -> Case:
    case = example_case()
    plant = "Harbor plant" if odd else "Hill plant"
    lots = tuple(replace(lot, item=f"{lot.item} {plant}") for lot in case.lots)
    return replace(case, lots=lots, settings=replace(case.settings, plant=plant))


def write_workbook(folder: Path, number: int) -> None:
    case = case_of(number % 2 == 1)
    at = datetime(2026, 11, 25, 6, 10)
    write_plan_workbook(answer(case, example_plan(case)), folder / "plan.xlsx", at)


def write_note(folder: Path, number: int) -> None:
    text = f"{'odd' if number % 2 else 'even'} beef, é, 90s\n" * 10_000
    write_text(folder / "note.md", text)
    write_text(folder / "note.html", f"<pre>{text}</pre>")


def write_tables_over(folder: Path, number: int) -> None:
    write_case(case_of(number % 2 == 1), folder / "case")


def write_new_tables(folder: Path, number: int) -> None:
    write_case(case_of(number % 2 == 1), folder / f"case-{number}")


def export_folder(folder: Path, number: int) -> None:
    _export(folder / f"heard-{number}", number)


def export_workbook(folder: Path, number: int) -> None:
    _export(folder / f"heard-{number}.xlsx", number)


def _export(path: Path, number: int) -> None:
    heard = heard_of(number % 2 == 1)
    published: Iterable[Published] = ()
    write_history(path, heard.items, heard.entries, heard.volumes, published)


@cache
def heard_of(odd: bool):
    many = [numbered("odd" if odd else "even", each) for each in range(1, 8)]
    entries = tuple(entry for each in many for entry in each.entries)
    volumes = tuple(volume for each in many for volume in each.volumes)
    return replace(many[0], items=(NINETIES,), entries=entries, volumes=volumes)


def draw_picture(folder: Path, number: int) -> None:
    from blend.output.charts import save, signed_bars

    heights = {"lean": 3.0, "fat": -1.0 if number % 2 else 1.0}
    save(signed_bars("What lean costs", heights, "$/cwt"), folder / "picture.png")


REPLACING = (write_workbook, write_note, write_tables_over, draw_picture)
"""Deeds that write over what is there."""
ADDING = (write_new_tables, export_folder, export_workbook)
"""Deeds whose files are new each time, and named by the number."""
