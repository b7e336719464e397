"""`blend why` and `blend clear` on the demo: what they print, draw, write and refuse."""

from __future__ import annotations

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
    assert [name.replace("-", " ") for name in _DRIVERS] == [each.value for each in Driver]


def test_why_a_plan_moved_is_told_drawn_and_written(tmp_path):
    picture, folder = tmp_path / "why.png", tmp_path / "back"
    answer = run(
        *("why", BEFORE, DEMO, "--item", "lot=B90-1", "--quote-change", 5, "--error", 1),
        *("--chart", picture, "--counterfactual", "imported-availability", "--write", folder),
    )
    assert answer.exit_code == 0, answer.output
    for words in ("Had it stayed", "Not explained", "not what caused", "substitution", "holds."):
        assert words in answer.output.replace("\n", " ")
    assert picture.stat().st_size > 10_000
    assert run("check", folder).exit_code == 0
    again = run("why", folder, DEMO, "--item", "lot=B90-1")
    assert again.exit_code == 0 and "imported availability" in again.output
    assert (
        run(
            *("why", BEFORE, DEMO, "--item", "lot=B90-1"),
            *("--counterfactual", "orders", "--write", folder),
        ).exit_code
        == 1
    )


@pytest.mark.parametrize(
    ("quotation", "first"),
    [
        (
            ("--quote-change", 5, "--error", 1),
            "fresh 90s moved +5.00 USD/cwt: in our model, mostly",
        ),
        (("--quote-change", 1, "--error", 1), "fresh 90s did not move beyond the error"),
        (("--quote-change", 30, "--error", 1), "Our model does not explain this move."),
        (("--quote-change", 5), "Error of the quotation not given: no headline cause."),
        ((), "Change in the quotation not given: no headline cause."),
    ],
)
def test_the_first_line_names_a_cause_only_where_the_model_explains_the_move(quotation, first):
    answer = run("why", BEFORE, DEMO, "--item", "lot=B90-1", *quotation)
    line, _, rest = answer.stdout.partition("\n")
    assert line.startswith(first)
    names_cause = any(each in line for each in [*_DRIVERS, "other prices"])
    assert names_cause is ("mostly" in first)
    assert ("What the model says" in rest) is not names_cause


def test_what_is_told_of_two_cases_names_the_folder(tmp_path):
    answer = run("why", BEFORE, DEMO, "--item", "lot=B90-1")
    warnings = [line for line in answer.stderr.splitlines() if line.startswith("warning: ")]
    of_before = [line for line in warnings if f"{BEFORE / 'products.csv'} row 2" in line]
    of_after = [line for line in warnings if f"{DEMO / 'products.csv'} row 2" in line]
    assert len(of_before) == len(of_after) == 1
    broken = tmp_path / "broken"
    shutil.copytree(BEFORE, broken)
    lots = broken / "lots.csv"
    lots.write_text(lots.read_text().replace("beef", "beaf", 1))
    refused = run("why", broken, DEMO, "--item", "lot=B90-1")
    assert refused.exit_code == 2 and f"{lots} row" in refused.stderr
    assert f"{DEMO / 'products.csv'} row" not in run("plan", DEMO, "--no-workbook").stderr


def test_why_a_market_moved_is_told_with_errors(tmp_path):
    folder = tmp_path / "back"
    answer = run(
        *("why", MARKET, LATER, "--item", "lot=90s", "--draws", 2, "--quotation-error", 1),
        *("--chart", tmp_path / "why.svg", "--counterfactual", "orders", "--write", folder),
    )
    assert answer.exit_code == 0, answer.output
    assert "2 draws" in answer.output and "The quotation moved +9.50" in answer.output
    assert run("clear", folder).exit_code == 0


def test_clear_shows_the_fit_the_prices_and_the_certificate():
    answer = run("clear", MARKET, "--move", MARKET / "imports_short.csv")
    assert answer.exit_code == 0, answer.output
    for words in ("The fit: items", "Premium", "Then at", "Certified in exact", "no forecast"):
        assert words in answer.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("why", BEFORE, MARKET, "--item", "lot=90s"), "product_demand"),
        (("why", BEFORE, DEMO, "--item", "color=red"), "unknown attribute"),
        (("why", BEFORE, DEMO, "--item", "lot=nobody"), "no lot with"),
        (("why", BEFORE, DEMO, "--item", "lot=B90-1", "--error", "1"), "--quote-change"),
        (("why", BEFORE, DEMO, "--item", "lot=B90-1", "--counterfactual", "orders"), "--write"),
        (("why", BEFORE, DEMO, "--item", "lot=B90-1", "--draws", "9"), "in doubt"),
        (("why", MARKET, LATER, "--item", "lot=90s", "--shortage", "1"), "--shortage"),
        (
            ("why", MARKET, LATER, "--item=lot=90s", "--counterfactual=own-price", "--write=no"),
            "here there are",
        ),
        (("clear", DEMO), "product_demand"),
    ],
)
def test_what_cannot_be_asked_is_refused(arguments, words):
    answer = run(*arguments)
    assert answer.exit_code == 2
    assert words in answer.stderr and "Traceback" not in answer.stderr
    assert not answer.stdout and not Path("no").exists()


def test_a_case_without_a_plan_tells_its_infeasible():
    answer = run("why", DEMO / "no_plan", DEMO, "--item", "lot=B90-1")
    assert answer.exit_code == 3
    assert "No plan exists" in answer.stderr
