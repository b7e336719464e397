"""A missing library gets one line that says what to install."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from blend.domain.market import Additions
from blend.store import Store
from tests.attack import killing
from tests.store.heard import NINETIES, entry
from tests.tables.plain_tables import sound, write_folder

ROOT = Path(__file__).parents[2]
WITHOUT = """
import sys
sys.modules[sys.argv.pop(1)] = None  # Importing it fails as if it were not installed.
sys.argv[0] = "blend"
from blend.cli import main
main()
"""
PLAN = "plan case --no-break-even --workbook plan.xlsx"
REINSTALL = "python -m pip install --force-reinstall ."
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def plant(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("market")
    write_folder(folder / "case", sound())
    with Store.create(folder / "market.db") as store:
        store.add(Additions((NINETIES,), tuple(entry(f"E{each}") for each in range(8))))
    killing.export_workbook(folder, 1)
    return folder


def run_without(library: str, command: str, plant: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", WITHOUT, library, *command.split()],
        cwd=plant,
        env={**os.environ, "PYTHONPATH": str(ROOT), "BLEND_STORE": "market.db"},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("library", "command", "install"),
    [
        ("highspy", PLAN, REINSTALL),
        ("numpy", PLAN, REINSTALL),
        ("openpyxl", PLAN, REINSTALL),
        ("openpyxl", "canvass export plant.xlsx", REINSTALL),
        ("openpyxl", "canvass import heard-1.xlsx", REINSTALL),
        ("openpyxl", "check heard-1.xlsx", REINSTALL),
        ("sqlalchemy", "canvass show", REINSTALL),
        ("scipy", f"value {ROOT / 'demo_data'}", REINSTALL),
        ("psycopg", "canvass show --store postgresql://market@host/market", ".[postgres]"),
        ("distributed", f"scenarios {ROOT / 'demo_data'} --scheduler tcp://h:1", ".[dask]"),
    ],
)
def test_a_missing_library_is_named_with_what_to_install(library, command, install, plant):
    before = {path.name for path in plant.iterdir()}
    done = run_without(library, command, plant)
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    last = done.stderr.splitlines()[-1]
    assert {"distributed": "Dask"}.get(library, library) in last
    assert install in last and "pip install" in last
    assert {path.name for path in plant.iterdir()} == before


@pytest.mark.parametrize(
    ("library", "command"),
    [
        ("openpyxl", "check case"),
        ("openpyxl", "plan case --no-break-even --no-workbook"),
        ("psycopg", "canvass show"),
        ("sqlalchemy", "check case"),
        ("highspy", "check case"),
    ],
)
def test_what_is_not_needed_is_not_required(library, command, plant):
    done = run_without(library, command, plant)
    assert done.returncode == 0, done.stderr


def test_a_damaged_library_is_named_too(plant, tmp_path):
    (tmp_path / "highspy.py").write_text("raise ImportError('undefined symbol: highs_run')")
    code = f"import sys; sys.path.insert(0, {str(tmp_path)!r}); from blend.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, *PLAN.split()],
        cwd=plant, env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, check=False)  # fmt: skip
    assert done.returncode == 1 and "Traceback" not in done.stderr
    assert "undefined symbol" in done.stderr and REINSTALL in done.stderr
