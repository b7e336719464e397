"""Every analysis command gives JSON and CSV; first screens fit the terminal, without color."""

from __future__ import annotations

import csv
import json
import os
import re
from contextlib import chdir
from importlib import import_module

import click
import pytest
from click.testing import CliRunner

from blend.cli import COMMANDS, main
from tests.golden.runner import ROOT, filled_store

FIRST_SCREENS = {
    "plan": ["plan", "demo_data", "--no-workbook"],
    "days": ["plan", "demo_data", "--days", "--containers", "no"],
    "lot": ["lot", "demo_data", "I90-1"],
    "lean": ["lean", "demo_data"],
    "control": ["control", "demo_data"],
    "adjust": ["adjust", "demo_data", "--product", "GB80", "--pounds", "3,800", "--fat", "22%"],
    "simulate": ["simulate", "demo_data", "--draws", "200", "--containers", "no"],
    "value": ["value", "demo_data"],
    "breakeven": ["breakeven", "demo_data", "I90-1"],
    "substitute": ["substitute", "demo_data"],
    "landed": ["landed", "demo_data"],
    "scenarios": ["scenarios", "demo_data"],
    "book": ["book", "show", "demo_data/book"],
    "risk": ["book", "risk", "demo_data/book"],
    "claim": ["book", "claim", "D-106", "demo_data/book", "--tested", "83.5"],
    "customers": ["customers", "demo_data/book", "90 CL", "--loads", "5", "--cost", "314"],
    "canvass": ["canvass", "show"],
    "quote": ["quote"],
    "volumes": ["volumes"],
    "why": ["why", "demo_data/week_before", "demo_data", "--where", "lot=B90-1"],
    "note": ["note"],
    "weekly": ["weekly"],
}


def run(argv: list[str], columns: int = 80) -> str:
    env = {**os.environ, "COLUMNS": str(columns), "BLEND_STORE": filled_store()}
    env.pop("NO_COLOR", None)
    with chdir(ROOT):
        result = CliRunner(env=env).invoke(main, argv)
    assert result.exit_code == 0, result.output
    return result.stdout


@pytest.mark.parametrize("name", FIRST_SCREENS)
def test_json_and_csv_parse(name, tmp_path):
    file = tmp_path / "table.csv"
    json.loads(
        run([*FIRST_SCREENS[name], "--json", "--csv", str(file)]), parse_constant=pytest.fail
    )
    with file.open(encoding="utf-8-sig", newline="") as text:
        header, *rows = csv.reader(text)
    assert header and all(len(row) == len(header) for row in rows)


PLAIN_SCREENS = {
    "check": ["check", "demo_data"],
    "guide": ["guide"],
}
"""Screens of commands that take no --json."""


@pytest.mark.parametrize("columns", [60, 80])
@pytest.mark.parametrize("name", FIRST_SCREENS | PLAIN_SCREENS)
def test_a_first_screen_fits_the_terminal_without_color(name, columns):
    lines = run((FIRST_SCREENS | PLAIN_SCREENS)[name], columns).splitlines()
    assert [line for line in lines if len(line) > columns or "\x1b" in line] == []
    assert columns < 80 or len(lines) <= 40


def commands():
    for name, place in COMMANDS.items():
        command = getattr(import_module(place.module), name)
        if isinstance(command, click.Group):
            yield from ((f"{name} {each}", sub) for each, sub in command.commands.items())
        else:
            yield name, command


@pytest.mark.parametrize(("name", "command"), commands())
def test_help_ends_with_two_examples(name, command):
    examples = re.findall(rf"blend {name}\b", command.epilog or "")
    assert len(examples) >= 2
