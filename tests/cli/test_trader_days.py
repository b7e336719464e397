"""The commands `landed` and `scenarios`, from the shell's side."""

from __future__ import annotations

import csv
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


def test_landed_tells_the_build_up_and_where_buyers_are_indifferent(folder: Path):
    picture = folder / "nz.svg"
    result = run("landed", folder, "--chart", picture)
    assert result.exit_code == 0, result.output
    for text in ("merchandise processing fee", "landed, frozen", "Buyers are indifferent at NZD"):
        assert text in result.stdout
    assert "restatement" in result.stderr
    assert "<svg" in picture.read_text()


def test_landed_refuses_an_offer_whose_assessment_nobody_knows(folder: Path):
    offer = OFFER | {"assessment_usd_per_kg": ""}
    lines = [",".join(offer), ",".join(offer.values())]
    (folder / "foreign_offers.csv").write_text("\n".join(lines) + "\n")
    result = run("landed", folder)
    assert result.exit_code == 2
    assert "assessment_usd_per_kg" in result.stderr
    assert "7 CFR 1260.172(b)" in result.stderr


def test_landed_warns_of_fees_that_have_ended(folder: Path):
    offer = OFFER | {"entry_on": "2026-11-25"}
    lines = [",".join(offer), ",".join(offer.values())]
    (folder / "foreign_offers.csv").write_text("\n".join(lines) + "\n")
    result = run("landed", folder)
    assert result.exit_code == 0
    assert "ended 2026-09-30: out of date" in result.stderr


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
    assert "Spread of the totals" in result.stdout
    before = table.read_bytes()
    assert run(*args).stdout == result.stdout
    assert table.read_bytes() == before
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_scenarios_needs_draws_for_a_picture(folder: Path):
    result = run("scenarios", folder, "--chart", folder / "x.png")
    assert result.exit_code == 2
    assert "--draws" in result.stderr
