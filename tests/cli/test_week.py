"""One invented week, from phone calls to the signed weekly report, by the commands alone."""

from __future__ import annotations

import random
import re
from datetime import date, datetime, time, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from blend.cli import main
from blend.domain.market import CanvassEntry, EntryKind, Item
from blend.reporter.weekly import spoken_seconds
from blend.tables.history import write_history

ITEMS = (
    Item("50s", "Fresh 50s", "beef", 0.50, "fresh", "domestic"),
    Item("90s", "Fresh 90s", "beef", 0.90, "fresh", "domestic"),
    Item("90 CL", "Imported 90", "beef", 0.90, "frozen", "imported"),
)
LEVELS = {"50s": 90.0, "90s": 340.0, "90 CL": 320.0}
COMPANIES = ("Ash", "Birch", "Cedar", "Elm", "Fir")
MONDAY = date(2026, 11, 16)


def heard(draw, item, company, day, level):
    return CanvassEntry(
        f"{day:%y%m%d} {item} {company}", datetime.combine(day, time(10)), day, EntryKind.TRADE,
        item, level + draw.choice([-0.5, -0.25, 0.0, 0.25, 0.5]), 40_000.0, company, "packer",
    )  # fmt: skip


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Seven weeks of honest trade are on file."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BLEND_STORE", "market.db")
    draw = random.Random(5)
    days = [MONDAY - timedelta(days=back) for back in range(1, 50)]
    days = [day for day in days if day.weekday() < 5]
    entries = [
        heard(draw, item, company, day, level + draw.gauss(0, 0.3))
        for day in days
        for item, level in LEVELS.items()
        for company in COMPANIES
    ]
    write_history("before", ITEMS, entries, [])

    def run(*words: str, code: int = 0) -> str:
        answer = CliRunner().invoke(main, list(words))
        assert answer.exit_code == code, answer.output
        return answer.output

    run("canvass", "import", "before")
    return run


def messages(draw, day):
    """What companies write on a day of a market that lean leads up."""
    rise = 1.0 + (day - MONDAY).days
    return "\n".join(
        f"{company}: sold {draw.choice([1, 2])} loads {item} at "
        f"{level + (rise if item != '50s' else -rise) + draw.choice([-0.25, 0, 0.25]):.2f} fob"
        for item, level in LEVELS.items()
        for company in COMPANIES
    )


def test_a_week_from_phone_calls_to_the_signed_report(run):
    draw = random.Random(9)
    for after in range(5):
        day = MONDAY + timedelta(days=after)
        assert "5 of 5 companies to call" in run("canvass", "call-list", "--day", str(day))
        Path("messages.txt").write_text(messages(draw, day))
        run("canvass", "paste", "messages.txt", "--day", str(day), "--yes")
        assert "0 of 5 companies to call" in run("canvass", "call-list", "--day", str(day))
        made = run("quote", "--day", str(day), "--publish", "--assessor", "A. Reporter")
        assert made.count("Published") == 3
    friday = str(MONDAY + timedelta(days=4))
    own = ("quote", "--day", friday, "--item", "90s", "--publish", "--assessor", "A. Reporter")
    refused = run(*own, "--override", "346", code=2)
    assert "--reason" in refused
    assert "Correction: 90s" in run(*own, "--override", "346", "--reason", "a load of poor color")
    files = ("--out", "week.html", "--slides", "week.svg", "--script", "week.txt")
    call = ("--call", "90s up 60%", "--sign", "A. Reporter")
    shown = run("weekly", "--week", friday, *files, *call)
    assert "90s up" in shown and "50s down" in shown and "Correction: 90s" in shown
    page, script = Path("week.html").read_text(), Path("week.txt").read_text()
    assert "90s up by Nov 27, 2026, 60% chance" in page
    assert Path("week.svg").read_text().startswith("<svg")
    assert "90s: Mon" in Path("week-sources.md").read_text()
    assert 60 <= spoken_seconds(script) <= 90
    note = run("note", "--day", friday, "--out", "note.html", "--call", "50s steady", "--sign",
               "A. Reporter")  # fmt: skip
    assert "Saved page: note.html" in note
    assert "50s steady by" in Path("note.html").read_text()


def test_a_public_report_stands_next_to_the_quotations_and_is_not_stored(run):
    """Figures of an AMS report of boneless beef, week of Feb 18, 2019."""
    before = run("canvass", "show")
    Path("public.csv").write_text(
        "Weekly boneless beef\n\nItem,Total Pounds,Wtd Avg\n"
        'Fresh 90%,"4,564,387",210.93\n92-94%,"1,529,213",221.49\n81%,,\n'
    )
    shown = run("quote", "--day", "11/13/2026", "--report", "public.csv")
    assert re.search(r"Fresh 90% +114.1 +210.93 +90s", shown) and "38.2" in shown
    assert run("canvass", "show") == before
    Path("public.csv").write_text("Item,Wtd Avg\n90s,high\n")
    assert "row 2" in run("quote", "--day", "11/13/2026", "--report", "public.csv", code=2)
