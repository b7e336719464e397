"""Sheets: typing, pasting, files in and out, what is shown of them, and what of it is refused."""

from __future__ import annotations

import csv
import json
import re

import pytest

from blend.desk.book import edit_cells, paste_block
from blend.desk.desk import EDITED_TABLES, Desk
from blend.desk.tables import MAX_CELL_CHARACTERS
from tests.desk.conftest import DEMO


@pytest.fixture
def desk(client):
    return client.app.state.desk


def typed(client, text, row=0, column="price", **fields):
    data = {"row": str(row), "column": column, "text": text} | fields
    return client.post("/tables/lots/cell", data=data)


def column_of(desk, name, column):
    table = desk.table(name)
    return [cells[table.columns.index(column)] for cells in table.cells()]


def marks_of(client) -> dict:
    text = client.post("/parts", data={"parts": "marks"}).text
    return json.loads(re.search(r">(.*)</script>", text, re.S)[1])


# Typing ------------------------------------------------------------------------------------------


def test_an_edit_brings_the_parts_that_were_asked_for_and_no_others(client, desk):
    answer = typed(client, "199", parts="status,problems,marks,nothing,marks")
    ids = re.findall(r'id="([\w-]+)"[^>]*data-part', answer.text)
    assert sorted(ids) == ["marks", "problems", "status"]
    assert column_of(desk, "lots", "price")[0] == "199"


def test_a_text_that_is_no_number_is_kept_and_told_where_it_stands(client, desk):
    typed(client, "cheap", row=desk.table("lots").order[2])
    assert column_of(desk, "lots", "price")[2] == "cheap"
    assert desk.state().plan is None
    faults = marks_of(client)["faults"]["lots"]
    assert [fault[:2] for fault in faults] == [[desk.table("lots").order[2], "price"]]
    assert "cheap" in faults[0][2]
    assert "cheap" in client.get("/tables/lots").text
    client.post("/undo")
    assert marks_of(client)["faults"].get("lots", []) == []
    assert desk.state().plan is not None


@pytest.mark.parametrize(
    "fields",
    [
        {"row": "999999"},
        {"row": "-1"},
        {"row": "٣"},
        {"row": "9" * 5_000},
        {"row": ""},
        {"column": "color"},
        {"column": ""},
        {"text": "x" * (MAX_CELL_CHARACTERS + 1)},
    ],
)
def test_an_edit_of_nothing_that_is_there_is_refused(client, desk, fields):
    before = desk.table("lots").cells()
    answer = typed(client, fields.pop("text", "1"), **({"row": 0} | fields))
    assert answer.status_code == 422
    assert "Not done" in answer.text
    assert desk.table("lots").cells() == before and not desk.book.done


def test_control_characters_give_way_to_a_mark(client, desk):
    typed(client, "a\x00b\x07\ud7ff")
    assert column_of(desk, "lots", "price")[0] == "a\ufffdb\ufffd\ud7ff"
    assert client.get("/tables.xlsx").status_code == 200


# Pasting -----------------------------------------------------------------------------------------


def test_a_blank_line_within_a_pasted_column_is_a_blank_cell(client, desk):
    order = desk.table("lots").order
    data = {"row": str(order[0]), "column": "supplier", "text": "a\r\n\r\nc\r\n"}
    assert client.post("/tables/lots/paste", data=data).is_success
    assert column_of(desk, "lots", "supplier")[:3] == ["a", "", "c"]


def test_cells_with_tabs_breaks_and_quotes_are_pasted_whole(client, desk):
    text = '"a\tb"\t"say ""x"""\n"c\nd"\t12" pipe'
    column = desk.table("rules").columns[0]
    first = desk.table("rules").order[0]
    answer = client.post(
        "/tables/rules/paste", data={"row": str(first), "column": column, "text": text}
    )
    assert answer.is_success
    assert [cells[:2] for cells in desk.table("rules").cells()[:2]] == [
        ("a\tb", 'say "x"'),
        ("c\nd", '12" pipe'),
    ]


@pytest.mark.parametrize(
    "text",
    ["", "\n", "\n\n", "\t", "a\t" * 200, "x" * (MAX_CELL_CHARACTERS + 1), '"' + "x" * 200_000],
)
def test_a_block_that_does_not_fit_is_refused_whole(client, desk, text):
    answer = client.post("/tables/lots/paste", data={"row": "0", "column": "price", "text": text})
    assert answer.status_code == 422
    assert not desk.book.done


def grid_of(client, name) -> dict:
    text = client.get(f"/tables/{name}").text
    return json.loads(re.search(rf'id="grid-{name}" data-part>(.*?)</script>', text, re.S)[1])


def test_a_block_is_laid_by_the_columns_that_the_page_shows(client, desk):
    shown = [column["name"] for column in grid_of(client, "lots")["columns"]]
    assert shown[:4] == ["lot_id", "item", "lean", "price"]
    fields = {"row": str(desk.table("lots").order[0]), "shown": "\t".join(shown)}
    data = fields | {"column": "lean", "text": "0.49\t93"}
    assert client.post("/tables/lots/paste", data=data).is_success
    assert column_of(desk, "lots", "lean")[0] == "0.49"
    assert column_of(desk, "lots", "price")[0] == "93"
    wide = fields | {"column": shown[-1], "text": "1\t2"}
    told = client.post("/tables/lots/paste", data=wide)
    assert told.status_code == 422 and "Show the blank columns too" in told.text


def test_a_block_goes_into_the_rows_that_a_sorted_or_filtered_page_shows(client, desk):
    order = list(desk.table("lots").order)
    rows = ",".join(map(str, (order[7], order[2])))
    data = {"rows": rows, "column": "price", "text": "301\n302\n303"}
    assert client.post("/tables/lots/paste", data=data).is_success
    prices = column_of(desk, "lots", "price")
    assert (prices[7], prices[2], prices[-1]) == ("301", "302", "303")
    assert desk.table("lots").order[:-1] == order
    client.post("/undo")
    assert desk.table("lots").order == order and column_of(desk, "lots", "price")[7] != "301"


def test_cells_changed_at_once_are_undone_at_once(client, desk):
    order, before = desk.table("lots").order, column_of(desk, "lots", "price")
    edits = [{"row": row, "column": "price", "text": "250"} for row in order[:3]]
    assert client.post("/tables/lots/cell", data={"edits": json.dumps(edits)}).is_success
    assert column_of(desk, "lots", "price")[:3] == ["250"] * 3
    client.post("/undo")
    assert column_of(desk, "lots", "price") == before


@pytest.mark.parametrize(
    "edits",
    ["", "[]", "[", "{}", "7", "[7]", '[{"row": 0}]',
     '[{"row": "0", "column": "price", "text": "1"}]',
     '[{"row": 0, "column": "price", "text": 1}]', '[{"row": 0, "column": [], "text": "1"}]',
     '[{"row": true, "column": "price", "text": "1"}]', "[" * 5_000,
     '[{"row": 0, "column": "color", "text": "1"}]',
     '[{"row": 99999, "column": "price", "text": "1"}]'],
)  # fmt: skip
def test_edits_that_are_none_are_refused(client, desk, edits):
    assert client.post("/tables/lots/cell", data={"edits": edits}).status_code == 422
    assert not desk.book.done


@pytest.mark.parametrize(
    ("table", "column", "text", "meant"),
    [
        ("lots", "price", "$91.50", "91.5"),
        ("lots", "fresh_or_frozen", "froz", "frozen"),
        ("lots", "fresh_or_frozen", "frosen", "frozen"),
        ("lots", "price", "cheap", ""),
        ("lots", "species", "x", ""),
    ],
)
def test_a_cell_is_answered_with_what_it_was_likely_meant_to_say(
    client, desk, table, column, text, meant
):
    row = desk.table(table).order[0]
    client.post(f"/tables/{table}/cell", data={"row": str(row), "column": column, "text": text})
    faults = [each for each in marks_of(client)["faults"].get(table, []) if each[0] == row]
    assert not faults or (faults[0][1] == column and faults[0][3] == meant)
    assert bool(faults) == bool(desk.state().problems), "a reader may take it as it is"


def test_a_bad_cell_keeps_the_last_plan_in_sight(client, desk):
    before = desk.state().plan
    typed(client, "cheap")
    state = desk.state()
    assert state.plan is None and state.shown is before
    typed(client, "cheaper")
    assert desk.state().shown is before
    page = client.get("/grinder").text
    assert "is from before" in page and 'data-goto="lots"' in page
    client.post("/undo")
    client.post("/undo")
    assert desk.state().plan is not None


def test_an_empty_folder_is_a_place_to_begin(tmp_path):
    place = tmp_path / "new"
    place.mkdir()
    desk = Desk(place)
    assert {(each.file, each.column) for each in desk.state().problems} == {
        ("lots", None), ("products", None), ("settings", "plan_on")}  # fmt: skip
    assert not desk.is_unsaved
    for name in ("lots", "products"):
        with (DEMO / f"{name}.csv").open(newline="", encoding="utf-8-sig") as file:
            block = list(csv.reader(file))
        desk.edit(lambda book, name=name, block=block: paste_block(
            name, book.tables[name], (), block[0][0], block))  # fmt: skip
    desk.edit(lambda book: edit_cells("settings", book.tables["settings"],
                                      {(0, "value"): "2026-11-25"}))  # fmt: skip
    assert desk.state().plan is not None
    desk.save()
    assert {path.name for path in place.glob("*.csv")} == {
        "lots.csv", "products.csv", "settings.csv"}  # fmt: skip
    desk.close()


# Rows --------------------------------------------------------------------------------------------


def test_rows_come_and_go(client, desk):
    order = list(desk.table("lots").order)
    client.post("/tables/lots/add", data={"row": str(order[0])})
    assert desk.table("lots").order[0] == order[0] and desk.table("lots").order[2] == order[1]
    assert desk.state().plan is not None, "a blank row is none"
    rows = f"{order[0]},{order[3]},{order[3]}"
    assert client.post("/tables/lots/remove", data={"rows": rows}).is_success
    assert order[0] not in desk.table("lots").order and order[3] not in desk.table("lots").order
    client.post("/undo")
    client.post("/undo")
    assert desk.table("lots").order == order


@pytest.mark.parametrize("rows", ["", "x", "1,", "-1", "1,999999", "9" * 5_000])
def test_rows_that_are_not_there_are_not_taken_out(client, desk, rows):
    assert client.post("/tables/lots/remove", data={"rows": rows}).status_code == 422
    assert not desk.book.done


# Files -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", EDITED_TABLES)
def test_a_table_taken_away_and_read_again_is_the_same(client, desk, name):
    before = [[cell for cell in cells if cell] for cells in desk.table(name).cells()]
    if not before:
        return
    content = client.get(f"/tables/{name}.csv").content
    sent = client.post(f"/tables/{name}/file", files={"file": (f"{name}.csv", content)})
    assert sent.url.path == f"/tables/{name}"
    assert [[cell for cell in cells if cell] for cells in desk.table(name).cells()] == before
    assert not desk.is_unsaved


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("lots.csv", b"", "no file"),
        ("lots.csv", b"lot_id,price\nA,cheap\n", "cheap"),
        ("lots.csv", b"\xff\xfe", "not UTF-8"),
        ("lots.txt", b"lot_id\nA\n", ".csv or .xlsx"),
        ("lots", b"lot_id\nA\n", ".csv or .xlsx"),
        ("lots.xlsx", b"nonsense", "lots.xlsx"),
        ("lots.csv", b"lot_id,color\nA,red\n", "lots.csv"),
    ],
)
def test_a_file_with_any_fault_is_refused_whole(client, desk, name, content, told):
    answer = client.post("/tables/lots/file", files={"file": (name, content)})
    assert answer.status_code in (409, 422)
    assert told in answer.text
    assert not desk.book.done


@pytest.mark.parametrize("back", ["//evil.example", "http://evil.example", "/\\evil", "/a\r\nX: y"])
def test_after_a_file_the_way_back_leads_to_the_desk(client, back):
    content = client.get("/tables/lots.csv").content
    client.follow_redirects = False
    files = {"file": ("lots.csv", content)}
    sent = client.post("/tables/lots/file", files=files, data={"back": back})
    assert sent.headers["location"] == "/tables/lots"
    sent = client.post("/tables/lots/file", files=files, data={"back": "/grinder"})
    assert sent.headers["location"] == "/grinder"
