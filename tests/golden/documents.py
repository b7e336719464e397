"""Command blocks of the README and the guide, run and pasted so that they cannot go stale.

A block fenced as `console` holds commands after `$ `, each followed by what it prints. They run in
order in a copy of the demo plant; `| head -N` shows the first lines only. `python -m
tests.golden.documents` pastes today's output.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import chdir, contextmanager
from pathlib import Path

from click.testing import CliRunner

from blend.cli import main
from tests.golden.runner import ROOT
from tests.tools.kept import searches_kept

DOCUMENTS = [ROOT / "README.md", *sorted((ROOT / "blend" / "guide").glob("*.md"))]
_BLOCK = re.compile(r"^```console\n(.*?)^```", re.MULTILINE | re.DOTALL)
_HEAD = re.compile(r"\s*\|\s*head -(\d+)\s*$")
SETUP = ("python", "pip", "git", "cd", "py", "source", ".venv")
"""Commands that set up a machine: shown, not run."""


def commands_of(block: str) -> list[str]:
    return [line[2:] for line in block.splitlines() if line.startswith("$ ")]


def current(document: Path) -> str:
    """The document with today's output in its blocks."""
    text = document.read_text("utf-8")
    with in_a_copy_of_the_demo():
        return _BLOCK.sub(lambda found: f"```console\n{_run(found[1])}```", text)


@contextmanager
def in_a_copy_of_the_demo() -> Iterator[None]:
    """A folder with the demo plant in it, and the store of the examples named."""
    before = os.environ.get("BLEND_STORE")
    with tempfile.TemporaryDirectory() as folder, chdir(folder):
        shutil.copytree(ROOT / "demo_data", "demo_data")
        os.environ["BLEND_STORE"] = "market.sqlite"
        try:
            yield
        finally:
            os.environ.pop("BLEND_STORE")
            if before is not None:
                os.environ["BLEND_STORE"] = before


def _run(block: str) -> str:
    commands = commands_of(block)
    if all(each.split()[0] in SETUP for each in commands):
        return block
    return "".join(f"$ {each}\n{output(each)}" for each in commands)


def output(command: str) -> str:
    """What a command prints, at 80 columns and without color; empty for one of set-up."""
    head = _HEAD.search(command)
    words = shlex.split(command[: head.start()] if head else command)
    if words[0] != "blend" or words[1:2] in (["demo"], ["desk"]):
        return ""
    runner = CliRunner(env={"COLUMNS": "80", "NO_COLOR": "1"})
    result = runner.invoke(main, words[1:])
    assert result.exit_code == 0, f"{command}\n{result.output}"
    lines = result.output.rstrip().splitlines()
    if head:
        lines = lines[: int(head[1])]
    return "".join(f"{line.rstrip()}\n" for line in lines)


if __name__ == "__main__":
    with searches_kept():
        for each in DOCUMENTS:
            each.write_text(current(each), "utf-8")
