"""Whatever is done to a sheet, its reader reads it or refuses it in words, and soon."""

from __future__ import annotations

import io
import tempfile
from collections import Counter
from datetime import time, timedelta
from pathlib import Path
from random import Random

import pytest
from openpyxl import Workbook

from blend.errors import InputRefused
from tests.attack.mutations import Files, csv_bytes, malformed, write_files
from tests.attack.targets import Target, outcome, targets

QUICK, EVERY, BLOCK = 312, 10_000, 500


def outcome_of(seed: int) -> str:
    random = Random(seed)
    target = targets()[seed % len(targets())]
    with tempfile.TemporaryDirectory() as name:
        path = write_files(malformed(random, target), Path(name) / "folder")
        try:
            return outcome(target, path)
        except BaseException as error:
            error.add_note(f"sheet {seed} of {target.name}: outcome_of({seed})")
            raise


@pytest.mark.parametrize("target", targets(), ids=lambda target: target.name)
def test_sound_tables_are_read(target: Target, tmp_path: Path):
    files = {
        f"{name}.csv": "\n".join(",".join(f'"{cell}"' for cell in row) for row in grid).encode()
        for name, grid in target.tables.items()
    }
    assert outcome(target, write_files(files, tmp_path / "folder")) == "read"


@pytest.mark.slow
def test_malformed_sheets_are_read_or_refused():
    found = Counter(outcome_of(seed) for seed in range(QUICK))
    # Each way out is taken often: else the sheets would be too sound or too broken.
    assert min(found["read"], found["refused"], found["trouble"]) > QUICK / 20, found


# What such sheets brought to light -------------------------------------------------------------


def problems_of(name: str, files: Files, tmp_path: Path) -> list[str]:
    target = next(each for each in targets() if each.name == name)
    sound = {f"{table}.csv": csv_bytes(grid) for table, grid in target.tables.items()}
    with pytest.raises(InputRefused) as refused:
        target.read(write_files(sound | files, tmp_path / "folder"))
    return [str(each) for each in refused.value.problems]


@pytest.mark.parametrize(("name", "table"), [("case", "settings"), ("quotation_method",) * 2])
def test_a_ragged_row_of_settings_is_reported_once(name: str, table: str, tmp_path: Path):
    target = next(each for each in targets() if each.name == name)
    grid = [list(row) for row in target.tables[table]]
    grid[1] = grid[1][:1]
    (problem,) = problems_of(name, {f"{table}.csv": csv_bytes(grid)}, tmp_path)
    assert problem.startswith(f"{table}.csv row 2: 1 cells")


@pytest.mark.parametrize("cell", [time(6, 30), timedelta(hours=30)])
def test_times_that_a_spreadsheet_made_of_numbers_and_names_are_refused(cell, tmp_path: Path):
    book = Workbook()
    book.active.append(["lot_id", "temperature_f"])
    book.active.append([cell, 36])
    book.active.append(["B50-1", cell])
    data = io.BytesIO()
    book.save(data)
    target = next(each for each in targets() if each.name == "temperatures")
    folder = write_files({"temperatures.xlsx": data.getvalue()}, tmp_path / "folder")
    with pytest.raises(InputRefused) as refused:
        target.read(folder)
    assert [(each.row, each.column) for each in refused.value.problems] == [
        (2, "lot_id"),
        (3, "temperature_f"),
    ]
    assert all("a date or time" in each.hint for each in refused.value.problems)


def test_a_second_cooler_for_every_lot_is_reported(tmp_path: Path):
    coolers = [["cooler_id", "lots"], ["one", "fresh_or_frozen=fresh"], ["other", ""]]
    problems = problems_of("horizon", {"coolers.csv": csv_bytes(coolers)}, tmp_path)
    assert problems and all("lots: lot " in each and "in row 2 too" in each for each in problems)


@pytest.mark.long
@pytest.mark.parametrize("first", range(QUICK, EVERY, BLOCK))
def test_ten_thousand_malformed_sheets_are_read_or_refused(first: int):
    for seed in range(first, min(first + BLOCK, EVERY)):
        outcome_of(seed)
