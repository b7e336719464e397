"""From the invented market's store to its note: what is printed, kept, marked and refused."""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

import blend.reporter.market_on_day
from blend.cli import main
from blend.store import Store

HISTORY = Path(__file__).parents[2] / "demo_data" / "history"
DAY, SINCE = "2026-11-06", "2026-10-16"
PLAIN = ["--day", DAY, "--level", "cold storage"]
EXPLAINED = [
    *PLAIN,
    *("--market", HISTORY / "market", "--since", SINCE, "--volume-error", 0.005),
    *("--explain", "90s"),
]
pytestmark = pytest.mark.slow


def run(*arguments: object, store: Path):
    return CliRunner().invoke(main, [*map(str, arguments), "--store", str(store)])


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    store = tmp_path_factory.mktemp("market") / "market.db"
    assert run("canvass", "import", HISTORY, store=store).exit_code == 0
    return store


@pytest.fixture(scope="module")
def explained(filled, tmp_path_factory):
    """The draft and the page of a day in the short weeks, moves explained since before them."""
    folder = tmp_path_factory.mktemp("note")
    for name in ("note.md", "note.html"):
        answer = run("note", *EXPLAINED, "--out", folder / name, store=filled)
        assert answer.exit_code == 0, answer.output
        assert "warning" not in answer.output
    return folder


@pytest.fixture
def store(filled, tmp_path):
    """A store of its own, to write into."""
    return Path(shutil.copy(filled, tmp_path / "market.db"))


@pytest.fixture
def draft(filled, tmp_path):
    out = tmp_path / "draft.md"
    assert run("note", *PLAIN, "--out", out, store=filled).exit_code == 0
    return out


# What it says ------------------------------------------------------------------------------------


def test_the_planted_cause_is_given_and_the_talk_is_not_taken_for_one(explained):
    text = (explained / "note.md").read_text("utf-8")
    lead = text.partition("## ")[0]
    assert "In our model, imported supply moved the clearing price of 90s" in lead
    assert "says demand is heavy" in lead and "not used in any figure" in lead
    why = text[text.index("## Why it moved") : text.index("## Supply and orders")]
    apart, _, within = why.partition("No measurable effect:")
    assert "had imported supply stayed as before, 90s would clear at" in apart
    assert "orders" in within.partition("Not explained")[0]
    assert "not proof of cause" in why


def test_every_figure_leads_to_its_source_and_no_company_is_named(explained):
    page = (explained / "note.html").read_text("utf-8")
    sources = (explained / "note-sources.html").read_text("utf-8")
    links = set(re.findall(r'href="note-sources.html#([^"]+)"', page))
    ids = set(re.findall(r' id="([^"]+)"', sources))
    assert links <= ids
    assert {"90s.price", "why.90s.imported+supply.if+unchanged"} <= links
    for name in ("note.html", "note.md", "note-sources.html", "note-sources.md"):
        text = (explained / name).read_text("utf-8")
        assert not re.search(r"\b(packer|grinder|trader|importer) \d", text)
    assert page.count("data:image/svg+xml") == 2
    assert not re.search(r'(src|href)="(?!data:image/svg|note-sources.html)', page)
    assert "Draft, not signed" in page


def test_the_page_is_at_most_two_printed_pages_of_letter(explained, tmp_path):
    chromium = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
    if chromium is None:
        pytest.skip("no browser to print with")
    out = tmp_path / "note.pdf"
    subprocess.run(
        [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--print-to-pdf={out}", f"file://{explained / 'note.html'}"],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    assert len(re.findall(rb"/Type\s*/Page\b", out.read_bytes())) <= 2


def test_a_day_without_a_market_names_the_latest_and_writes_nothing(filled, tmp_path):
    answer = run("note", "--day", "11/21/2026", "--out", tmp_path / "note.md", store=filled)
    assert answer.exit_code == 2
    line = "No market on Saturday, Nov 21. Latest: Nov 20. Nothing written.\n"
    assert answer.output == line
    assert not list(tmp_path.iterdir())


def test_the_same_store_gives_the_same_note(explained, filled, tmp_path):
    for name in ("note.md", "note.html"):
        run("note", *EXPLAINED, "--out", tmp_path / name, store=filled)
        assert (tmp_path / name).read_bytes() == (explained / name).read_bytes()


def test_a_rule_change_between_the_days_has_a_part_of_its_own(filled, tmp_path):
    before = Path(shutil.copytree(HISTORY / "market", tmp_path / "before"))
    products = before / "products.csv"
    with products.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    leaner = next(row for row in rows if row["product_id"] == "GB80")
    leaner["target_lean"] = "0.79"
    with products.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    for name, words in (("same", ()), ("changed", ("--market-before", before))):
        out = tmp_path / f"{name}.md"
        answer = run("note", *EXPLAINED, *words, "--out", out, store=filled)
        assert answer.exit_code == 0, answer.output
        text = out.read_text("utf-8")
        assert ("had rules stayed as before" in text) == (name == "changed")


def test_without_a_market_nothing_is_explained(draft):
    text = draft.read_text("utf-8")
    assert "## Why it moved" not in text
    assert "## Supply and orders" in text


def test_an_explanation_whose_certificate_fails_is_not_written(filled, tmp_path, monkeypatch):
    right = blend.reporter.market_on_day.why_market_moved

    def wrong(*args, **more):
        why = right(*args, **more)
        first, *rest = why.price.next.contributions
        moved = replace(first, amount=first.amount + 0.01)
        told = replace(why.price.next, contributions=(moved, *rest))
        return replace(why, price=replace(why.price, next=told))

    monkeypatch.setattr(blend.reporter.market_on_day, "why_market_moved", wrong)
    out = tmp_path / "note.md"
    answer = run("note", *EXPLAINED, "--out", out, store=filled)
    assert answer.exit_code == 1 and "certificate of the split of 90s fails" in answer.output
    assert not out.exists()


def test_a_draft_held_without_its_market_is_told_which_options_lack(explained, filled, tmp_path):
    answer = run(
        *("note", *PLAIN, "--draft", explained / "note.md", "--sign", "A. Reporter"),
        *("--confirm", "all", "--out", tmp_path / "page.html"),
        store=filled,
    )
    assert answer.exit_code == 2
    lines = [line for line in answer.output.splitlines() if ", why.90s." in line]
    assert lines and all("Give --market, --since and --explain" in line for line in lines)


# From draft to signed page -----------------------------------------------------------------------


def test_an_edited_draft_is_signed_with_its_words(draft, filled, tmp_path):
    text = draft.read_text("utf-8")
    draft.write_text(text.replace("## Quotations", "## A quiet Friday"), "utf-8")
    out = tmp_path / "note.html"
    answer = run(
        "note", *PLAIN, "--draft", draft, "--sign", "A. Reporter", "--out", out, store=filled
    )
    assert answer.exit_code == 0, answer.output
    page = out.read_text("utf-8")
    assert "A quiet Friday" in page
    assert "Reporter: A. Reporter" in page


def test_what_cannot_be_checked_is_confirmed_one_by_one(draft, filled, tmp_path):
    text = draft.read_text("utf-8")
    invented = "90s jumped because imports collapsed.\nThe office was quiet on Friday.\n\n"
    draft.write_text(text.replace("## Quotations", f"{invented}## Quotations"), "utf-8")
    words = ("note", *PLAIN, "--draft", draft, "--sign", "A. Reporter", "--out",
             tmp_path / "note.html")  # fmt: skip
    refused = run(*words, store=filled)
    assert refused.exit_code == 2 and not (tmp_path / "note.html").exists()
    assert "1. " in refused.output and "gives a cause" in refused.output
    assert "quiet" not in refused.output, "a sentence that claims nothing is not asked about"
    assert run(*words, "--confirm", "9", store=filled).exit_code == 2
    signed = run(*words, "--confirm", "all", store=filled)
    assert signed.exit_code == 0, signed.output
    assert "confirmed: 1. " in signed.output


def test_after_a_correction_the_draft_is_marked_and_not_signed(draft, store, tmp_path):
    with Store.open(store) as opened:
        entries = opened.entries("90s")
    trade = next(e for e in entries if str(e.market_day) == DAY and e.kind == "trade")
    wrong = run(
        *("canvass", "correct", trade.entry_id, "--price", trade.usd_per_cwt + 2),
        *("--pounds", trade.pounds_lb * 20, "--yes"),
        store=store,
    )
    assert wrong.exit_code == 0, wrong.output
    out = tmp_path / "note.html"
    sign = ("note", *PLAIN, "--draft", draft, "--sign", "A. Reporter", "--out", out)
    assert run(*sign, store=store).exit_code == 2
    signed = run(*sign, "--confirm", "all", store=store)
    assert signed.exit_code == 2
    assert "90s.pounds" in signed.output
    assert "as the store has it now" in signed.output
    assert not out.exists()
    marked = run("note", *PLAIN, "--draft", draft, "--out", out, store=store)
    assert marked.exit_code == 0
    page = out.read_text("utf-8")
    assert "does not agree with the store" in page
    assert "<mark" in page


def test_an_override_is_printed_with_its_reason(store, tmp_path):
    published = run(
        *("quote", "--day", DAY, "--item", "90s", "--publish", "--assessor", "A. Reporter"),
        *("--override", 371.25, "--reason", "two late trades confirmed by both sides"),
        store=store,
    )
    assert published.exit_code == 0, published.output
    out = tmp_path / "note.md"
    run("note", *PLAIN, "--out", out, store=store)
    text = out.read_text("utf-8")
    assert "[371.25](#90s.price)" in text
    sources = (tmp_path / "note-sources.md").read_text("utf-8")
    assert "two late trades confirmed by both sides" in sources
    assert "set by the reporter" in text


def test_an_item_that_could_show_a_firm_is_counted_and_not_shown(store, tmp_path):
    folder = tmp_path / "more"
    folder.mkdir()
    (folder / "items.csv").write_text(
        "item_id,name,species,lean,fresh_or_frozen,origin\nX70,Hearts,beef,0.7,fresh,domestic\n"
    )
    (folder / "canvass.csv").write_text(
        "entry_id,heard_at,market_day,kind,item_id,usd_per_cwt,pounds_lb,source,source_class\n"
        f"x1,{DAY} 09:00,{DAY},trade,X70,123.75,400000,packer 1,packer\n"
        f"x2,{DAY} 09:30,{DAY},trade,X70,123.25,40000,packer 2,packer\n"
    )
    assert run("canvass", "import", folder, store=store).exit_code == 0
    out = tmp_path / "note.md"
    run("note", *PLAIN, "--out", out, store=store)
    text = out.read_text("utf-8")
    assert "[1](#withheld) items are not shown" in text
    assert "X70" not in text


# What is refused ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "exit_code", "told"),
    [
        (["--out", "note.txt"], 1, "ends in .md or .html"),
        (["--out", "note.html", "--draft", "missing.md"], 1, "missing.md"),
        (["--out", "note.md", "--sign", "X"], 2, "--out NAME.html"),
        (["--out", "note.md", "--since", SINCE], 2, "need --market"),
        (["--out", "note.md", "--market", HISTORY / "market", "--since", DAY], 2, "before --day"),
        (["--out", "note.md", "--market", HISTORY / "market", "--explain", "99s"], 2, "99s"),
        (["--out", "note.md", "--level", "stocks"], 2, "stocks"),
    ],
)
def test_what_cannot_be_is_told_and_nothing_is_written(filled, tmp_path, more, exit_code, told):
    arguments = [tmp_path / each if str(each).startswith("note.") else each for each in more]
    answer = run("note", *PLAIN, *arguments, store=filled)
    assert answer.exit_code == exit_code, answer.output
    assert told in answer.output
    assert not list(tmp_path.glob("note.*"))


def test_a_day_without_volumes_in_its_week_is_refused_with_all_that_lack(filled, tmp_path):
    answer = run(
        *("note", "--day", DAY, "--market", HISTORY / "market"),
        *("--since", "9/30/2025", "--out", tmp_path / "note.md"),
        store=filled,
    )
    assert answer.exit_code == 2
    assert "in the week to 2025-09-30" in answer.output
    assert answer.output.count("volumes, ") == 17


# Volumes -----------------------------------------------------------------------------------------


def test_volumes_compare_count_movers_and_show_what_went_together(filled):
    answer = run(
        *("volumes", "--day", "11/6/2026", "--series", "availability"),
        *("--against", "90s", "--max-lag", 1, "--json"),
        store=filled,
    )
    assert answer.exit_code == 0, answer.output
    found = json.loads(answer.output)
    tables = {name: table["rows"] for name, table in found["tables"].items()}
    (own,) = [each for each in tables["series"] if each["series"] == "availability 90 CL imported"]
    assert (own["to"], own["volume"]) == (DAY, 227_700)
    assert own["on_year_percent"] == pytest.approx(-12.2, abs=0.05)
    assert (own["periods"], own["year_to_date_percent"]) == ("6 of 45 weeks", None)
    assert {each["weeks_after"] for each in tables["lags"]} == {0, 1}
    assert found["figures"]["higher"] == len(tables["breadth"][0]["which"].split(", "))


def test_a_series_or_an_item_that_is_not_there_is_refused(filled, tmp_path):
    answer = run("volumes", "--series", "slaughter", store=filled)
    assert answer.exit_code == 2 and "slaughter cows" in answer.output
    answer = run("volumes", "--against", "99s", store=filled)
    assert answer.exit_code == 2 and "99s" in answer.output
    shutil.copytree(HISTORY, tmp_path / "history")
    (tmp_path / "history" / "volumes.csv").unlink()
    run("canvass", "import", tmp_path / "history", store=tmp_path / "empty.db")
    answer = run("volumes", store=tmp_path / "empty.db")
    assert answer.exit_code == 1 and "no volumes" in answer.output
