"""Nothing typed is lost: not by a kill, a full disk, a folder changed behind, a second desk."""

from __future__ import annotations

import csv
import http.client
import json
import os
import random
import shutil
import threading
import time
from pathlib import Path
from urllib.parse import urlencode

import pytest

from blend.desk.book import edit_cells, insert_rows
from blend.desk.desk import EDITED_TABLES, WORK_FOLDER, Desk, kept_columns
from blend.desk.journal import BASE, DRAFTS, EDITS, LOCK, Journal
from blend.errors import FileTrouble, InputRefused
from blend.tables.tables import read_tables
from blend.tables.write import write_plain_workbook
from tests.desk.conftest import client_of, demo_folder, settled, start_desk
from tests.desk.killed import started


@pytest.fixture
def folder(tmp_path):
    return demo_folder(tmp_path)


@pytest.fixture
def desk(folder):
    opened = Desk(folder)
    yield opened
    opened.close()


def type_in(desk: Desk, text: str, place: int = 0, column: str = "price", **more) -> None:
    row_id = desk.table("lots").order[place]
    cell = {(row_id, column): text}
    desk.edit(lambda book: edit_cells("lots", book.tables["lots"], cell), **more)


def cell_of(desk: Desk, place: int = 0, column: str = "price") -> str:
    typed = desk.table("lots")
    return typed.cells()[place][typed.columns.index(column)]


def cells_of(desk: Desk) -> dict[str, list]:
    return {name: table.cells() for name, table in desk.book.tables.items()}


def reopened(desk: Desk, **options) -> Desk:
    desk.close()
    return Desk(desk.place, **options)


# Read back ---------------------------------------------------------------------------------------


def test_what_was_typed_is_there_when_the_desk_is_opened_again(desk):
    type_in(desk, "199")
    type_in(desk, "not a price", 1)
    desk.edit(lambda book: insert_rows("rules", book.tables["rules"], 0, []))
    desk.undo()
    before = cells_of(desk)
    again = reopened(desk)
    assert cells_of(again) == before
    assert again.is_unsaved
    again.redo()
    again.undo()
    again.undo()
    assert cell_of(again, 1) != "not a price"
    again.close()


def test_an_edit_sent_twice_is_made_once_also_after_a_restart(desk):
    new = [("",) * len(desk.table("lots").columns)]

    def add(book):
        return insert_rows("lots", book.tables["lots"], 0, new)

    count = len(desk.table("lots").order)
    desk.edit(add, name="one")
    desk.edit(add, name="one")
    again = reopened(desk)
    again.edit(add, name="one")
    assert len(again.table("lots").order) == count + 1
    again.undo(name="two")
    again.undo(name="two")
    assert len(again.table("lots").order) == count
    again.close()


def test_lines_that_are_not_what_was_written_are_told_not_passed_over(desk):
    type_in(desk, "199")
    desk.close()
    edits = desk.place / WORK_FOLDER / EDITS
    whole = edits.read_bytes()
    for bad in (b"{}\n", b"[]\n", b"nonsense\n", b'{"do": "undo"}\n', b"\xff\n", whole[10:]):
        edits.write_bytes(whole + bad)
        with pytest.raises(
            FileTrouble, match=r"line 2: cannot be read back; move .* out of the way"
        ):
            Desk(desk.place)
    assert edits.read_bytes() == whole + bad
    (desk.place / WORK_FOLDER / BASE).write_text('{"tables": 1}')
    with pytest.raises(FileTrouble, match="cannot be read back"):
        Desk(desk.place)


def test_a_line_that_a_kill_left_half_written_is_none(desk):
    type_in(desk, "199")
    type_in(desk, "200")
    desk.close()
    edits = desk.place / WORK_FOLDER / EDITS
    whole = edits.read_bytes()
    ends = whole.index(b"\n") + 1
    for length in range(ends, len(whole), 23):
        edits.write_bytes(whole[:length])
        again = Desk(desk.place)
        assert cell_of(again) == "199"
        type_in(again, "201")
        again = reopened(again)
        assert cell_of(again) == "201"
        again.close()


def test_only_its_owner_reads_what_is_typed(desk, tmp_path):
    type_in(desk, "199")
    work = desk.place / WORK_FOLDER
    assert work.stat().st_mode & 0o077 == 0
    shared = tmp_path / "shared"
    shared.mkdir(0o755)
    other = reopened(desk, work=shared)
    type_in(other, "199")
    other.journal.keep_draft("note", "secret")
    assert shared.stat().st_mode & 0o777 == 0o755, "a folder of others is left as it is"
    for name in (BASE, EDITS, DRAFTS):
        assert (shared / name).stat().st_mode & 0o077 == 0, name
    other.take_folder()
    for path in shared.iterdir():
        assert path.name == LOCK or path.stat().st_mode & 0o077 == 0, path
    other.close()


# Trouble -----------------------------------------------------------------------------------------


def test_a_disk_that_is_full_refuses_the_edit_and_keeps_the_rest(desk):
    import resource

    type_in(desk, "199")
    size = (desk.place / WORK_FOLDER / EDITS).stat().st_size
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 20, before[1]))
    try:
        with pytest.raises(FileTrouble, match=EDITS):
            type_in(desk, "200", name="again")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert cell_of(desk) == "199"
    type_in(desk, "201", name="again")
    again = reopened(desk)
    assert cell_of(again) == "201"
    again.undo()
    assert cell_of(again) == "199"
    again.close()


def test_two_desks_on_one_folder_are_refused(desk, tmp_path):
    with pytest.raises(FileTrouble, match="another desk is open on these tables"):
        Desk(desk.place)
    elsewhere = Desk(desk.place, work=tmp_path / "elsewhere")
    elsewhere.close()
    desk.close()
    Desk(desk.place).close()


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root writes anywhere")
def test_a_folder_that_cannot_be_written_is_told(folder):
    folder.chmod(0o555)
    try:
        with pytest.raises(FileTrouble, match=WORK_FOLDER):
            Desk(folder)
    finally:
        folder.chmod(0o755)


def test_a_place_for_what_is_typed_that_is_none_is_told(folder, tmp_path):
    (tmp_path / "file").write_text("x")
    for work in (tmp_path / "file", tmp_path / "file" / "under", Path("/proc/nowhere")):
        with pytest.raises(FileTrouble):
            Desk(folder, work=work)


def test_a_case_that_is_not_there_is_told(tmp_path):
    with pytest.raises(FileTrouble, match="no such folder"):
        Desk(tmp_path / "nowhere")
    assert not list(tmp_path.iterdir())


# The folder --------------------------------------------------------------------------------------


def test_saving_writes_what_was_edited_and_nothing_else(desk, folder):
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    type_in(desk, "199")
    assert [path.name for path in desk.save()] == ["lots.csv"]
    assert not desk.is_unsaved
    after = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    assert {name for name in after if after[name] != before.get(name)} == {"lots.csv"}
    with (folder / "lots.csv").open(encoding="utf-8-sig") as file:
        assert next(csv.DictReader(file))["price"] == "199"
    assert desk.save() == ()
    again = reopened(desk)
    assert not again.is_unsaved and not again.is_changed_behind
    again.close()


@pytest.mark.parametrize(
    "text",
    ["=1+1", "'=1+1", "'quoted", " 1 ", "a\nb", "a\r\nb", "\t", ",", ";", '"', "é", "-5", "+1",
     "@x", "''=1", "\ufeff", "1,5"],
)  # fmt: skip
def test_what_was_saved_is_what_the_folder_holds(desk, text):
    type_in(desk, text)
    desk.save()
    again = reopened(desk)
    assert cell_of(again) == text
    assert not again.is_unsaved and not again.is_changed_behind
    again.close()


def test_a_folder_changed_behind_the_desk_is_not_written_over(desk, folder):
    type_in(desk, "199")
    lots = folder / "lots.csv"
    others = lots.read_text("utf-8-sig").replace(cell_of(desk, 1), "321.5", 1)
    lots.write_text(others)
    with pytest.raises(FileTrouble, match="changed since they were read"):
        desk.save()
    assert desk.is_changed_behind
    assert lots.read_text() == others
    again = reopened(desk)
    assert again.is_changed_behind and cell_of(again) == "199"
    again.save(even_if_changed=True)
    assert lots.read_text() != others
    assert not again.is_changed_behind and not again.is_unsaved
    again.close()


def test_taking_the_folder_puts_aside_what_was_typed(desk, folder):
    type_in(desk, "199")
    (folder / "lots.csv").write_text((folder / "lots.csv").read_text().replace("beef", "BEEF", 1))
    revision, book_id = desk.book.revision, desk.book.book_id
    desk.take_folder()
    assert cell_of(desk) != "199" and not desk.is_unsaved
    assert desk.book.revision > revision, "answers of the tables before do not come back"
    assert desk.book.book_id != book_id
    put_aside = sorted((folder / WORK_FOLDER).glob(f"before-*-{EDITS}"))
    assert len(put_aside) == 1 and "199" in put_aside[0].read_text()
    assert len(list((folder / WORK_FOLDER).glob(f"before-*-{BASE}"))) == 1
    type_in(desk, "198")
    again = reopened(desk)
    assert cell_of(again) == "198"
    again.close()


def test_a_folder_changed_while_nothing_was_unsaved_is_taken_as_it_is(desk, folder):
    type_in(desk, "199")
    desk.save()
    desk.close()
    lots = folder / "lots.csv"
    lots.write_text(lots.read_text("utf-8-sig").replace("199", "198"))
    again = Desk(folder)
    assert cell_of(again) == "198" and not again.is_unsaved and not again.is_changed_behind
    again.close()


def test_an_edit_of_a_page_that_shows_other_tables_is_refused(client):
    desk = client.app.state.desk
    old = desk.book.book_id
    fields = {"row": "0", "column": "price", "text": "123", "book": old}
    client.post("/take", data={"book": old})
    for path in ("/tables/lots/cell", "/tables/lots/add", "/undo", "/redo", "/save"):
        answer = client.post(path, data=fields)
        assert answer.status_code == 422, path
        assert "read again" in answer.text and "Load the page again" in answer.text
    assert not desk.book.done
    assert client.post("/tables/lots/cell", data=fields | {"book": desk.book.book_id}).is_success
    assert len(desk.book.done) == 1
    client.post("/take", data={"book": old, "name": "sent again"})
    assert len(desk.book.done) == 1


def test_a_workbook_is_a_case_too_and_is_not_written_over(folder, tmp_path):
    plain = Desk(folder, work=tmp_path / "plain")
    book = tmp_path / "plant.xlsx"
    write_plain_workbook(
        book, {name: kept_columns(t) for name, t in plain.book.tables.items() if t.order}
    )
    total = plain.state().plan.total_usd
    plain.close()
    opened = Desk(book)
    assert opened.state().plan.total_usd == pytest.approx(total)
    type_in(opened, "199")
    content = book.read_bytes()
    with pytest.raises(FileTrouble, match="one workbook, which is not written over"):
        opened.save()
    assert book.read_bytes() == content
    again = reopened(opened)
    assert cell_of(again) == "199"
    again.close()


def test_a_table_kept_as_a_workbook_is_not_written_beside(desk, folder):
    write_plain_workbook(folder / "Rules.xlsx", {"rules": kept_columns(desk.table("rules"))})
    (folder / "rules.csv").unlink()
    again = reopened(desk)
    again.edit(lambda book: insert_rows("rules", book.tables["rules"], 0,
                                        [("x",) * len(book.tables["rules"].columns)]))  # fmt: skip
    with pytest.raises(FileTrouble, match=r"Rules\.xlsx: is a workbook"):
        again.save()
    assert not (folder / "rules.csv").exists()
    again.close()


def test_a_table_is_saved_under_the_name_it_has(desk, folder):
    (folder / "lots.csv").rename(folder / "Lots.CSV")
    again = reopened(desk)
    type_in(again, "199")
    assert [path.name for path in again.save()] == ["Lots.CSV"]
    assert not (folder / "lots.csv").exists()
    assert not read_tables(folder, EDITED_TABLES).problems
    again.close()


def test_two_files_of_one_table_are_told_at_the_start(folder):
    shutil.copy(folder / "lots.csv", folder / "LOTS.csv")
    with pytest.raises(InputRefused, match="lots"):
        Desk(folder)


# Drafts ------------------------------------------------------------------------------------------


def test_drafts_outlive_the_desk(desk):
    desk.journal.keep_draft("note", "half a sen")
    desk.journal.keep_draft("heard", "90s at 340\u2028")
    desk.journal.keep_draft("heard", "")
    again = reopened(desk)
    assert again.journal.drafts == {"note": "half a sen"}
    again.close()


# Killed ------------------------------------------------------------------------------------------


def typist(address: str, stop: threading.Event, done: list[int], begun: list[int]) -> None:
    """Types one number after another, and writes down which ones were answered."""
    origin, key = address.split("/?key=")
    port = int(origin.rsplit(":", 1)[1])
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    try:
        connection.request("GET", f"/?key={key}")
        let_in = connection.getresponse()
        let_in.read()
    except (OSError, http.client.HTTPException):
        return  # killed before it was let in
    headers = {
        "origin": origin,
        "cookie": let_in.headers["set-cookie"].partition(";")[0],
        "content-type": "application/x-www-form-urlencoded",
    }
    number = begun[-1] if begun else 0
    while not stop.is_set():
        number += 1
        fields = {"row": number % 20, "column": "supplier", "text": f"n{number}"}
        begun.append(number)
        try:
            body = urlencode(fields | {"name": f"e{number}"})
            connection.request("POST", "/tables/lots/cell", body, headers)
            answer = connection.getresponse()
            answer.read()
        except (OSError, http.client.HTTPException):
            return
        if answer.status == 200:
            done.append(number)


@pytest.mark.parametrize("kills", [10, pytest.param(200, marks=pytest.mark.long)])
@pytest.mark.slow
def test_a_desk_killed_at_any_moment_has_every_edit_that_it_answered(
    tmp_path, kills, record_property
):
    draw = random.Random(kills)
    folder = demo_folder(tmp_path)
    done: list[int] = []
    begun: list[int] = []
    not_told = 0
    for _ in range(kills):
        process, address = started(folder)
        stop = threading.Event()
        hand = threading.Thread(target=typist, args=(address, stop, done, begun))
        hand.start()
        after = len(done) + draw.randint(0, 8)
        wait_for(lambda after=after: len(done) >= after)
        time.sleep(draw.uniform(0, 0.02))  # so that kills fall into every part of an answer
        process.kill()
        process.join()
        stop.set()
        hand.join()
        lines = (folder / WORK_FOLDER / EDITS).read_bytes().split(b"\n")[:-1]
        kept = [int(json.loads(line)["name"].removeprefix("e")) for line in lines]
        assert len(kept) == len(set(kept)), "an edit was made twice"
        assert set(done) <= set(kept), "an edit that was answered is gone"
        assert set(kept) <= set(begun), "an edit is there that nobody typed"
        not_told += bool(begun) and begun[-1] in set(kept) - set(done)
    desk = Desk(folder)
    place = desk.table("lots").columns.index("supplier")
    cells = [cells[place] for cells in desk.table("lots").cells()]
    last = {number % 20: number for number in sorted(kept)}
    assert [cells[row] for row in sorted(last)] == [f"n{last[row]}" for row in sorted(last)]
    desk.close()
    record_property("edits answered", len(done))
    record_property("kept, not answered", not_told)
    print(f"{kills} kills, {len(done)} edits answered, {not_told} kept and not answered")
    assert len(done) > kills


# In the browser ----------------------------------------------------------------------------------

FIRST_PRICE = "#table-lots .tabulator-row:nth-child({}) [data-column=price]"
OPEN_CELL = ".tabulator-cell.tabulator-editing input"


def type_price(page, row: int, text: str) -> None:
    page.locator(FIRST_PRICE.format(row)).click()
    page.keyboard.type(text)
    page.keyboard.press("Enter")


def wait_for(what, seconds: float = 40) -> None:
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "it does not come about"
        time.sleep(0.05)


def opened_lots(context, served):
    """A page of this browser's context, let in, on the sheet of lots."""
    page = context.new_page()
    page.goto(served.address)
    page.goto(served.origin + "/tables/lots")
    page.wait_for_selector("body[data-ready]")
    return page


@pytest.mark.parametrize("key_stays", [True, False])
def test_edits_wait_in_the_browser_while_the_desk_is_away(browser, tmp_path, key_stays):
    served = start_desk(tmp_path)
    page = opened_lots(browser.new_context(), served)
    type_price(page, 1, "201")
    wait_for(lambda: cell_of(served.desk) == "201")
    page.wait_for_selector("body:not([data-busy])")
    served.stop()
    type_price(page, 2, "202")
    page.wait_for_selector("#connection:not([hidden])")
    assert "1 edit is kept here" in page.inner_text("#connection")
    type_price(page, 3, "203")
    wait_for(lambda: "2 edits" in page.inner_text("#connection"))
    key = served.session if key_stays else "another-key"
    again = start_desk(tmp_path, folder=served.folder, port=served.port, key=key)
    if not key_stays:
        wait_for(lambda: "restarted" in page.inner_text("#connection"))
        assert "2 edits are kept" in page.inner_text("#connection")
        assert cell_of(again.desk, 1) != "202"
        page.goto(again.address)
    wait_for(lambda: cell_of(again.desk, 2) == "203")
    assert [cell_of(again.desk, place) for place in range(3)] == ["201", "202", "203"]
    page.wait_for_selector("#connection", state="hidden")
    assert len(again.desk.book.done) == 3, "each is made once"
    page.wait_for_function("!Object.keys(localStorage).some((key) => /waiting/.test(key))")
    page.context.close()
    again.stop()


def test_edits_that_wait_are_not_sent_to_a_desk_on_other_tables(browser, tmp_path):
    served = start_desk(tmp_path)
    page = opened_lots(browser.new_context(), served)
    served.stop()
    type_price(page, 1, "205")
    page.wait_for_selector("#connection:not([hidden])")
    other = start_desk(tmp_path, port=served.port)
    page.goto(other.origin + "/tables/lots")
    type_price(page, 2, "206")
    settled(page)
    assert cell_of(other.desk) != "205" and cell_of(other.desk, 1) == "206"
    assert len(other.desk.book.done) == 1
    other.stop()
    back = start_desk(tmp_path, folder=served.folder, port=served.port)
    page.goto(back.origin + "/tables/lots")
    wait_for(lambda: cell_of(back.desk) == "205")
    page.context.close()
    back.stop()


def test_another_program_at_the_address_gets_and_loses_nothing(browser, tmp_path):
    """It may answer anything, also that all is well."""
    served = start_desk(tmp_path)
    page = opened_lots(browser.new_context(), served)
    status = 200
    page.route("**/tables/lots/cell*", lambda route: route.fulfill(status=status, body="welcome"))
    type_price(page, 1, "211")
    page.wait_for_selector("#connection:not([hidden])")
    assert "Another desk or program" in page.inner_text("#connection")
    for status in (404, 405, 501, 204):
        with page.expect_response(lambda answer, status=status: answer.status == status):
            pass
    assert not served.desk.book.done
    page.unroute("**/tables/lots/cell*")
    wait_for(lambda: cell_of(served.desk) == "211")
    page.context.close()
    served.stop()


def test_what_the_desk_refuses_is_told_and_does_not_hold_up_the_rest(browser, tmp_path):
    served = start_desk(tmp_path)
    page = opened_lots(browser.new_context(), served)
    gone = served.desk.table("lots").order[0]
    new = client_of(served.desk)
    new.post("/tables/lots/remove", data={"rows": str(gone)})
    type_price(page, 1, "208")
    page.wait_for_selector("#trouble:not(:empty)")
    rows = len(served.desk.table("lots").order)
    page.wait_for_selector(f"#table-lots[aria-rowcount='{rows + 1}']")
    assert "gone" in page.inner_text("#trouble")
    assert "Typed: 208" in page.inner_text("#trouble")
    type_price(page, 1, "209")
    wait_for(lambda: cell_of(served.desk) == "209")
    page.context.close()
    served.stop()


def test_two_windows_on_one_desk_lose_nothing(browser, tmp_path):
    served = start_desk(tmp_path)
    context = browser.new_context()
    pages = [opened_lots(context, served) for _ in range(2)]
    served.stop()
    for number in range(1, 9):
        type_price(pages[number % 2], number, f"30{number}")
    wait_for(lambda: "8 edits" in pages[0].inner_text("#connection"))
    again = start_desk(tmp_path, folder=served.folder, port=served.port)
    wait_for(lambda: len(again.desk.book.done) == 8)
    assert [cell_of(again.desk, place) for place in range(8)] == [f"30{n}" for n in range(1, 9)]
    context.close()
    again.stop()


def test_a_cell_that_is_being_typed_in_outlives_a_reload_and_fresh_rows(browser_page, desk_address):
    page = browser_page
    page.goto(desk_address.split("/?")[0] + "/tables/lots")
    page.locator(FIRST_PRICE.format(2)).click()
    page.keyboard.type("31")
    page.reload()
    page.locator(OPEN_CELL).wait_for()
    assert page.locator(OPEN_CELL).input_value() == "31"
    with page.expect_response("**/tables/lots/add*"):
        page.evaluate("document.querySelector('[data-sheet=add]').click()")
        page.keyboard.type("9")  # just as the rows may come again
    page.keyboard.press("Enter")
    wait_for(lambda: "319" in page.inner_text(FIRST_PRICE.format(2)))


def test_a_journal_in_the_wrong_place_is_told(tmp_path):
    (tmp_path / EDITS).mkdir()
    with pytest.raises(FileTrouble):
        Journal(tmp_path).open_book({})
