"""`blend adjust` on the command line; its screens are in tests/golden."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner

import blend.grinder.correct
from blend.cli import main
from tests.cli.test_safe import folder as folder  # the fixture: a case with confidence.csv

BATCH = ("--product", "eighty", "--pounds", "2000", "--fat", "22", "--lot", "frozen 95s")


def run(folder, *words):
    return CliRunner().invoke(main, ["adjust", str(folder), *BATCH, *words])


def answer(folder, *words) -> dict:
    result = run(folder, *words, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def added_lb(folder, *words) -> float:
    return sum(row["add_lb"] for row in answer(folder, *words)["tables"]["add"]["rows"])


@pytest.mark.parametrize("fat", ["22", "22%", "0.22"])
def test_fat_is_a_percent_or_a_fraction(folder, fat):
    batch = answer(folder, "--fat", fat)["tables"]["batch"]["rows"][0]
    assert batch["fat_percent"] == pytest.approx(22)
    assert (batch["min_fat_percent"], batch["max_fat_percent"]) == pytest.approx((18, 21))


def test_whole_containers_and_removal(folder):
    (box,) = answer(folder, "--whole-containers")["tables"]["add"]["rows"]
    assert box["containers"] == round(box["containers"]) > 0
    assert answer(folder, "--room-lb", "0", "--allow-removal")["figures"]["take_out_lb"] > 0


def test_the_confidence_asked_of_the_product_is_the_default(folder):
    """confidence.csv asks 95% of eighty, so more is added than the average alone needs."""
    assert added_lb(folder) == added_lb(folder, "--confidence", "95%")
    assert added_lb(folder) > added_lb(folder, "--confidence", "0")


def test_the_recipe_of_the_plan_may_be_in_the_blender(folder):
    assert added_lb(folder, "--as-planned") > 0


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (("--product", "eigthy"), "Did you mean eighty?"),
        (("--lot", "frozen 59s"), "Did you mean frozen 95s?"),
        (("--fat", "220"), "22, 22% or 0.22"),
        (("--test-error", "56"), "half a point"),
    ],
)
def test_what_cannot_be_read_is_refused(folder, words, hint):
    result = run(folder, *words)
    assert result.exit_code == 2 and not result.stdout
    assert hint in result.output


def test_some_lot_must_be_at_hand(folder):
    result = CliRunner().invoke(main, ["adjust", str(folder), *BATCH[:-2]])
    assert result.exit_code == 2 and "--lot" in result.output


def test_an_adjustment_that_the_check_does_not_confirm_is_not_shown(folder, monkeypatch):
    right = blend.grinder.correct.correct_batch

    def wrong(*args):
        made = right(*args)
        return replace(made, cost_usd=made.cost_usd + 1)

    monkeypatch.setattr(blend.grinder.correct, "correct_batch", wrong)
    refused = run(folder)
    assert refused.exit_code == 1 and not refused.stdout
