"""Whatever is sent: an answer in words, never a failure, a hang or a file that was not asked for.
Whatever is typed: text, and nothing that runs, here or in a spreadsheet."""

from __future__ import annotations

import csv
import io
import logging
import time
from pathlib import Path
from urllib.parse import quote

import pytest
from openpyxl import load_workbook

from blend.desk.desk import EDITED_TABLES, WORK_FOLDER, Desk
from tests.desk.conftest import client_of, demo_folder, desk_options, settled, watched
from tests.desk.requests import Draws, Sent, requests_of

AT_ONCE = 100
LONGEST_S = 60.0
"""Nobody waits so long; what takes longer is shown as running."""


STORES = "desk.db", "market.sqlite"
"""The one that the desk is given, and the one that it makes where it is asked to."""


def contents(folder: Path) -> dict[str, bytes]:
    """All files but those that the desk may write at any time."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and WORK_FOLDER not in path.parts and not path.name.startswith(STORES)
    }


@pytest.mark.parametrize(
    "seed", [0, 1, 2, *(pytest.param(seed, marks=pytest.mark.long) for seed in range(3, 100))]
)
@pytest.mark.slow
def test_no_request_makes_it_fail(tmp_path, seed, caplog, capfd):
    folder = demo_folder(tmp_path)
    desk = Desk(folder, **desk_options(folder))
    client = client_of(desk)
    client.follow_redirects = False
    before = contents(folder.parent)
    failed = []
    with caplog.at_level(logging.WARNING):
        for sent in requests_of(desk, client.app, Draws(seed), AT_ONCE):
            trouble = trouble_of(client, desk, sent)
            if trouble:
                failed.append(f"{trouble}: {sent}")
            if sent.url.startswith(("/save", "/reporter/store")):
                before = contents(folder.parent)
            if desk.state().case is None and len(desk.book.done) > 5:
                desk.take_folder()
    assert not failed, "\n".join(failed)
    assert contents(folder.parent) == before, "a file changed that nobody asked to change"
    said = [record.getMessage() for record in caplog.records if record.levelno > logging.WARNING]
    assert not said
    assert "Traceback" not in "".join(capfd.readouterr())
    desk.close()
    Desk(folder, **desk_options(folder)).close()


def trouble_of(client, desk: Desk, sent: Sent) -> str:
    """What is wrong with the answer; empty where nothing is."""
    began, revision, drafts = time.monotonic(), desk.book.revision, dict(desk.journal.drafts)
    try:
        answer = client.request(sent.method, sent.url, headers=sent.headers, content=sent.body)
    except Exception as error:
        import traceback

        where = traceback.extract_tb(error.__traceback__)
        own = [f"{each.filename.rsplit('/', 1)[-1]}:{each.lineno}" for each in where]
        return f"{type(error).__name__} {str(error)[:200]} at {' '.join(own[-4:])}"
    is_told_to_wait = answer.status_code == 503 and "retry-after" in answer.headers
    if answer.status_code >= 500 and not is_told_to_wait:
        return f"{answer.status_code}"
    if time.monotonic() - began > LONGEST_S:
        return f"{time.monotonic() - began:.0f} s"
    if b"Traceback (most recent" in answer.content:
        return "a traceback in the answer"
    if sent.method != "POST" and (
        desk.book.revision != revision or _is_changed(drafts, desk.journal.drafts)
    ):
        return "something was changed by reading"
    return ""


def _is_changed(drafts: dict[str, str], now: dict[str, str]) -> bool:
    """A note's text as it is made is kept when it is first looked at, and then stays."""
    new = [key for key in now.keys() - drafts.keys() if not key.startswith("note:")]
    return bool(new) or any(now.get(key) != text for key, text in drafts.items())


# Texts that would run ----------------------------------------------------------------------------

RUNS = "<script>window.ran=1</script>"
TEXTS = (
    RUNS,
    '"><img src=x onerror="window.ran=1">',
    "'><svg onload=window.ran=1>",
    "</script><script>window.ran=1</script>",
    "</textarea></title><script>window.ran=1</script>",
    "{{7*7}}${7*7}",
    "javascript:window.ran=1",
    "=cmd|' /C calc'!A0",
    "+1+cmd|' /C calc'!A0",
    "-1+1",
    "@SUM(1)",
    "\t=1+1",
    "\n=1+1",
    "＝1+1",
    "a\tb",
    "a\nb",
    "\u202exfdp.exe",
    "%0d%0aSet-Cookie: x=1",
)
STARTS_FORMULA = tuple("=+-@\t\r\n＝＋－＠")


def fill_with(client, texts) -> None:
    """Every text in every column of every table, by turns."""
    desk = client.app.state.desk
    for name in EDITED_TABLES:
        typed = desk.table(name)
        rows = ["\t".join(quoted(texts[(row + column) % len(texts)])
                          for column in range(len(typed.columns)))
                for row in range(len(texts))]  # fmt: skip
        answer = client.post(f"/tables/{name}/paste", data={"text": "\n".join(rows)})
        assert answer.is_success, answer.text


def quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def test_what_is_taken_away_runs_in_no_spreadsheet(client):
    fill_with(client, TEXTS)
    book = load_workbook(io.BytesIO(client.get("/tables.xlsx").content))
    assert set(book.sheetnames) == set(EDITED_TABLES)
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f", cell.value
                assert not str(cell.value or "").startswith(STARTS_FORMULA), cell.value
    for name in EDITED_TABLES:
        text = client.get(f"/tables/{name}.csv").content.decode("utf-8-sig")
        cells = [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]
        assert any("cmd|" in cell for cell in cells)
        assert not [cell for cell in cells if cell.startswith(STARTS_FORMULA)]


@pytest.mark.parametrize(
    "name", ["../../x.csv", 'a"b.csv', "a\r\nSet-Cookie: x.csv", "é.csv", RUNS]
)
def test_names_of_files_are_plain(client, name):
    from blend.desk.pages import file_response

    sent = file_response(name if "." in name[-5:] else f"{name}.csv", b"")
    shown = sent.headers["content-disposition"]
    assert set(shown) <= set(
        'abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.;=" '
    )
    assert shown.count('"') == 2 and "/" not in shown


@pytest.mark.parametrize("text", TEXTS)
def test_a_text_is_shown_as_it_is_wherever_it_comes_from(client, text):
    """In the name of a file, an address, a field: it comes back escaped or not at all."""
    answers = [
        client.get(f"/tables/lots?only_lots={quote(text)}&from_lots={quote(text)}"),
        client.get(f"/tables/{quote(text, safe='')}"),
        client.get(f"/tables/lots?as={quote(text)}"),
        client.get(f"/{quote(text)}"),
        client.post("/tables/lots/file", files={"file": (text, b"x")}),
        client.post("/tables/lots/file", files={"file": (f"{text}.csv", b"x,y\n<b>,1\n")}),
        client.post("/tables/lots/cell", data={"row": text, "column": text, "text": text}),
        client.post("/tables/lots/cell", data={"row": "0", "column": text, "text": text}),
        client.post("/parts", data={"parts": f"status,problems,{text}"}),
    ]
    for answer in answers:
        assert answer.status_code < 500
        if answer.headers["content-type"].startswith("text/html"):
            assert "<script>window" not in answer.text
            assert "<img src=x" not in answer.text and "<svg onload" not in answer.text
        assert "x" not in answer.cookies


def test_nothing_typed_runs_in_the_browser(browser, served):
    client = client_of(served.desk)
    fill_with(client, TEXTS)
    client.post("/draft", data={"key": "note", "text": RUNS})
    context = browser.new_context()
    page = context.new_page()
    page.add_init_script("window.ran = 0")
    faults = watched(page)
    page.goto(served.address)
    paths = ["/grinder", "/trader", "/reporter", *(f"/tables/{name}" for name in EDITED_TABLES)]
    query = quote(TEXTS[1])
    for path in [*paths, f"/tables/lots?{query}={query}", f"/tables/{query}", f"/{query}"]:
        page.goto(served.origin + path)
        settled(page)
        assert page.evaluate("window.ran") == 0, path
    page.goto(served.origin + "/tables/lots")
    settled(page)
    page.locator("#table-lots [data-column=item]").first.click()
    for text in TEXTS[:5]:
        page.keyboard.press("F2")
        page.keyboard.insert_text(text)
        page.keyboard.press("Enter")
        page.keyboard.press("ArrowUp")
        page.wait_for_selector("body:not([data-busy])")
        assert page.evaluate("window.ran") == 0
    assert not [fault for fault in faults if "404" not in fault and "422" not in fault], faults
    context.close()


def test_a_lot_named_so_is_planned_and_runs_nowhere(browser, served):
    """Sound tables whose names are markup: they reach the plan's tables and pictures."""
    client = client_of(served.desk)
    rows = served.desk.table("lots").order[-2:]  # no rule names them
    for row, text in zip(rows, (RUNS, "a\"><img src=x onerror='window.ran=1'>"), strict=True):
        for column in ("lot_id", "item", "supplier"):
            fields = {"row": str(row), "column": column, "text": f"{text}{row}"}
            assert client.post("/tables/lots/cell", data=fields).is_success
    assert served.desk.state().plan is not None, served.desk.state().problems
    context = browser.new_context()
    page = context.new_page()
    page.add_init_script("window.ran = 0")
    faults = watched(page)
    page.goto(served.address)
    for path in ("/grinder", "/trader", "/reporter", "/tables/lots"):
        page.goto(served.origin + path)
        settled(page)
        assert page.evaluate("window.ran") == 0, path
    assert not faults
    context.close()
