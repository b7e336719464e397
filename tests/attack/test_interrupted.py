"""Interrupted at any moment, a command ends without a traceback and leaves nothing half-written."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest
from openpyxl import load_workbook

from blend.cli import INTERRUPTED
from blend.store import Store
from tests.store.test_crash import check_sqlite

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_data"
DAY = "2026-11-20"
LONGEST_S = 120
"""No command takes as long, not even on a busy machine: one that does hangs."""
BLEND = """
import os, sys
from blend.cli import main
os.write(int(sys.argv.pop(1)), b"up")
sys.argv[0] = "blend"
main()
"""
MOMENTS = [pytest.param(4, marks=pytest.mark.slow), pytest.param(30, marks=pytest.mark.long)]
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals are those of POSIX")


@dataclass(frozen=True)
class Command:
    arguments: str
    takes_s: float
    """About; signals are given within this time."""
    writes: str = ""


COMMANDS = {
    "plan": Command(f"plan {DEMO} --time-limit 3 --workbook out.xlsx", 5, "out.xlsx"),
    "confidence": Command(f"plan {DEMO} --no-workbook --confidence table --time-limit 20", 12),
    "scenarios": Command(
        f"scenarios {DEMO} --draws 200 --workers 2 --csv out.csv --chart out.png", 6, "out.csv"
    ),
    "positions": Command(f"plan {DEMO} --days --csv out.csv", 4, "out.csv"),
    "why": Command(f"why {DEMO / 'week_before'} {DEMO} --where lot=B90-1", 1),
    "breakeven": Command(f"breakeven {DEMO} B50-1 --chart out.png", 2, "out.png"),
    "note": Command(f"note --day {DAY} --out out.html --store market.db", 4, "out.html"),
    "quote": Command(f"quote --day {DAY} --all --publish --assessor me --store market.db", 2),
}
ENDINGS = {".xlsx": b"PK", ".csv": b"\xef\xbb\xbf", ".png": b"\x89PNG", ".html": b"<!doctype"}


@pytest.fixture(scope="module")
def filled(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("store") / "market.db"
    command = [sys.executable, "-c", "from blend.cli import main; main()", "canvass", "import"]
    subprocess.run([*command, DEMO / "history", "--store", path], cwd=ROOT, check=True)
    return path


@dataclass(frozen=True)
class Ended:
    code: int
    stderr: str
    folder: Path

    @property
    def is_stopped(self) -> bool:
        return self.code in (INTERRUPTED, -signal.SIGINT)


def interrupted(
    command: Command, filled: Path, draw: random.Random, signals: tuple[int, ...]
) -> Iterator[Ended]:
    """A command given signals from a random moment on, as a terminal does to all its processes."""
    folder = Path(tempfile.mkdtemp(prefix="blend-"))
    if "market.db" in command.arguments:
        shutil.copy(filled, folder / "market.db")
    heard, up = os.pipe()
    with (folder / "stderr").open("w") as stderr:
        process = subprocess.Popen(
            [sys.executable, "-c", BLEND, str(up), *command.arguments.split()],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            pass_fds=(up,),
            stdout=subprocess.DEVNULL,
            stderr=stderr,
            start_new_session=True,
        )
    os.close(up)
    assert os.read(heard, 2) == b"up"
    os.close(heard)
    time.sleep(draw.uniform(0, command.takes_s))
    for number in signals:
        try:
            os.killpg(process.pid, number)
        except ProcessLookupError:
            break  # It has ended by itself.
        time.sleep(draw.uniform(0, 0.3))
    try:
        code = process.wait(LONGEST_S)
        check_none_is_left(process.pid)
        yield Ended(code, (folder / "stderr").read_text(), folder)
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        shutil.rmtree(folder)


def check_none_is_left(group: int) -> None:
    """Workers end with the command, or moments after it."""
    until = time.monotonic() + 20
    while time.monotonic() < until:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return
        time.sleep(0.05)
    raise AssertionError("a process of the command is still there")


def check_quiet(ended: Ended) -> None:
    for noise in ("Traceback", "Exception ignored", "Error"):
        assert noise not in ended.stderr, ended.stderr


def check_whole(command: Command, folder: Path) -> None:
    """What the command writes is there whole, or not at all."""
    out = folder / command.writes
    if command.writes and out.exists():
        content = out.read_bytes()
        assert content.lower().startswith(ENDINGS[out.suffix].lower())
        if out.suffix == ".xlsx":
            assert load_workbook(out).sheetnames[0] == "Purchases"
        if out.suffix == ".html":
            assert content.rstrip().endswith(b"</html>")
        if out.suffix == ".png":
            assert b"IEND" in content[-12:]
        if out.suffix == ".csv":
            assert content.endswith(b"\n")
    if (folder / "market.db").exists():
        check_sqlite(folder / "market.db")
        with Store.open(folder / "market.db") as store:
            published = store.every_published()
            assert store.position() == 1 + bool(published)
            assert len(published) in (0, len(store.items()))


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir() if not path.name.startswith("market.db-")}


SIGNALS = {
    "ctrl-c": (signal.SIGINT,),
    "ctrl-c again and again": (signal.SIGINT,) * 3,
    "terminated": (signal.SIGTERM,),
}


@pytest.mark.parametrize("moments", MOMENTS)
@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize("signals", SIGNALS.values(), ids=SIGNALS)
def test_a_command_stopped_at_any_moment_ends_quietly(
    name, signals, moments, filled, record_property
):
    """Only a hidden name may stay behind a terminated command, to be removed later."""
    command, draw = COMMANDS[name], random.Random(f"{name} {signals} {moments}")
    is_ctrl_c = signal.SIGINT in signals
    codes: Counter[int] = Counter()
    for _ in range(moments):
        for ended in interrupted(command, filled, draw, signals):
            check_quiet(ended)
            stopped = ended.is_stopped if is_ctrl_c else ended.code == -signal.SIGTERM
            assert ended.code == 0 or stopped, (ended.code, ended.stderr)
            if ended.code == INTERRUPTED:
                assert ended.stderr.splitlines()[-1] == "Stopped."
            if ended.code == 0 and command.writes:
                assert (ended.folder / command.writes).exists()
            left = names(ended.folder)
            shown = left if len(signals) == 1 and is_ctrl_c else {n for n in left if n[0] != "."}
            assert shown <= {"stderr", command.writes, "out.png", "out-sources.html", "market.db"}
            check_whole(command, ended.folder)
            codes[ended.code] += 1
    record_property("codes", str(dict(codes)))
    if signals == SIGNALS["ctrl-c"]:
        assert codes[INTERRUPTED] >= moments / 4, "signals missed the work"


@pytest.mark.slow
def test_workers_end_when_the_command_alone_is_killed(tmp_path):
    command = [sys.executable, "-c", "from blend.cli import main; main()"]
    command += ["scenarios", str(DEMO), "--draws", "100000", "--workers", "2"]
    process = subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        start_new_session=True)  # fmt: skip
    try:
        time.sleep(5)
        assert process.poll() is None
        process.kill()
        process.wait()
        check_none_is_left(process.pid)
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)


_SWALLOWED = """
import os, signal, sys, time
import click
from blend.cli import LazyGroup, main

# Started in the background by a shell, it would ignore Ctrl-C.
signal.signal(signal.SIGINT, signal.default_int_handler)

class Gone:
    def __del__(self):
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(0.01)

@click.command()
def plan():
    Gone()
    time.sleep(1)
    print("went on")

LazyGroup.get_command = lambda group, ctx, name: plan
sys.argv = ["blend", "plan"]
main()
"""


def test_ctrl_c_is_not_lost_where_nothing_can_be_raised():
    """Python only prints what is raised in a finalizer, and goes on."""
    done = subprocess.run(
        [sys.executable, "-c", _SWALLOWED], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == INTERRUPTED
    assert done.stdout == "" and done.stderr.strip() == "Stopped."


def test_ctrl_c_while_a_library_is_loaded_is_no_damage(tmp_path):
    (tmp_path / "highspy.py").write_text(
        "try:\n    raise KeyboardInterrupt\nexcept KeyboardInterrupt as stop:\n"
        "    raise ImportError('initialization failed') from stop"
    )
    code = f"import sys; sys.path.insert(0, {str(tmp_path)!r}); from blend.cli import main; main()"
    command = [sys.executable, "-c", code, "plan", str(DEMO), "--no-workbook"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == INTERRUPTED
    assert done.stderr.splitlines()[-1] == "Stopped."
