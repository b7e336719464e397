"""How golden screens are made: demo data, 80 columns, no color."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import chdir
from importlib import import_module
from pathlib import Path

from click.testing import CliRunner

from blend.cli import main

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


def cases() -> dict[str, list[str]]:
    """Every golden command by the name of its file, from the modules that hold CASES."""
    found: dict[str, list[str]] = {}
    for part in ("grinder", "trader", "reporter"):
        if (HERE / f"{part}.py").exists():
            found |= import_module(f"tests.golden.{part}").CASES
    return found


def screen(argv: Sequence[str]) -> str:
    """What a command prints; warnings of the tables go to stderr."""
    with chdir(ROOT):
        result = CliRunner(env={**os.environ, "COLUMNS": "80", "NO_COLOR": "1"}).invoke(
            main, list(argv)
        )
    assert result.exit_code == 0, result.output
    return result.stdout
