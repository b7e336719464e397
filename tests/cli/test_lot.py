"""`blend lot` on the command line; its screens are in tests/golden."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from blend.cli import main

DEMO = Path(__file__).parents[2] / "demo_data"


def ask(*words: str | Path):
    return CliRunner().invoke(main, ["lot", *map(str, words)])


@pytest.mark.parametrize("words", [["FRESH 90S"], ["--where", "item=fresh 90s"]])
def test_an_item_compares_its_lots_as_each_alone_is_answered(words):
    lots = json.loads(ask(DEMO, *words, "--json").stdout)["tables"]["lots"]["rows"]
    assert [row["lot_id"] for row in lots] == ["B90-1", "B90-2", "B90-3"]
    for row in lots:
        alone = json.loads(ask(DEMO, row["lot_id"], "--json").stdout)["figures"]
        assert alone["break_even_usd_per_cwt"] == pytest.approx(row["break_even_usd_per_cwt"])


@pytest.mark.parametrize(
    "words", [["B90-9"], [], ["B90-1", "--where", "lean>=0.9"], ["--where", "lean>=905"],
              ["--where", "item=fresh 9s"], ["HRT-1", "--chart", "x.png"]]
)  # fmt: skip
def test_what_cannot_be_answered_is_refused(words):
    answer = ask(DEMO, *words)
    assert answer.exit_code == 2 and not answer.stdout


def test_no_plan_is_explained():
    answer = ask(DEMO / "no_plan", "--where", "species=beef")
    assert answer.exit_code == 3 and "Can't fill" in answer.stderr
