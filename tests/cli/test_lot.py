"""`blend lot`: why a lot is used, or not, on the command line."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from blend.cli import main

DEMO = Path(__file__).parents[2] / "demo_data"


def ask(*words: str):
    return CliRunner().invoke(main, ["lot", *words])


@pytest.mark.parametrize(
    ("lot", "words"),
    [
        ("B90-1", ("Lot B90-1 is not used", "enters the plan below", "If it entered")),
        ("I90-1", ("Lot I90-1 is used", "leaves the plan above", "Without it")),
        ("B90-5", ("cannot be used on 2026-11-25: first available 2026-11-26",)),
        ("HRT-1", ("no product of today may hold it", "rule no heart")),
    ],
)
def test_a_lot_is_explained(lot, words):
    answer = ask(str(DEMO), lot)
    assert answer.exit_code == 0
    assert all(each in answer.output for each in words)


def test_an_unknown_lot_is_refused_with_a_guess():
    answer = ask(str(DEMO), "B90-9")
    assert answer.exit_code == 2
    assert "LOT: read B90-9; allowed an id of lots. Did you mean" in answer.stderr


def test_no_plan_is_told_with_the_infeasible():
    answer = ask(str(DEMO / "no_plan"), next_lot(DEMO / "no_plan"))
    assert answer.exit_code == 3
    assert "No plan exists" in answer.stderr


def next_lot(folder: Path) -> str:
    return (folder / "lots.csv").read_text("utf-8-sig").splitlines()[1].split(",")[0]
