"""`blend safe` and `blend simulate`."""

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


def test_safe_tells_cost_chance_constraints_and_tests(folder):
    result = run("safe", folder, "--test-cost", "5")
    assert result.exit_code == 0, result.output
    for title in ("What safety costs", "Promises", "What one more test is worth", "Buy and pull"):
        assert title in result.output
    assert result.output.count("kept") >= 3
    assert "BROKEN" not in result.output


def test_safe_without_a_price_of_tests_tells_none(folder):
    assert "one more test" not in run("safe", folder).output


def test_safe_shows_its_certificate_and_nothing_whose_certificate_fails(folder, monkeypatch):
    shown = " ".join(run("safe", folder).output.split())
    assert "Certified in exact arithmetic, without the solver" in shown
    right = blend.grinder.safe.make_safe_plan

    def dearer(*args, **more):
        made = right(*args, **more)
        return replace(made, any_plan_usd=made.any_plan_usd + 1)

    monkeypatch.setattr(blend.grinder.safe, "make_safe_plan", dearer)
    refused = run("safe", folder)
    assert refused.exit_code == 1
    assert "The certificate of the" in refused.output
    assert "Promises" not in refused.output


def test_safe_needs_a_chance_constraint(tmp_path):
    write_case(day(), tmp_path)
    result = run("safe", tmp_path)
    assert result.exit_code == 2
    assert "confidence.csv:" in result.output


def test_chance_constraints_out_of_reach_exit_3(folder, tmp_path):
    for name in ("lots", "products", "rules", "losses", "settings", "lean_spread"):
        (tmp_path / f"{name}.csv").write_bytes((folder / f"{name}.csv").read_bytes())
    (tmp_path / "confidence.csv").write_text(
        "product_id,min_confidence,sides,test_error_points\neighty,97.5,both,2\n",
        encoding="utf-8",
    )
    result = run("safe", tmp_path)
    assert result.exit_code == 3
    assert "No plan keeps every promise" in result.output


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
