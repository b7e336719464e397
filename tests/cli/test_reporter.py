"""The reporter's commands, from an empty store to a published quotation and back."""

from __future__ import annotations

import json
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
GUM = ("--source", "Gum", "--company-type", "trader")


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
    run("canvass", "import", "tables")
    return run


def rows(output, table):
    return json.loads(output)["tables"][table]["rows"]


def test_from_an_empty_store_to_a_quotation_made_again(filled):
    (quoted,) = rows(filled("quote", "--day", "3/13/2026", "--json"), "quotations")
    assert quoted["quote_usd_per_cwt"] == pytest.approx(356) and quoted["pounds_lb"] == 200_000
    assert quoted["trend"] == "firm"
    assert quoted["change_usd_per_cwt"] == pytest.approx(0.5, abs=0.05)
    assert (quoted["based_on"], quoted["publish"]) == ("trades", "yes")
    assert "Published F90 at $356.00." in filled("quote", "--publish", "--assessor", "A")
    filled("canvass", "add", "--item", "F90", "--kind", "trade", "--price", "372", "--pounds",
           "400000", *GUM, "--heard-at", f"{DAY} 15:30")  # fmt: skip
    (again,) = rows(filled("quote", "--day", DAY, "--reproduce", "--json"), "reproduced")
    assert again["is_same"] and again["store_position"] == 1
    tables = filled("quote", "--day", DAY, "--json")
    demand = rows(tables, "demand")[0]
    assert (demand["demand"], demand["bidding"], demand["offerings"]) == ("moderate", 5, "moderate")
    assert {"word": "firm", "source": "USDA AMS Market News glossary, price trend"} in rows(
        tables, "words"
    )


def test_an_entry_that_looks_wrong_is_added_only_when_confirmed(filled):
    words = ("canvass", "add", "--item", "F90", "--kind", "bid", "--price", "3560", *GUM,
             "--day", DAY)  # fmt: skip
    refused = filled(*words, code=2)
    assert "10 times the last quotation" in refused and "--yes" in refused
    assert len(entries_on(filled, DAY)) == 15
    assert "Added" in filled(*words, "--yes")
    filled("canvass", "correct", entries_on(filled, DAY)[0]["entry_id"], "--price", "35.6", code=2)


def entries_on(filled, day):
    return rows(filled("canvass", "show", "--day", day, "--json"), "entries")


def test_an_import_lists_what_looks_wrong(run):
    write_history(Path("tables"), [ITEM], [*history(), trade("Gum", 35.5, after=11)], [])
    shown = run("canvass", "import", "tables")
    assert "Imported" in shown and "a tenth of the last quotation" in shown
    assert "tenth" not in run("canvass", "import", "tables"), "known: not questioned again"


def test_the_default_day_is_the_latest_on_file(filled):
    assert filled("quote") == filled("quote", "--day", DAY)


def test_an_import_shows_its_steps_on_a_terminal(run, monkeypatch):
    write_history(Path("tables"), [ITEM], history(), [])
    terminal = SimpleNamespace(isatty=lambda: True)
    monkeypatch.setattr(common, "sys", SimpleNamespace(stderr=terminal))
    shown = run("canvass", "import", "tables")
    assert "\rreading tables " in shown and f"\radding {len(history()) + 1} rows " in shown
    assert shown.endswith(f"Imported 1 item and {len(history())} entries.\n")


def test_no_source_is_ever_printed(filled):
    for words in (
        ("quote", "--day", DAY, "--all"),
        ("quote", "--day", DAY, "--json"),
        ("canvass", "show"),
        ("canvass", "show", "--day", DAY, "--json"),
    ):
        shown = filled(*words)
        assert not any(re.search(rf"\b{firm}\b", shown) for firm in FIRMS)


def test_an_import_is_whole_or_nothing(filled):
    Path("more").mkdir()
    header = "entry_id,heard_at,market_day,kind,item_id,usd_per_cwt,pounds_lb,source,source_class"
    lines = (
        "N1,2026-03-14 09:00,2026-03-14,bid,F90,350,,Ash,packer",
        "N2,2026-03-14 09:00,2026-03-14,bid,F9O,350,,Ash,packer",
    )
    Path("more/canvass.csv").write_text("\n".join((header, *lines)))
    before = filled("canvass", "show")
    refused = filled("canvass", "import", "more", code=2)
    assert "canvass.csv row 3" in refused and "F9O" in refused
    assert filled("canvass", "show") == before


def test_a_time_alone_is_of_the_market_day(filled):
    entry_id = filled("canvass", "add", "--item", "F90", "--kind", "bid", "--price", "349", *GUM,
                      "--day", DAY, "--heard-at", "9:05").split()[1]  # fmt: skip
    (entry,) = rows(filled("canvass", "show", "--entry", entry_id, "--json"), "entries")
    assert entry["heard_at"] == f"{DAY} 09:05"


def test_an_export_imports_into_an_empty_store(filled, monkeypatch):
    entry_id = filled("canvass", "add", "--item", "F90", "--kind", "bid", "--price", "349", *GUM,
                      "--heard-at", f"{DAY} 09:00").split()[1]  # fmt: skip
    filled("canvass", "withdraw", entry_id, "--note", "misheard")
    filled("canvass", "export", "out.xlsx")
    monkeypatch.setenv("BLEND_STORE", "other.db")
    assert "182 entries" in filled("canvass", "import", "out.xlsx")
    assert filled("quote", "--day", DAY) == filled("quote", "--day", DAY, "--store", "market.db")


def entries_of(filled, *words):
    return rows(filled("canvass", "show", *words, "--json"), "entries")


def test_a_withdrawal_stays_on_file_and_no_longer_counts(filled):
    (entry_id,) = [
        each["entry_id"]
        for each in entries_of(filled, "--day", DAY)
        if each["kind"] == "trade" and each["price_usd_per_cwt"] == 355.5
    ]
    filled("canvass", "withdraw", entry_id, "--note", "misheard")
    assert entry_id not in [each["entry_id"] for each in entries_of(filled, "--day", DAY)]
    first, last = entries_of(filled, "--entry", entry_id)
    assert first["entry_id"] == entry_id and last["stands"] == f"withdraws {entry_id}"
    for gone in ("E0", entry_id):
        filled("canvass", "withdraw", gone, "--note", "x", code=2)
        filled("canvass", "correct", gone, "--price", "350", code=2)


def test_a_correction_changes_what_is_given_and_keeps_the_rest(filled):
    first = next(e for e in entries_of(filled, "--day", DAY) if e["kind"] == "trade")
    filled("canvass", "correct", first["entry_id"], "--price", "357.25", "--note", "heard again")
    was, now = entries_of(filled, "--entry", first["entry_id"])
    assert now["price_usd_per_cwt"] == 357.25
    for name in ("item_id", "kind", "pounds_lb", "company_type", "heard_at", "terms"):
        assert now[name] == was[name]


OVERRIDE = ("--item", "F90", "--publish", "--assessor", "A", "--override")


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        (("--publish",), "needs --assessor"),
        (("--item", "F90", "--override", "357", "--reason", "x"), "goes with --publish"),
        ((*OVERRIDE, "357"), "--reason"),
        ((*OVERRIDE, "3.57", "--reason", "x"), "$3.57/lb or $3.57/cwt"),
        ((*OVERRIDE, "4/cwt", "--reason", "x"), "5 to 5000"),
        (("--item", "F91"), "Did you mean F90?"),
        (("--day", "13/3/2026"), "Enter 2026-03-13"),
    ],
)
def test_what_makes_no_sense_is_refused(filled, words, shown):
    day = () if "--day" in words else ("--day", DAY)
    assert shown in filled("quote", *day, *words, code=2)


def test_a_missing_or_empty_store_says_what_to_do(run, monkeypatch):
    run("canvass", "show", code=1)
    write_history(Path("tables"), [ITEM], [], [])
    run("canvass", "import", "tables")
    assert "blend canvass import" in run("quote", code=1)
    run("quote", "--day", DAY, "--reproduce", code=2)
    monkeypatch.delenv("BLEND_STORE")
    assert "Name the store" in run("canvass", "show", code=2)


def test_a_method_of_their_own_is_used(filled):
    text = packaged_path("quotation_method.csv").read_text(encoding="utf-8")
    Path("own.csv").write_text(text.replace("min_trades,3,", "min_trades,30,"))
    (quoted,) = rows(filled("quote", "--method-file", "own.csv", "--json"), "quotations")
    assert quoted["based_on"] == "few trades"


def test_as_of_answers_from_what_was_known(filled):
    filled("quote", "--day", DAY, "--as-of", "2020-01-01", code=1)


# The phone round ---------------------------------------------------------------------------------

MESSAGES = """Ash: sold 2 loads F90 at 356.50 delivered, freight 3
Elm: bid $354.25 on F90, 40,000 lb

Gum (trader): offered F90 at 359, 40k, not firm
"""


def test_messages_are_read_and_stored_only_when_confirmed(filled):
    Path("messages.txt").write_text(MESSAGES)
    words = ("canvass", "paste", "messages.txt", "--day", DAY)
    shown = filled(*words)
    assert "Nothing was added" in shown and "2 loads: 80,000 lb" in shown
    assert "Added 3 entries" in filled(*words, "--yes")
    table = rows(filled("canvass", "show", "--day", DAY, "--json"), "entries")
    added = [tuple(row[name] for name in ("kind", "price_usd_per_cwt", "pounds_lb", "terms"))
             for row in table if "-00" in row["entry_id"]]  # fmt: skip
    assert added == [
        ("trade", 356.5, 80_000, "delivered, freight $3.00"),
        ("bid", 354.25, 40_000, "fob"),
        ("offer", 359, 40_000, "fob, not firm"),
    ]


def test_lines_that_cannot_be_read_are_all_listed_and_nothing_is_stored(filled):
    Path("messages.txt").write_text("Ash: F90 is quiet\nsold F90 at 350\nNobody: bid 350 on F90\n")
    refused = filled("canvass", "paste", "messages.txt", "--yes", code=2)
    assert {f"row {n}" in refused for n in (1, 2, 3)} == {True}
    Path("messages.txt").write_text("Ash: bid 350 on F90\n" * 501)
    assert "at most 500" in filled("canvass", "paste", "messages.txt", "--yes", code=2)


def test_the_call_list_has_who_is_left_and_who_trades_what_is_missing(filled):
    assert "5 of 5 companies to call" in filled("canvass", "call-list", "--day", "3/16/2026")
    filled("canvass", "add", "--item", "F90", "--kind", "bid", "--price", "354", "--source", "ash",
           "--company-type", "packer", "--day", "2026-03-16", "--yes")  # fmt: skip
    shown = filled("canvass", "call-list", "--day", "3/16/2026")
    assert "4 of 5 companies to call" in shown and "Nothing on" not in shown


def test_an_item_is_added_by_command(filled):
    words = ("canvass", "add-item", "--item-id", "42s", "--name", "Pork 42s", "--species", "pork",
             "--lean", "42", "--fresh-or-frozen", "fresh", "--origin", "domestic")  # fmt: skip
    assert filled(*words) == "Added 42s\n"
    assert filled(*words) == "42s is already there\n"


def test_market_days_without_entries_are_listed(filled):
    filled("canvass", "add", "--item", "F90", "--kind", "bid", "--price", "354", "--source", "Ash",
           "--company-type", "packer", "--day", "2026-03-19", "--yes")  # fmt: skip
    assert "No entries on Mar 16, 2026, Mar 17, 2026, Mar 18, 2026." in " ".join(
        filled("canvass", "show").split()
    )
