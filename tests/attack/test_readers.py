"""Whatever is done to a sheet, its reader reads it or refuses it in words, and soon."""

from __future__ import annotations

import tempfile
from collections import Counter
from pathlib import Path
from random import Random

import pytest

from tests.attack.mutations import malformed, write_files
from tests.attack.targets import Target, outcome, targets

QUICK, EVERY, BLOCK = 312, 10_000, 500


def told_of(seed: int) -> str:
    random = Random(seed)
    target = targets()[seed % len(targets())]
    with tempfile.TemporaryDirectory() as name:
        path = write_files(malformed(random, target), Path(name) / "folder")
        try:
            return outcome(target, path)
        except BaseException as error:
            error.add_note(f"sheet {seed} of {target.name}: told_of({seed})")
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
    told = Counter(told_of(seed) for seed in range(QUICK))
    # Each way out is taken often: else the sheets would be too sound, or too broken, to tell.
    assert min(told["read"], told["refused"], told["trouble"]) > QUICK / 20, told


@pytest.mark.long
@pytest.mark.parametrize("first", range(QUICK, EVERY, BLOCK))
def test_ten_thousand_malformed_sheets_are_read_or_refused(first: int):
    for seed in range(first, min(first + BLOCK, EVERY)):
        told_of(seed)
