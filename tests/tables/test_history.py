"""The market's history: read as it stands, refused with every problem, written to be read again."""

from __future__ import annotations

from datetime import date, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from blend.domain.market import SOURCE_CLASSES, CanvassEntry, EntryKind, Item, Published, Volume
from blend.domain.method import method_of
from blend.errors import FileTrouble, InputRefused
from blend.tables.columns import METHOD_COLUMNS
from blend.tables.history import (
    PUBLISHED_COLUMNS,
    entry_of_words,
    read_history,
    write_history,
)
from blend.tables.method import read_method
from blend.tables.standards import packaged_path

MONDAY = date(2026, 3, 2)
HEADER = "entry_id,heard_at,market_day,kind,item_id,usd_per_cwt,pounds_lb,source,source_class"


def problems_of(path) -> list[tuple[str, int | None, str | None]]:
    with pytest.raises(InputRefused) as refused:
        read_history(path)
    return [(each.file, each.row, each.column) for each in refused.value.problems]


def test_a_canvass_is_read_as_it_stands(tmp_path):
    row = "E1,2026-03-02 9:05,2026-03-02,trade,F90,350.25,40000,Ash Packing,packer"
    (tmp_path / "canvass.csv").write_text(f"{HEADER}\n{row}\n")
    (entry,) = read_history(tmp_path / "canvass.csv").additions.entries
    assert entry == CanvassEntry(
        "E1", datetime(2026, 3, 2, 9, 5), MONDAY, EntryKind.TRADE, "F90", 350.25, 40_000.0,
        "Ash Packing", "packer",
    )  # fmt: skip
    assert read_history(tmp_path).additions.place("canvass", 0) == ("canvass.csv", 2)


def test_every_problem_of_a_canvass_is_listed_at_once(tmp_path):
    rows = (
        "E1,2026-03-02 14:05,2026-03-03,trade,F90,350,40000,Ash,packer,,,,",
        "E2,2026-03-02,2026-03-02,trade,F90,3.50,,Ash,packers,,,,",
        "E3,2026-03-02 14:05,2026-03-02,swap,F90,350,,,packer,E3,yes,,",
        "E4,2026-03-02 25:05,2026-03-02,bid,F90,350,,Ash,packer,,yes,,",
        "E4,2026-03-02T14:05,2026-03-02,trade,F90,350,1000,Ash,packer,,,no,",
    )
    header = f"{HEADER},corrects,withdrawn,is_firm,lean"
    (tmp_path / "canvass.csv").write_text("\n".join((header, *rows)))
    assert problems_of(tmp_path) == [
        ("canvass.csv", 2, "market_day"),
        ("canvass.csv", 3, "heard_at"),
        ("canvass.csv", 3, "usd_per_cwt"),
        ("canvass.csv", 3, "pounds_lb"),
        ("canvass.csv", 3, "source_class"),
        ("canvass.csv", 4, "kind"),
        ("canvass.csv", 4, "source"),
        ("canvass.csv", 4, "corrects"),
        ("canvass.csv", 5, "heard_at"),
        ("canvass.csv", 5, "corrects"),
        ("canvass.csv", 6, "entry_id"),
        ("canvass.csv", 6, "is_firm"),
    ]


def test_every_problem_of_volumes_is_listed_at_once(tmp_path):
    rows = (
        "slaughter,2026-03-02,100,head,",
        "slaughter,2026-03-02,101,head,",
        "slaughter,2026-03-02,102,head,2026-03-02",
        "slaughter,2026-03-02,-1,head,2026-03-03",
    )
    (tmp_path / "volumes.csv").write_text(
        "\n".join(("series_id,period_end,value,unit,corrects", *rows))
    )
    assert problems_of(tmp_path) == [
        ("volumes.csv", 3, "period_end"),
        ("volumes.csv", 5, "value"),
        ("volumes.csv", 5, "corrects"),
    ]


def test_what_holds_no_table_of_the_market_is_reported(tmp_path):
    with pytest.raises(FileTrouble, match="no items, canvass, volumes here"):
        read_history(tmp_path)
    (tmp_path / "heard.csv").write_text(HEADER)
    with pytest.raises(FileTrouble, match="name the file after its table"):
        read_history(tmp_path / "heard.csv")
    (tmp_path / "canvass.ods").touch()
    with pytest.raises(FileTrouble, match="not a folder"):
        read_history(tmp_path / "canvass.ods")


words = st.text(st.sampled_from("abc =+-@'\"é90"), min_size=1, max_size=8).map(
    lambda text: " ".join(text.split()) or "x"
)
ids = st.text(st.sampled_from("abcXYZ =-'90."), min_size=1, max_size=8).map(
    lambda text: " ".join(text.split()) or "x"
)
shares = st.floats(0.01, 1).map(lambda number: round(number, 6))
days = st.dates(date(2000, 1, 1), date(2040, 1, 1))
# A workbook keeps sixteen digits of a number, a CSV all of them.
usd = st.floats(5, 5000).map(lambda number: round(number, 6))
lb = st.floats(1, 1e6).map(lambda number: round(number, 3))


@st.composite
def entries(draw, entry_id: str):
    kind = draw(st.sampled_from(list(EntryKind)))
    market_day = draw(days)
    return CanvassEntry(
        entry_id=entry_id,
        heard_at=datetime.combine(market_day, draw(st.times()).replace(microsecond=0, fold=0)),
        market_day=market_day,
        kind=kind,
        item_id=draw(ids),
        usd_per_cwt=draw(usd),
        pounds_lb=draw(lb) if kind is EntryKind.TRADE else None,
        source=draw(words),
        source_class=draw(st.sampled_from(SOURCE_CLASSES)),
        lean=draw(st.none() | shares),
        basis=draw(st.sampled_from(("fob", "delivered"))),
        freight_usd_per_cwt=draw(st.none() | usd),
        delivered_within_days=draw(st.none() | st.integers(0, 1000)),
        is_firm=kind is EntryKind.TRADE or draw(st.booleans()),
        between_affiliates=draw(st.booleans()),
        note=draw(words),
    )


@settings(max_examples=25)
@given(st.data())
@pytest.mark.parametrize("target", ["folder", "book.xlsx"])
def test_what_is_written_reads_the_same(tmp_path_factory, target, data):
    made = (
        [Item("F90", data.draw(words), "beef", data.draw(shares), "fresh", data.draw(ids))],
        [data.draw(entries(f"E{n}")) for n in range(data.draw(st.integers(0, 3)))],
        [Volume("v", data.draw(days), data.draw(lb), "lb", data.draw(ids))],
    )
    path = tmp_path_factory.mktemp("market") / target
    write_history(path, *made)
    read = read_history(path).additions
    assert [read.items, read.entries, read.volumes] == [tuple(each) for each in made]


def test_an_export_overwrites_nothing(tmp_path):
    write_history(tmp_path / "out", [], [], [])
    before = {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()}
    with pytest.raises(FileTrouble, match=r"items\.csv.* already"):
        write_history(tmp_path / "out", [Item("F90", "n", "beef", 0.9, "fresh", "d")], [], [])
    assert before == {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()}
    write_history(tmp_path / "out.xlsx", [], [], [])
    with pytest.raises(FileTrouble, match="already"):
        write_history(tmp_path / "out.xlsx", [], [], [])


def test_a_workbook_has_numbers_as_numbers(tmp_path):
    item = Item("F90", "=1+1", "beef", 0.9, "fresh", "d")
    published = Published(
        "F90", MONDAY, 350.0, 349.5, 351.0, "steady", "trades", "ab12", datetime(2026, 3, 2), "A",
        rationale=("at_bid", "one_sided"),
    )  # fmt: skip
    write_history(tmp_path / "out.xlsx", [item], [], [], [published])
    book = load_workbook(tmp_path / "out.xlsx")
    assert [cell.value for cell in book["items"][2]][:4] == ["F90", "'=1+1", "beef", 90]
    cells = dict(zip(PUBLISHED_COLUMNS, (c.value for c in book["published"][2]), strict=True))
    assert cells["usd_per_cwt"] == 350 and cells["rationale"] == "at_bid|one_sided"


def test_one_entry_is_read_from_what_was_typed():
    typed = {
        "entry_id": "E1", "heard_at": "2026-03-02 14:05", "market_day": "2026-03-02",
        "kind": "bid", "item_id": "F90", "usd_per_cwt": "350", "source": "Ash",
        "source_class": "packer",
    }  # fmt: skip
    assert entry_of_words(typed).usd_per_cwt == 350
    with pytest.raises(InputRefused, match=r"entry, usd_per_cwt"):
        entry_of_words(typed | {"usd_per_cwt": "3,50"})


# The method -------------------------------------------------------------------------------------


def test_the_packaged_method_is_whole_and_each_number_has_its_source():
    read = read_method()
    assert list(read.sources) == list(METHOD_COLUMNS)
    assert all(source for _, source in read.sources.values())
    assert method_of(read.method.text) == read.method


def test_the_digest_is_of_the_numbers_and_not_of_how_they_are_written(tmp_path):
    lines = packaged_path("quotation_method.csv").read_text(encoding="utf-8").splitlines()
    own = tmp_path / "own.csv"
    own.write_text("\n".join([lines[0], *reversed(lines[1:])]))
    assert read_method(own).method.digest == read_method().method.digest
    own.write_text("\n".join(lines).replace("outlier_cut,3.5", "outlier_cut,2.24"))
    assert read_method(own).method.outlier_cut == 2.24
    assert read_method(own).method.digest != read_method().method.digest


def test_every_problem_of_a_method_is_listed_at_once(tmp_path):
    lines = packaged_path("quotation_method.csv").read_text(encoding="utf-8")
    lines = lines.replace("outlier_cut,3.5", "outlier_cut,high")
    lines = lines.replace("demand_cuts,0.5|0.8|1.25|1.6", "demand_cuts,0.8|0.5")
    lines = "\n".join(line for line in lines.splitlines() if not line.startswith("huber_k"))
    (tmp_path / "own.csv").write_text(lines)
    with pytest.raises(InputRefused) as refused:
        read_method(tmp_path / "own.csv")
    assert {each.column for each in refused.value.problems} == {
        "outlier_cut",
        "demand_cuts",
        "huber_k",
    }


def test_a_method_of_another_form_is_reported():
    with pytest.raises(ValueError, match="another form"):
        method_of('{"version": "1"}')
