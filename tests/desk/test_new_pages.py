"""Pages for the book, the weekly report, the work order and the recipe matrix."""

from __future__ import annotations

import io
import re
import shutil

from blend.desk.desk import Desk
from blend.desk.help import TOURS, places
from tests.desk.conftest import client_of
from tests.desk.test_grinder import quick, type_cell, wait_for  # noqa: F401
from tests.desk.test_reporter import DAY, HEARD


def test_the_matrix_has_every_used_lot_with_its_row(client):
    plan = client.app.state.desk.state().plan
    page = client.get("/grinder").text
    matrix = page[page.index('class="matrix"') :].split("</table>")[0]
    used = [lot.lot_id for lot in plan.lots if lot.used_lb > 1e-6]
    assert matrix.count('data-goto="lots"') == len(used)
    assert all(f">{lot_id}</a>" in matrix for lot_id in used)


def test_the_work_order_has_every_batch_of_the_plan(quick):  # noqa: F811
    client = quick
    page = wait_for(client, "/grinder/work-order").text
    batches = sum(run.batches for run in _plan(client).runs)
    assert page.count('<h2 id="shown-') == batches
    assert "9 CFR 320.1(b)(4)" in page and "data-print" in page
    assert client.get("/grinder/work-order?order=sideways").status_code == 422


def _plan(client):
    desk = client.app.state.desk
    return desk.jobs.known(desk.book.revision, ("plan",)).result().plan


def test_the_book_is_shown_and_asked_for_where_there_is_none(client, tmp_path):
    page = client.get("/trader/book").text
    assert " gain</dd>" in page and "past week" in page and "Open with counterparties" in page
    assert client.get("/trader/book?as=csv&table=0").status_code == 200
    assert client.get("/trader/book?method=lifo").status_code == 422
    shutil.rmtree(client.app.state.desk.place / "book")
    assert "deals.csv" in client.get("/trader/book").text


def test_the_weekly_report_and_its_files(client):
    page = wait_for(client, "/reporter/weekly").text
    assert "week ending Nov 20, 2026" in page and "data-print" in page
    for name in ("report.md", "script.txt"):
        file = client.get(f"/reporter/weekly/{name}")
        assert file.status_code == 200 and file.text.strip()
    assert client.get("/reporter/weekly/other.txt").status_code == 422


def test_an_odd_price_is_asked_about_in_the_line_and_kept_once_confirmed(client):
    entry = HEARD | {"market_day": DAY, "usd_per_cwt": "3392.5"}
    asked = client.post("/reporter/add", data=entry)
    assert asked.status_code == 422 and "Not kept yet." in asked.text
    confirmed = re.search(r'name="confirmed" value="([^"]+)"', asked.text)[1]
    changed = client.post(
        "/reporter/add", data=entry | {"usd_per_cwt": "3393", "confirmed": confirmed}
    )
    assert "Not kept yet." in changed.text
    kept = client.post("/reporter/add", data=entry | {"confirmed": confirmed})
    assert kept.status_code == 200 and f"Added {entry['entry_id']}" in kept.text


def test_error_pages_keep_the_navigation_and_lead_to_the_cell(client):
    missing = client.get("/grinder/no-such-page")
    assert missing.status_code == 404 and 'href="/trader"' in missing.text
    type_cell(client, "lots", "B73-1", "price", "dear")
    page = client.get("/grinder/plan")
    assert page.status_code == 422 and 'href="/grinder"' in page.text
    assert re.search(r"/tables/lots#cell-lots-\d+-price", page.text)


def test_an_empty_folder_comes_to_a_first_plan(tmp_path):
    desk = Desk(tmp_path)
    client = client_of(desk)
    assert "Your first plan" in client.get("/grinder").text
    lots = [("A", "fresh 50s", "50", "92"), ("B", "fresh 90s", "90", "349")]
    for lot_id, item, lean, price in lots:
        row = {"lot_id": lot_id, "item": item, "species": "beef", "lean": lean, "price": price}
        more = {"table": "lots", "price_unit": "usd_per_cwt", "quantity_lb": "9000",
                "origin": "domestic"}  # fmt: skip
        assert client.post("/grinder/start", data=more | row | {"lean": "lots"}).status_code == 422
        assert client.post("/grinder/start", data=more | row).status_code == 200
    product = {"product_id": "GB", "name": "Ground beef", "species": "beef", "target_lean": "73",
               "tolerance_below_points": "0.5", "tolerance_above_points": "1", "min_lb": "4000",
               "batch_lb": "2000", "blender_min_lb": "1000", "blender_max_lb": "3000"}  # fmt: skip
    page = client.post("/grinder/start", data={"table": "products"} | product).text
    assert "Your first plan" not in page and desk.state().plan is not None
    client.post("/grinder/start")
    assert len(desk.case().lots) > 30
    client.post("/undo", data={"parts": ""})
    assert len(desk.case().lots) == 2
    desk.close()


def test_help_tours_and_the_palette_lead_to_pages_that_are_there(client):
    for path, name in places():
        page = client.get(path)
        assert page.status_code == 200, path
        assert 'class="working"' in page.text or ("1 of" in page.text) == ("Tour" in name)
    for name, steps in TOURS.items():
        last = client.get(f"{steps[-1].path}?tour={name}&stop_at={len(steps) - 1}").text
        assert steps[-1].words in last.replace("&#39;", "'") or 'class="working"' in last
    assert client.get("/help/nowhere").status_code == 422


def test_a_filled_in_work_order_is_compared_with_the_plan(quick):  # noqa: F811
    from openpyxl import load_workbook

    client, path = quick, "/grinder/actuals"
    wait_for(client, "/grinder/work-order")
    assert client.get(path).status_code == 200
    book = load_workbook(io.BytesIO(client.get("/grinder/work-order.xlsx").content))
    for sheet in book.worksheets[1:]:
        titles = {cell.value: cell for row in sheet.iter_rows() for cell in row}
        planned, actual = titles["Planned, lb"], titles["Actual, lb"]
        at = planned.row + 1
        while isinstance(lb := sheet.cell(at, planned.column).value, int | float):
            sheet.cell(at, actual.column, lb + 10)
            at += 1
    book.save(sent := io.BytesIO())
    shown = client.post(path, files={"file": ("order.xlsx", sent.getvalue())}).text
    assert "Over plan" in shown and "against" in shown
    kept = client.app.state.desk.journal.folder / "work_order.xlsx"
    assert kept.stat().st_mode & 0o777 == 0o600
    assert client.get(path + "?as=xlsx").status_code == 200
    refused = client.post(path, files={"file": ("order.xlsx", b"not a workbook")})
    assert refused.status_code == 409 and 'href="/trader"' in refused.text


def test_a_call_is_published_once_and_stands(client):
    call = {"day": DAY, "item": "90s", "way": "up", "chance": "70%", "name": "A. Reporter"}
    published = client.post("/reporter/calls", data=call, follow_redirects=False)
    assert published.status_code == 303
    page = wait_for(client, published.headers["location"]).text
    assert "70" in page and "A. Reporter" in page
    assert client.post("/reporter/calls", data=call | {"way": "down"}).status_code == 422
    for wrong in ({"item": "x"}, {"chance": "200"}, {"name": " "}, {"day": "2026-11-19"}):
        assert client.post("/reporter/calls", data=call | wrong).status_code == 422
