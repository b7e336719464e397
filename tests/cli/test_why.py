"""`blend why` on the demo: what it prints, draws, writes and refuses."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from blend.cli import main
from blend.cli.why import _DRIVERS
from blend.reporter.mixed import Driver

DEMO = Path(__file__).parents[2] / "demo_data"
BEFORE = DEMO / "week_before"
MARKET = DEMO / "market"
LATER = MARKET / "later"


def run(*arguments):
    return CliRunner().invoke(main, [str(each) for each in arguments])


def test_the_drivers_of_the_command_are_those_there_are():
    assert [name.replace("-", "_").upper() for name in _DRIVERS] == [each.name for each in Driver]


def test_why_a_plan_moved_is_shown_drawn_and_written(tmp_path):
    picture, folder = tmp_path / "why.png", tmp_path / "back"
    answer = run(
        *("why", BEFORE, DEMO, "--where", "lot=B90-1", "--quote-change", 5, "--quote-error", 1),
        *("--chart", picture, "--undo", "imported-supply", "--write", folder, "--json"),
    )
    assert answer.exit_code == 0, answer.output
    found = json.loads(answer.stdout)
    parts = {each["driver"]: each for each in found["tables"]["parts"]["rows"]}
    moved = found["figures"]["after_usd_per_cwt"] - found["figures"]["before_usd_per_cwt"]
    assert sum(each["part_usd_per_cwt"] for each in parts.values()) == pytest.approx(moved)
    assert "other lots' prices" in found["figures"]["headline"]
    cost = found["tables"]["cost"]["rows"]
    change = found["figures"]["after_usd"] - found["figures"]["before_usd"]
    assert sum(each["part_usd"] for each in cost) == pytest.approx(change)
    assert picture.stat().st_size > 10_000
    assert run("check", folder).exit_code == 0
    again = json.loads(run("why", folder, DEMO, "--where", "lot=B90-1", "--json").stdout)
    (own,) = [e for e in again["tables"]["parts"]["rows"] if e["driver"] == "imported supply"]
    assert own["part_usd_per_cwt"] == pytest.approx(
        -parts["imported supply"]["difference_usd_per_cwt"]
    )
    undo = ("--undo", "orders", "--write", folder)
    assert run("why", BEFORE, DEMO, "--where", "lot=B90-1", *undo).exit_code == 1


def test_warnings_of_two_cases_name_the_folder(tmp_path):
    answer = run("why", BEFORE, DEMO, "--where", "lot=B90-1", "--json")
    warnings = [line for line in answer.stderr.splitlines() if line.startswith("warning: ")]
    of_before = [line for line in warnings if str(BEFORE / "products.csv") in line]
    of_after = [line for line in warnings if str(DEMO / "products.csv") in line]
    assert len(of_before) == len(of_after) == 1
    broken = tmp_path / "broken"
    shutil.copytree(BEFORE, broken)
    lots = broken / "lots.csv"
    lots.write_text(lots.read_text().replace("beef", "beaf", 1))
    refused = run("why", broken, DEMO, "--where", "lot=B90-1")
    assert refused.exit_code == 2 and f"{lots} row" in refused.stderr
    assert f"{DEMO / 'products.csv'} row" not in run("lot", DEMO, "I90-1").stderr


def test_why_a_market_moved_is_shown_with_errors(tmp_path):
    folder = tmp_path / "back"
    answer = run(
        *("why", MARKET, LATER, "--where", "lot=90s", "--price-error", 1),
        *("--chart", tmp_path / "why.svg", "--undo", "orders", "--write", folder, "--all"),
        *("--year-ago", MARKET),
    )
    assert answer.exit_code == 0, answer.output
    assert (
        "On year" in answer.output
        and "1,000 draws" in answer.output
        and "The quote rose $9.50" in answer.output
    )
    assert run("why", folder, "--market").exit_code == 0


def test_a_market_is_fitted_cleared_and_moved():
    move = MARKET / "imports_short.csv"
    answer = run("why", MARKET, "--market", "--move", move, "--json")
    assert answer.exit_code == 0, answer.output
    tables = json.loads(answer.output)["tables"]
    prices = {each["lot_id"]: each for each in tables["prices"]["rows"]}
    for each in prices.values():  # the fit reproduces the quotations
        low, high = each["clears_low_usd_per_cwt"], each["clears_high_usd_per_cwt"]
        assert low - 0.01 <= each["quoted_usd_per_cwt"] <= high + 0.01
    assert prices["90s"]["then_low_usd_per_cwt"] > prices["90s"]["clears_high_usd_per_cwt"]
    assert prices["50s"]["then_high_usd_per_cwt"] < prices["50s"]["clears_low_usd_per_cwt"]
    assert {"ground", "items", "products"} <= set(tables)


OWN = ("why", BEFORE, DEMO, "--where", "lot=B90-1")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("why", BEFORE, MARKET, "--where", "lot=90s"), "product_demand"),
        (("why", BEFORE, DEMO, "--where", "color=red"), "unknown attribute"),
        (("why", BEFORE, DEMO, "--where", "lot=nobody"), "no lot with"),
        (("why", BEFORE, DEMO), "--where"),
        ((*OWN, "--quote-error", "1"), "--quote-change"),
        ((*OWN, "--undo", "orders"), "--write"),
        ((*OWN, "--price-error", "9"), "for markets"),
        ((*OWN, "--year-ago", MARKET), "for markets"),
        (("why", MARKET, LATER, "--where", "lot=90s", "--shortage", "1"), "--shortage"),
        (("why", MARKET, LATER, "--where=lot=90s", "--undo=own-price", "--write=no"), "one of"),
        (("why", DEMO, "--market"), "product_demand"),
        (("why", MARKET, LATER, "--market"), "one folder"),
    ],
)
def test_what_cannot_be_asked_is_refused(arguments, words):
    answer = run(*arguments)
    assert answer.exit_code == 2
    assert words in answer.stderr and "Traceback" not in answer.stderr
    assert not answer.stdout and not Path("no").exists()


def test_a_case_without_a_plan_tells_its_infeasible():
    answer = run("why", DEMO / "no_plan", DEMO, "--where", "lot=B90-1")
    assert answer.exit_code == 3
    assert "Can't fill" in answer.stderr
