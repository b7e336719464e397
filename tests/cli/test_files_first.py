"""Every file asked for is written before anything is printed, so a closed pipe loses none."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

from blend.cli import main
from tests.attack.mutations import write_csvs
from tests.attack.small import small_grids
from tests.golden.runner import ROOT, filled_store

DEMO, BOOK = str(ROOT / "demo_data"), str(ROOT / "demo_data" / "book")
SAVES = {
    "plan": ["plan", "small", "--workbook", "p.xlsx", "--work-order", "floor.html",
             "--csv", "p.csv", "--chart", "p.svg", "--write-model", "p.lp"],
    "days": ["plan", DEMO, "--days", "--containers", "no", "--csv", "d.csv", "--chart", "d.svg"],
    "value": ["value", DEMO, "--csv", "v.csv", "--chart", "v.svg"],
    "landed": ["landed", DEMO, "--into", "lots.csv", "--csv", "l.csv"],
    "customers": ["customers", BOOK, "90 CL", "--loads", "5", "--cost", "314", "--no-whole",
                  "--offer-sheet", "offer.html", "--customer", "Grinder H", "--csv", "c.csv"],
    "confirm": ["book", "confirm", "D-104", BOOK, "--text", "confirm.txt"],
    "note": ["note", "--out", "note.html"],
    "draft": ["note", "--out", "note.md"],
    "weekly": ["weekly", "--out", "w.html", "--slides", "s.html", "--script", "s.txt",
               "--csv", "w.csv", "--chart", "w.svg"],
    "export": ["canvass", "export", "store.xlsx"],
    "demo": ["demo", "copied"],
    "new": ["new", "starter"],
}  # fmt: skip


@pytest.mark.parametrize("name", SAVES)
def test_files_are_written_before_anything_is_printed(name, tmp_path, monkeypatch):
    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EPIPE, "Broken pipe")

    monkeypatch.chdir(tmp_path)
    write_csvs(small_grids(), tmp_path / "small")
    monkeypatch.setenv("BLEND_STORE", filled_store())
    monkeypatch.setattr(click, "echo", refuse)
    with pytest.raises((OSError, SystemExit)):
        main(SAVES[name], standalone_mode=False)
    asked = [word for word in SAVES[name] if Path(word).suffix in (
        ".xlsx", ".html", ".csv", ".svg", ".lp", ".txt", ".md")]  # fmt: skip
    asked += {"demo": ["copied/lots.csv"], "new": ["starter/plant.xlsx"]}.get(name, [])
    assert asked and [each for each in asked if not Path(each).exists()] == []


def test_a_reader_that_leaves_before_the_first_line_loses_no_file(tmp_path):
    read, write = os.pipe()
    os.close(read)
    code = "from blend.cli import main; main()"
    subprocess.run(
        [sys.executable, "-c", code, *SAVES["value"]],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=write,
        stderr=subprocess.DEVNULL,
        check=False,
    )
    os.close(write)
    assert {each.name for each in tmp_path.iterdir()} == {"v.csv", "v.svg"}
