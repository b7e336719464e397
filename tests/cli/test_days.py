"""Several days on the command line."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from blend.cli import main
from tests.tables.test_trader_tables import CASE

FOOD = Path(__file__).parent.parent / "published" / "data" / "food_manufacture_1"
COMMAND = ("plan", "--days")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in CASE.items():
        (tmp_path / f"{name}.csv").write_text(text)
    return tmp_path


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [*COMMAND, *(str(arg) for arg in args)])


def test_the_ledger_balances_every_lot_on_every_day(folder: Path):
    ledger, chart = folder / "ledger.csv", folder / "stock.png"
    result = run(folder, "--csv", ledger, "--table", "ledger", "--chart", chart)
    assert result.exit_code == 0, result.output
    rows = list(csv.DictReader(ledger.open(encoding="utf-8-sig")))
    assert rows
    for row in rows:
        number = {name: float(cell) for name, cell in row.items() if name.endswith("_lb")}
        out = sum(number[f"{name}_lb"] for name in ("used", "frozen", "sold", "wasted"))
        came = number["from_before_lb"] + number["came_in_lb"]
        assert came - out == pytest.approx(number["kept_lb"], abs=0.05)
    assert chart.read_bytes().startswith(b"\x89PNG")


def test_the_days_add_up_to_the_purchases_and_the_money(folder: Path):
    told = json.loads(run(folder, "--json").stdout)
    tables = {name: table["rows"] for name, table in told["tables"].items()}
    for column in ("buy_lb", "buy_usd"):
        by_day = sum(row[column] for row in tables["days"])
        assert by_day == pytest.approx(sum(row[column] for row in tables["buy"]), abs=1)
    cost = sum(row["cost_usd"] for row in tables["money"])
    assert cost == pytest.approx(told["figures"]["cost_usd"])
    assert told["figures"]["bound_usd"] <= cost + 0.01


def test_food_manufacture_costs_what_was_published():
    assert json.loads(run(FOOD, "--json").stdout)["figures"]["cost_usd"] == pytest.approx(
        -107_843, abs=1
    )


def test_no_plan_says_what_to_relax(folder: Path):
    coolers = CASE["coolers"].replace("50000,0.1,180,1000", "50000,0.1,180,49000")
    (folder / "coolers.csv").write_text(coolers)
    result = run(folder)
    assert result.exit_code == 3 and not result.stdout
    assert "No plan exists" in result.stderr
    assert "ending inventory of freezer" in result.stderr
