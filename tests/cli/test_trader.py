"""The trader's commands over whole folders: what is printed, drawn and refused."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from blend.cli import main
from blend.tables.write import write_case
from tests.bench.instances import make_instance

HEADER = "item,species,fresh_or_frozen,lean,price,price_unit,pounds_lb,quoted_on\n"
ROWS = [
    ("50s", 0.50, 100),
    ("65s", 0.65, 201),
    ("73s", 0.73, 255),
    ("81s", 0.81, 309),
    ("90s", 0.90, 370),
]


@pytest.fixture
def quotations(tmp_path):
    text = "".join(
        f"{item},beef,,{lean},{price + move},usd_per_cwt,1000,2026-11-{day}\n"
        for day, move in ((18, 3), (25, 0))
        for item, lean, price in ROWS
    )
    (tmp_path / "quotations.csv").write_text(HEADER + text)
    return tmp_path


@pytest.fixture(scope="module")
def case_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("case")
    write_case(make_instance(12, 3, 1), folder)
    return folder


def run(*arguments: object):
    return CliRunner().invoke(main, [str(each) for each in arguments])


def test_value_of_another_day(quotations):
    answer = run("value", quotations, "--day", "2026-11-18")
    assert "Beef trimmings, Wed, Nov 18, 2026" in answer.output
    wrong = run("value", quotations, "--day", "2026-11-19")
    assert wrong.exit_code == 2
    assert "Latest day with some: Nov 25, 2026" in wrong.stderr


def test_prices_may_be_in_cents_or_by_the_kilogram(quotations):
    """The same price in every unit gives the same answer."""
    answers = []
    for unit, factor in (("usd_per_cwt", 1), ("cents_per_lb", 1), ("usd_per_kg", 0.0220462262185)):
        rows = "".join(
            f"{item},beef,,{lean},{price * factor!r},{unit},1000,2026-11-25\n"
            for item, lean, price in ROWS
        )
        (quotations / "quotations.csv").write_text(HEADER + rows)
        answers.append(run("value", quotations).stdout)
    assert answers[0] == answers[1] == answers[2]
    assert "437" in answers[0]


def test_value_refuses_what_gives_no_line(quotations):
    assert run("value", quotations, "--species", "lamb").exit_code == 2
    assert run("value", quotations, "--fit", "frozen").exit_code == 2
    file = quotations / "quotations.csv"
    file.write_text(file.read_text() + "93s,beef,,0.93,390,usd_per_cwt,,2026-11-25\n")
    answer = run("value", quotations, "--by-pounds")
    assert answer.exit_code == 2
    assert "pounds in every row" in answer.stderr


def test_substitutes_of_lots_and_of_quotations(quotations, case_folder):
    by_lots = run("substitute", case_folder, "--max-share", "70%", "--among", "origin=domestic")
    assert by_lots.exit_code == 0, by_lots.output
    words = " ".join(by_lots.output.split())
    assert "among origin=domestic" in words and "at most 70% of one item" in words
    by_quotations = run("substitute", quotations, "--quotations", "--json")
    table = json.loads(by_quotations.stdout)["tables"]["substitutes"]["rows"]
    assert "0.500 81s + 0.500 65s" in {row["use_instead"] for row in table}
    assert "before losses" in by_quotations.stdout
    assert run("substitute", case_folder, "--among", "color=red").exit_code == 2
    assert run("substitute", case_folder, "--product", "nothing").exit_code == 2
    assert run("substitute", quotations, "--quotations", "--product", "GB80").exit_code == 2


def test_prices_and_weights_are_taken_in_any_unit(case_folder):
    def figures(*options):
        return json.loads(run("breakeven", case_folder, "L0001", "--json", *options).stdout)

    same = [
        figures("--max-price", price, "--available", weight)
        for price, weight in (
            ("200", "20,000 lb"),
            ("$2/lb", "200 cwt"),
            ("200 cents/lb", "9071.8474 kg"),
            ("4.40924524369754/kg", "9.0718474 t"),
        )
    ]
    steps = [each["tables"]["steps"]["rows"] for each in same]
    for other in steps[1:]:
        for row, first in zip(other, steps[0], strict=True):
            assert row["you_use_lb"] == pytest.approx(first["you_use_lb"])
            assert row["at_or_under_usd_per_cwt"] == pytest.approx(first["at_or_under_usd_per_cwt"])


@pytest.mark.parametrize(
    "arguments",
    [
        ("nobody",),
        ("nobody", "--by-pounds"),
        ("L0001", "--second", "nobody"),
        ("L0001", "--second", "L0001"),
        ("L0001", "--by-pounds", "--second", "L0002"),
        ("L0001", "--min-price", "200", "--max-price", "100"),
        ("L0001", "--min-price", "nan"),
        ("L0001", "--min-price", "3/foot"),
        ("L0001", "--available", "nan"),
        ("L0001", "--available", "3 loaves"),
    ],
)
def test_what_cannot_be_asked_is_refused(case_folder, arguments):
    answer = run("breakeven", case_folder, *arguments)
    assert answer.exit_code == 2
    assert answer.stderr and "Traceback" not in answer.stderr
