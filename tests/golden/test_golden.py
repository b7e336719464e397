"""Each command prints its golden screen: at most 40 lines of 80 columns without options."""

from __future__ import annotations

import pytest

from tests.golden.runner import HERE, cases, screen

CASES = cases()
MAX_LINES, MAX_COLUMNS = 40, 80


@pytest.mark.parametrize("name", CASES)
def test_screen(name):
    shown = screen(CASES[name])
    lines = shown.splitlines()
    assert max(map(len, lines)) <= MAX_COLUMNS
    if not any(part.startswith("--") for part in CASES[name] if part != "--no-workbook"):
        assert len(lines) <= MAX_LINES
    assert shown == (HERE / f"{name}.txt").read_text(), "remake with python -m tests.golden"
