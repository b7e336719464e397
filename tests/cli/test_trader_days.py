"""The commands `landed` and `scenarios`, from the shell's side."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from blend.cli import main
from tests.tables.test_trader_tables import CASE, HEADER, OFFER, SOUND


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in CASE.items():
        (tmp_path / f"{name}.csv").write_text(text)
    offers = [",".join(OFFER), ",".join(OFFER.values())]
    (tmp_path / "foreign_offers.csv").write_text("\n".join(offers) + "\n")
    (tmp_path / "scenarios.csv").write_text("\n".join((HEADER, *SOUND)) + "\n")
    return tmp_path


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args])


def _write_offers(folder: Path, *changes: dict[str, str]) -> None:
    rows = [OFFER | each for each in changes]
    lines = [",".join(OFFER), *(",".join(each.values()) for each in rows)]
    (folder / "foreign_offers.csv").write_text("\n".join(lines) + "\n")


def test_an_offer_without_a_rate_is_listed_and_the_others_are_priced(folder: Path):
    lacking = {"assessment_usd_per_kg": ""}
    _write_offers(folder, lacking)
    none = run("landed", folder)
    assert none.exit_code == 2
    assert "assessment_usd_per_kg" in none.stderr and "7 CFR 1260.172(b)" in none.stderr
    _write_offers(folder, lacking | {"offer_id": "LACKS"}, {"offer_id": "HAS"})
    some = run("landed", folder, "--json")
    tables = json.loads(some.stdout)["tables"]
    assert [row["offer_id"] for row in tables["offers"]["rows"]] == ["HAS"]
    (missing,) = tables["not_priced"]["rows"]
    assert missing["what_is_missing"].startswith("LACKS: no assessment rate")
    shown = run("landed", folder)
    assert shown.exit_code == 0 and "NOT PRICED" in shown.stdout


def test_landed_warns_of_rates_that_ended_or_were_read_long_before_entry(folder: Path):
    _write_offers(folder, {"entry_on": "2026-11-25"})
    ended = run("landed", folder, "--rates")
    assert ended.exit_code == 0
    assert "ended Sep 30, 2026, before the entry" in " ".join(ended.stdout.split())
    _write_offers(folder, {"entry_on": "2030-06-01"})
    old = " ".join(run("landed", folder).stdout.split())
    assert "Last checked long before entry: " in old and "surcharge_any" in old


@pytest.mark.parametrize(
    ("per", "factor"), [("lb", 1 / 2.20462262), ("cwt", 45.359237), ("t", 1000)]
)
def test_an_offer_may_be_priced_by_the_pound_the_cwt_or_the_tonne(folder: Path, per, factor):
    _write_offers(folder, {})
    by_kg = json.loads(run("landed", folder, "--json").stdout)["tables"]["offers"]["rows"][0]
    _write_offers(folder, {"price_per": per, "price": f"{float(OFFER['price']) * factor:.9f}"})
    row = json.loads(run("landed", folder, "--json").stdout)["tables"]["offers"]["rows"][0]
    assert row["landed_usd_per_cwt"] == pytest.approx(by_kg["landed_usd_per_cwt"], abs=1e-4)


def test_landed_names_the_offers_there_are(folder: Path):
    result = run("landed", folder, "--offer", "AU")
    assert result.exit_code == 2
    assert "NZ90" in result.stderr


def test_scenarios_writes_one_row_for_each(folder: Path):
    table, picture = folder / "results.csv", folder / "cost.png"
    (folder / "products.csv").write_text(
        CASE["products"].replace("0.01,0.01,0,", "0.01,0.01,4000,")
    )
    args = ("scenarios", folder, "--draws", 20, "--seed", 5, "--csv", table, "--chart", picture)
    result = run(*args)
    assert result.exit_code == 0, result.output
    rows = list(csv.DictReader(table.open(encoding="utf-8-sig")))
    assert [row["scenario"] for row in rows[:4]] == ["as planned", "dear", "weak", "draw 1"]
    assert len(rows) == 23
    assert "In 9 of 10 draws" in result.stdout
    before = table.read_bytes()
    assert run(*args).stdout == result.stdout
    assert table.read_bytes() == before
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_scenarios_needs_draws_for_a_picture(folder: Path):
    result = run("scenarios", folder, "--chart", folder / "x.png")
    assert result.exit_code == 2
    assert "--draws" in result.stderr
