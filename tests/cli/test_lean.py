"""`blend lean`, `blend control`, `blend temperature` and `blend plan --lean`."""

from __future__ import annotations

import csv
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


def test_lean_tells_estimates_suppliers_and_contradictions(folder):
    answer = blend("lean", folder, "--csv", folder / "estimates.csv")
    assert answer.exit_code == 0, answer.stderr
    assert re.search(r"^A90 .* 90\.0 +8[56]\.\d\d ", answer.stdout, re.MULTILINE)
    assert re.search(r"^Overstating +12 +12 +4\.\d\d ", answer.stdout, re.MULTILINE)
    assert re.search(r"^B90 .*hold it and test again", answer.stdout, re.MULTILINE)
    assert "the slope of delivered prices over stated lean, 3 beef lots" in " ".join(
        answer.stdout.split()
    )
    assert "nir" in answer.stderr
    with (folder / "estimates.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = {row["lot_id"]: row for row in csv.DictReader(file)}
    assert 0.84 < float(rows["A90"]["lean"]) < 0.87
    assert float(rows["C50"]["own_weight"]) == 0


def test_money_lost_goes_with_the_value_that_is_named(folder):
    lost = []
    for value in ("1", "2"):
        printed = blend("lean", folder, "--lean-value", value).stdout
        lost.append(
            int(re.search(r"^Overstating .* ([\d,]+)$", printed, re.MULTILINE)[1].replace(",", ""))
        )
        assert f"{value}.00 USD as named" in " ".join(printed.split())
    assert lost[0] > 0
    assert lost[1] == pytest.approx(2 * lost[0], abs=1)


def test_a_plan_with_estimates_uses_leaner_meat_and_says_so(folder):
    stated = blend("plan", folder, "--no-workbook", "--no-break-even")
    estimated = blend("plan", folder, "--no-workbook", "--no-break-even", "--lean", "estimated")
    assert stated.exit_code == estimated.exit_code == 0
    assert stated.stdout.startswith("Lean: as stated; --lean estimated plans with the tests")
    assert estimated.stdout.startswith("Lean: as estimated from tests")
    recipe = re.compile(r"^A90 +A90 +(\d\d\.\d\d)", re.MULTILINE)
    assert recipe.search(stated.stdout)[1] == "90.00"
    assert float(recipe.search(estimated.stdout)[1]) < 87


def test_a_plan_without_tests_has_nothing_to_say_of_them(folder):
    (folder / "tests.csv").unlink()
    assert not blend("plan", folder, "--no-workbook", "--no-break-even").stdout.startswith("Lean:")
    refused = blend("plan", folder, "--no-workbook", "--lean", "estimated")
    assert refused.exit_code == 2
    assert "tests.csv: read no test" in refused.stderr
    assert refused.stdout == ""


def test_control_tells_what_stands_out(folder):
    answer = blend("control", folder)
    assert answer.exit_code == 0, answer.stderr
    assert re.search(r"^GB80 +GB8020 .*beyond the limits", answer.stdout, re.MULTILINE)
    assert not re.search(r"^old +old\d", answer.stdout, re.MULTILINE)
    alone = blend("control", folder, "--product", "old")
    assert "None: every product runs as its first batches did." in alone.stdout


def test_control_refuses_what_it_cannot_draw(folder):
    both = blend("control", folder, "--chart", folder / "x.png")
    assert both.exit_code == 2 and "GB80, old" in both.stderr
    unknown = blend("control", folder, "--product", "GB81")
    assert unknown.exit_code == 2 and "GB80, old" in unknown.stderr
    nowhere = blend("control", folder, "--product", "old", "--chart", folder / "no" / "x.png")
    assert nowhere.exit_code == 1 and "there is no folder" in nowhere.stderr
    assert not list(folder.glob("**/*.png"))


def test_temperature_of_planned_batches(folder):
    answer = blend("temperature", folder, "--max", "35")
    assert answer.exit_code == 0, answer.stderr
    row = re.search(r"^GB80 +\d+ +41\.0 +4[24]\.0 +(4\d\.\d) +0\.0 .*", answer.stdout, re.MULTILINE)
    assert 41 <= float(row[1]) <= 44
    assert "above 40 °F" in answer.stdout
    assert "a thermometer in the meat" in " ".join(answer.stdout.split())


def test_a_lot_without_temperature_is_named(folder):
    put(folder, "temperatures", [{"lot_id": "B90", "temperature_f": 30}])
    shown = " ".join(blend("temperature", folder).stdout.split())
    assert "no temperature of" in shown and "C50" in shown


@pytest.mark.parametrize("command", ["lean", "control", "temperature"])
def test_without_its_table_a_command_says_what_it_needs(folder, command):
    table = {"lean": "tests", "control": "batch_tests", "temperature": "temperatures"}[command]
    (folder / f"{table}.csv").unlink()
    answer = blend(command, folder)
    assert answer.exit_code == 2
    assert f"{table}.csv" in answer.stderr
    assert "beside the case" in answer.stderr


@pytest.mark.parametrize(
    "arguments", [("lean",), ("control", "--product", "GB80"), ("control", "--product", "old")]
)
def test_pictures_are_drawn(folder, arguments):
    command, *more = arguments
    answer = blend(command, folder, *more, "--chart", folder / "picture.png")
    assert answer.exit_code == 0, answer.stderr
    assert (folder / "picture.png").read_bytes().startswith(b"\x89PNG")


def test_tables_of_evidence_are_told_by_columns():
    for table in EVIDENCE_TABLES.values():
        printed = blend("columns", table.name).stdout
        assert all(re.search(rf"^{name} ", printed, re.MULTILINE) for name in table.column_names)
