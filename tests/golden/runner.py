"""How golden screens are made: demo data, 80 columns, no color."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from collections.abc import Sequence
from contextlib import chdir
from functools import cache
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


@cache
def filled_store() -> str:
    """A store with the demo's history, for the reporter's commands."""
    folder = Path(tempfile.mkdtemp(prefix="blend-golden-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    words = ["canvass", "import", str(ROOT / "demo_data" / "history")]
    main([*words, "--store", str(folder / "market.db")], standalone_mode=False)
    return str(folder / "market.db")


def screen(argv: Sequence[str]) -> str:
    """What a command prints: its answer, or where there is no plan, why."""
    env = {**os.environ, "COLUMNS": "80", "NO_COLOR": None}
    if argv[0] in ("canvass", "quote", "volumes", "note", "weekly"):
        env["BLEND_STORE"] = filled_store()
    with chdir(ROOT):
        result = CliRunner(env=env).invoke(main, list(argv))
    assert result.exit_code in (0, 3), result.output
    return result.stdout if result.exit_code == 0 else result.stderr
