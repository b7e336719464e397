"""`blend lean`, `blend control`, `blend plan --temps` and `blend plan --lean`."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from blend.cli import main
from blend.tables.columns import EVIDENCE_TABLES
from blend.tables.write import write_case, write_csv
from tests.lean.test_control import STEADY
from tests.published.cases import make_case, make_lot, make_product


def put(folder: Path, table: str, rows: list[dict]) -> None:
    names = EVIDENCE_TABLES[table].column_names
    write_csv(folder / f"{table}.csv", names, [[row.get(name) for name in names] for row in rows])


def one_test(lot_id: str, tested: float, **more) -> dict:
    return {
        "test_id": f"{lot_id} {tested}",
        "lot_id": lot_id,
        "tested_on": "2026-02-20",
        "method": "nir",
        "samples": 12,
        "tested_lean": tested,
    } | more


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    case = make_case(
        [
            make_lot("A90", 0.90, 3.40, supplier="Overstating", quantity_lb=5000),
            make_lot("B90", 0.90, 3.45, supplier="Honest", quantity_lb=5000),
            make_lot("C50", 0.50, 0.90, supplier="Honest", quantity_lb=5000),
        ],
        [make_product(0.80, 2000, "GB80", tolerance_above_share=0.01)],
    )
    write_case(case, tmp_path)
    put(
        tmp_path,
        "tests",
        [
            one_test(f"{supplier}{n}", 0.90 - over, supplier=supplier, stated_lean=0.90)
            | {"taken_lb": 2000}
            for supplier, over in (("Overstating", 0.05), ("Honest", 0.0))
            for n in range(12)
        ]
        + [one_test("B90", 0.80)],
    )
    put(
        tmp_path,
        "batch_tests",
        [
            {
                "batch_id": f"{product}{n}",
                "product_id": product,
                "made_on": "2026-02-01",
                "target_lean": 0.8,
                "tested_lean": f"{0.8 + off:.4f}",
                "pounds_lb": 1000,
            }
            for product in ("GB80", "old")
            for n, off in enumerate([*STEADY, 0.03 if product == "GB80" else 0.0])
        ],
    )
    put(
        tmp_path,
        "temperatures",
        [
            {"lot_id": name, "temperature_f": f}
            for name, f in (("A90", 42), ("B90", 44), ("C50", 41))
        ],
    )
    return tmp_path


def blend(*args: str | Path):
    return CliRunner().invoke(main, [str(each) for each in args])


def answer(*args: str | Path) -> dict:
    result = blend(*args, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def rows(told: dict, table: str, key: str) -> dict[str, dict]:
    return {row[key]: row for row in told["tables"][table]["rows"]}


def test_lean_estimates_lots_scores_suppliers_and_names_contradictions(folder):
    told = answer("lean", folder)
    lots, suppliers = rows(told, "lots", "lot_id"), rows(told, "suppliers", "supplier")
    assert 84 < lots["A90"]["estimate_percent"] < 87
    assert lots["C50"]["own_tests_weight_percent"] == 0
    assert lots["B90"]["off_by_std_errors"] > 3
    assert suppliers["Overstating"]["overstated_points"] == pytest.approx(4.5, abs=0.5)
    screen = blend("lean", folder)
    assert "B90" in screen.stdout and "hold it" in screen.stdout
    assert "test methods are partly from memory" in screen.stderr


def test_the_cost_of_overstating_goes_with_the_value_given(folder):
    one, two = (
        rows(answer("lean", folder, "--lean-value", value), "suppliers", "supplier")
        for value in ("1", "2")
    )
    assert one["Overstating"]["lost_usd"] > 0
    assert two["Overstating"]["lost_usd"] == pytest.approx(2 * one["Overstating"]["lost_usd"])


def test_a_plan_with_estimates_uses_leaner_meat_and_says_so(folder):
    stated = blend("plan", folder, "--no-workbook", "--recipes")
    estimated = blend("plan", folder, "--no-workbook", "--recipes", "--lean", "estimated")
    assert stated.exit_code == estimated.exit_code == 0
    assert "--lean estimated" in stated.stdout
    assert "Lean as estimated from tests" in estimated.stdout
    recipe = re.compile(r"^A90 +A90 +(\d\d\.\d\d)", re.MULTILINE)
    assert recipe.search(stated.stdout)[1] == "90.00"
    assert float(recipe.search(estimated.stdout)[1]) < 87


def test_a_plan_without_tests_has_nothing_to_say_of_them(folder):
    (folder / "tests.csv").unlink()
    assert "--lean" not in blend("plan", folder, "--no-workbook").stdout
    refused = blend("plan", folder, "--no-workbook", "--lean", "estimated")
    assert refused.exit_code == 2
    assert "tests.csv:" in refused.stderr
    assert refused.stdout == ""


def test_control_finds_what_stands_out(folder):
    signals = answer("control", folder)["tables"]["signals"]["rows"]
    assert [(row["batch_id"], row["product"]) for row in signals] == [("GB8020", "GB80")]
    assert "outside limits" in signals[0]["signal"]
    assert not answer("control", folder, "--product", "old")["tables"]["signals"]["rows"]


def test_control_refuses_what_it_cannot_draw(folder):
    for words in (("--chart", folder / "x.png"), ("--product", "GB81")):
        refused = blend("control", folder, *words)
        assert refused.exit_code == 2 and "GB80" in refused.stderr and "old" in refused.stderr
    nowhere = blend("control", folder, "--product", "old", "--chart", folder / "no" / "x.png")
    assert nowhere.exit_code == 1
    assert not list(folder.glob("**/*.png"))


def test_temperature_of_planned_batches(folder):
    shown = blend("plan", folder, "--no-workbook", "--temps", "--max-temp", "35")
    assert shown.exit_code == 0, shown.stderr
    row = re.search(r"^GB80 +41\.0 +4[24]\.0 +(4\d\.\d) +0\.0 .*", shown.stdout, re.MULTILINE)
    assert 41 <= float(row[1]) <= 44
    assert "Over 40 °F, chill before grinding" in shown.stdout


def test_a_lot_without_temperature_is_named(folder):
    put(folder, "temperatures", [{"lot_id": "B90", "temperature_f": 30}])
    shown = " ".join(blend("plan", folder, "--no-workbook", "--temps").stdout.split())
    assert "no temperature for" in shown and "C50" in shown


@pytest.mark.parametrize("command", ["lean", "control", "plan"])
def test_without_its_table_a_command_says_what_it_needs(folder, command):
    table = {"lean": "tests", "control": "batch_tests", "plan": "temperatures"}[command]
    (folder / f"{table}.csv").unlink()
    options = ["--no-workbook", "--temps"] if command == "plan" else []
    refused = blend(command, folder, *options)
    assert refused.exit_code == 2
    assert f"{table}.csv" in refused.stderr
