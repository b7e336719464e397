"""`blend plan --confidence` and `blend simulate`."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner

import blend.grinder.safe
from blend.cli import main
from blend.tables.write import write_case, write_csv
from tests.grinder.uncertain import day, spread


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("case")
    write_case(day(), path)
    write_csv(
        path / "confidence.csv",
        ("product_id", "min_confidence", "sides", "mixing_sd_points", "test_error_points"),
        [("eighty", 0.95, "below", 0.1, 0.2), ("ninety", 0.9, "both", 0.1, 0.2)],
    )
    write_csv(
        path / "lean_spread.csv",
        ("lot_id", "standard_error_points", "container_sd_points"),
        [
            (s.lot_id, 100 * s.standard_error_share, 100 * s.container_sd_share)
            for s in spread().values()
        ],
    )
    return path


def run(*arguments):
    return CliRunner().invoke(main, [str(each) for each in arguments])


def plan(folder, *options):
    return run("plan", folder, "--no-workbook", *options)


def test_a_plan_with_confidence_shows_margins_and_which_tests_pay(folder):
    result = plan(folder, "--confidence", "table", "--test-cost", "5", "--margins")
    assert result.exit_code == 0, result.output
    assert "What one more test of a lot saves" in result.output
    without = plan(folder, "--confidence", "table", "--margins").output
    assert "Margins off each limit" in without and "one more test" not in without


def test_a_percent_holds_every_floor_and_keeps_what_asks_for_more(folder):
    rows = json.loads(plan(folder, "--confidence", "92", "--json").stdout)["tables"]["margins"]
    asked = {(row["product_id"], row["side"]): row["asked_percent"] for row in rows["rows"]}
    assert asked["eighty", "floor"] == pytest.approx(95)
    assert asked["ninety", "floor"] == pytest.approx(95)
    assert all(row["confidence_percent"] >= row["asked_percent"] - 1e-9 for row in rows["rows"])


def test_a_confidence_that_its_certificate_does_not_confirm_is_not_shown(folder, monkeypatch):
    right = blend.grinder.safe.make_safe_plan

    def dearer(*args, **more):
        made = right(*args, **more)
        return replace(made, any_plan_usd=made.any_plan_usd + 1)

    monkeypatch.setattr(blend.grinder.safe, "make_safe_plan", dearer)
    refused = plan(folder, "--confidence", "table")
    assert refused.exit_code == 1
    assert "MAKE" not in refused.output


def test_the_table_needs_a_row(tmp_path):
    write_case(day(), tmp_path)
    result = plan(tmp_path, "--confidence", "table")
    assert result.exit_code == 2
    assert "confidence.csv" in result.output


@pytest.mark.parametrize("asked", ["40", "100", "abc"])
def test_a_senseless_confidence_is_refused(folder, asked):
    assert plan(folder, "--confidence", asked).exit_code == 2


def test_a_confidence_out_of_reach_is_planned_at_the_highest_and_says_so(folder, tmp_path):
    for name in ("lots", "products", "rules", "losses", "settings", "lean_spread"):
        (tmp_path / f"{name}.csv").write_bytes((folder / f"{name}.csv").read_bytes())
    (tmp_path / "confidence.csv").write_text(
        "product_id,min_confidence,sides,test_error_points\neighty,97.5,both,2\n",
        encoding="utf-8",
    )
    result = plan(tmp_path, "--confidence", "table")
    assert result.exit_code == 0, result.output
    assert "97.5% not reached; planned at" in " ".join(result.output.split())


def test_simulate_draws_both_plans_and_the_same_seed_draws_the_same(folder):
    arguments = ("simulate", folder, "--draws", "2000", "--seed", "3", "--json")
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    rows = json.loads(result.stdout)["tables"]["out"]["rows"]
    assert {row["plan"] for row in rows} == {"with confidence", "on average"}
    for row in rows:
        assert row["low_percent"] - 1e-9 <= row["out_percent"] <= row["high_percent"]
        if row["plan"] == "with confidence":
            assert row["low_percent"] <= row["allowed_percent"]
    assert run(*arguments).stdout == result.stdout


def test_simulate_draws_a_chart_and_refuses_an_unknown_kind_before_it_plans(folder, tmp_path):
    chart = tmp_path / "fat.png"
    assert run("simulate", folder, "--draws", "500", "--chart", chart).exit_code == 0
    assert chart.read_bytes().startswith(b"\x89PNG")
    refused = run("simulate", folder, "--chart", "fat.bmp")
    assert refused.exit_code == 1 and not refused.stdout
