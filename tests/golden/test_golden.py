"""Each command prints its golden screen, fits the terminal, and gives JSON and CSV.

A command runs once; what else is asked of its answer is asked of the same answer.
"""

from __future__ import annotations

import csv
import json
import re
from importlib import import_module

import click
import pytest

from blend.cli import COMMANDS, answers
from blend.output.screen import headed
from tests.golden.runner import HERE, cases, screen

CASES = cases()
MAX_LINES, MAX_COLUMNS, NARROW = 40, 80, 60
WIDE = ("landed_one",)
"""Titles that name an offer in full are not cut."""
pytestmark = pytest.mark.usefixtures("searches_kept")


@pytest.fixture
def given(monkeypatch):
    """The answers that commands give from now on."""
    made, give = [], answers.give

    def kept(answer, *more, **named):
        made.append(answer)
        give(answer, *more, **named)

    for module in (answers, import_module("blend.cli.weekly")):
        monkeypatch.setattr(module, "give", kept)
    return made


@pytest.mark.parametrize("name", CASES)
def test_screen(name, given, monkeypatch, tmp_path):
    shown = screen(CASES[name])
    lines = shown.splitlines()
    assert max(map(len, lines)) <= MAX_COLUMNS
    if not any(part.startswith("--") for part in CASES[name] if part != "--no-workbook"):
        assert len(lines) <= MAX_LINES
    assert shown == (HERE / f"{name}.txt").read_text(), "remake with python -m tests.golden"
    monkeypatch.setenv("COLUMNS", str(NARROW))
    for answer in given:
        narrow = headed(answer.screen()).splitlines()
        assert name in WIDE or max(map(len, narrow)) <= NARROW
        json.loads(answer.to_json(), parse_constant=pytest.fail)
        for table, frame in answer.tables.items():
            answer.to_csv(tmp_path / "table.csv", table)
            with (tmp_path / "table.csv").open(encoding="utf-8-sig", newline="") as text:
                header, *rows = csv.reader(text)
            assert header == list(frame.columns) and len(rows) == len(frame)


def commands():
    for name, place in COMMANDS.items():
        command = getattr(import_module(place.module), name)
        if isinstance(command, click.Group):
            yield from ((f"{name} {each}", sub) for each, sub in command.commands.items())
        else:
            yield name, command


@pytest.mark.parametrize(("name", "command"), list(commands()))
def test_help_ends_with_two_examples(name, command):
    assert len(re.findall(rf"blend {name}\b", command.epilog or "")) >= 2
