"""The reporter's commands, from an empty store to a published quotation and back."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from blend.cli import common, main
from blend.tables.history import write_history
from blend.tables.standards import packaged_path
from tests.reporter.canvass import ITEM, bid, offer, trade

FIRMS = ("Ash", "Birch", "Cedar", "Elm", "Fir")
DAY = "2026-03-13"


def history():
    return [
        entry
        for after in range(12)
        for n, firm in enumerate(FIRMS)
        for entry in (
            trade(firm, 350 + after / 2 + n / 4, after=after),
            bid(firm, 347, after=after),
            offer(firm, 358, after=after),
        )
    ]


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BLEND_STORE", "market.db")
    runner = CliRunner()

    def run(*words: str, code: int = 0) -> str:
        answer = runner.invoke(main, list(words))
        assert answer.exit_code == code, answer.output
        return answer.output

    return run


@pytest.fixture
def filled(run):
    write_history(Path("tables"), [ITEM], history(), [])
    run("store", "init")
    run("store", "import", "tables")
    return run


def test_from_an_empty_store_to_a_quotation_made_again(filled):
    quoted = filled("quote", "--day", DAY, "--all", "--evidence")
    assert re.search(r"F90 +356\.00 +355\.50 +356\.50 .* trades +high +5 +200,000", quoted)
    published = filled("quote", "--day", DAY, "--all", "--publish", "--assessor", "A. Reporter")
    assert "Published F90: 356.00 USD/cwt" in published
    filled(
        "canvass", "add", "--item", "F90", "--kind", "trade", "--price", "372", "--pounds",
        "400000", "--source", "Gum", "--source-class", "trader", "--heard-at", f"{DAY} 15:30",
    )  # fmt: skip
    again = filled("quote", "--day", DAY, "--reproduce")
    assert "made again to the last digit (store position 1" in again
    told = filled("tone", "--day", DAY, "--all", "--sources")
    assert re.search(r"F90 +firm +0\.50 +2026-03-12 +5", told)
    assert "USDA AMS Market News glossary, price trend" in told
    assert re.search(r"F90 +moderate +5 +5\.0 +moderate +5", told)


def test_an_import_tells_a_terminal_what_it_does(run, monkeypatch):
    write_history(Path("tables"), [ITEM], history(), [])
    run("store", "init")
    terminal = SimpleNamespace(isatty=lambda: True)
    monkeypatch.setattr(common, "sys", SimpleNamespace(stderr=terminal))
    told = run("store", "import", "tables")
    assert "\rreading tables " in told and f"\radding {len(history()) + 1} rows " in told
    assert told.endswith(f"Append 1: 1 item, {len(history())} entries.\n")


def test_no_source_is_ever_printed(filled):
    for words in (
        ("quote", "--day", DAY, "--all", "--evidence"),
        ("tone", "--day", DAY, "--all"),
        ("store", "show"),
        ("store", "show", "--day", DAY),
    ):
        told = filled(*words)
        assert not any(re.search(rf"\b{firm}\b", told) for firm in FIRMS)


def test_an_import_is_whole_or_nothing(filled):
    Path("more").mkdir()
    header = "entry_id,heard_at,market_day,kind,item_id,usd_per_cwt,pounds_lb,source,source_class"
    rows = (
        "N1,2026-03-14 09:00,2026-03-14,bid,F90,350,,Ash,packer",
        "N2,2026-03-14 09:00,2026-03-14,bid,F9O,350,,Ash,packer",
    )
    Path("more/canvass.csv").write_text("\n".join((header, *rows)))
    before = filled("store", "show")
    told = filled("store", "import", "more", code=2)
    assert "canvass.csv row 3, item_id: read F9O; allowed an id of items. Did you mean F90?" in told
    assert "1 problem; nothing was written." in told
    assert filled("store", "show") == before


def test_a_time_alone_is_of_the_market_day(filled):
    entry_id = filled(
        "canvass", "add", "--item", "F90", "--kind", "bid", "--price", "349", "--source", "Gum",
        "--source-class", "other", "--day", DAY, "--heard-at", "9:05",
    ).split()[1]  # fmt: skip
    assert f"{DAY} 09:05" in filled("store", "show", "--entry", entry_id)


def test_an_export_imports_into_an_empty_store(filled, monkeypatch):
    entry_id = filled(
        "canvass", "add", "--item", "F90", "--kind", "bid", "--price", "349", "--source", "Gum",
        "--source-class", "other", "--heard-at", f"{DAY} 09:00",
    ).split()[1]  # fmt: skip
    filled("canvass", "withdraw", entry_id, "--note", "misheard")
    filled("store", "export", "out.xlsx")
    monkeypatch.setenv("BLEND_STORE", "other.db")
    filled("store", "init")
    assert "182 entries" in filled("store", "import", "out.xlsx")
    assert filled("quote", "--day", DAY, "--all") == filled(
        "quote", "--day", DAY, "--all", "--store", "market.db"
    )


def test_a_withdrawal_is_kept_and_counts_no_more(filled):
    first = filled("store", "show", "--day", DAY)
    (entry_id,) = re.findall(r"^(E\d+) .* trade +355\.50", first, re.MULTILINE)
    withdrawn = filled("canvass", "withdraw", entry_id, "--note", "misheard").split()[-1]
    assert not re.search(rf"^{entry_id}", filled("store", "show", "--day", DAY), re.MULTILINE)
    chain = filled("store", "show", "--entry", withdrawn)
    assert re.findall(r"^\S+-\S+|^E\d+", chain, re.MULTILINE)[-2:] == [entry_id, withdrawn]
    assert "withdrawn:" in chain and "misheard" in chain
    for gone in ("E0", entry_id):
        told = filled("canvass", "withdraw", gone, "--note", "x", code=2)
        assert "allowed an entry of the store that stands" in told


def test_an_override_keeps_its_reason(filled):
    told = filled(
        "quote", "--day", DAY, "--item", "F90", "--publish", "--assessor", "A", "--override",
        "357", "--reason", "two loads of poor color",
    )  # fmt: skip
    assert "357.00 USD/cwt (by the method 356.00; set so: two loads of poor color)" in told


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--all", "--publish"), "needs --assessor"),
        (("--item", "F90", "--override", "357", "--reason", "x"), "goes with --publish"),
        (("--item", "F90", "--publish", "--assessor", "A", "--override", "357"), "--reason"),
        (
            (
                "--item",
                "F90",
                "--publish",
                "--assessor",
                "A",
                "--override",
                "3.57",
                "--reason",
                "x",
            ),
            "USD per cwt: 5 to 5000",
        ),
        ((), "Name each --item"),
        (("--item", "F91"), "Did you mean F90?"),
    ],
)
def test_what_makes_no_sense_is_told(filled, words, told):
    assert told in filled("quote", "--day", DAY, *words, code=2)


def test_a_missing_store_is_told(run, monkeypatch):
    assert "`blend store init` makes one" in run("store", "show", code=1)
    monkeypatch.delenv("BLEND_STORE")
    assert "Name the store" in run("store", "show", code=2)


def test_an_empty_store_says_what_to_do(run):
    run("store", "init")
    assert "`blend store import` adds them" in run("quote", "--day", DAY, "--all", code=1)
    assert "nothing was published" in run("quote", "--day", DAY, "--reproduce", code=1)


def test_a_method_of_their_own_is_used(filled):
    text = packaged_path("quotation_method.csv").read_text(encoding="utf-8")
    Path("own.csv").write_text(text.replace("min_trades,3,", "min_trades,30,"))
    told = filled("quote", "--day", DAY, "--all", "--method", "own.csv")
    assert "thin trades" in told and "too few trades" in told


def test_as_of_answers_from_what_was_known(filled):
    told = filled("quote", "--day", DAY, "--all", "--as-of", "2020-01-01", code=1)
    assert "holds no item" in told
