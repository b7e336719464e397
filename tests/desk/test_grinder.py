"""The grinder's pages: in this process, then a grinder's day in a browser."""

from __future__ import annotations

import csv
import html
import io
import json
import re
import time
from dataclasses import replace
from urllib.parse import quote

import pytest
from openpyxl import load_workbook

import blend.grinder.correct
import blend.grinder.plan
from blend.desk.book import delete_rows, edit_cells
from blend.desk.loosening import as_read, row_of
from blend.errors import OutOfTime
from blend.grinder.plan import make_plan
from tests.desk.conftest import counted, keys_and_clicks, settled

EVIL = "<script>alert(1)</script>"
PAGES = ("/grinder", "/grinder/lot/B90-1", "/grinder/why-no-plan", "/grinder/plan",
         "/grinder/batches", "/grinder/correct")  # fmt: skip


def desk_of(client):
    return client.app.state.desk


def type_cell(client, table: str, name: str, column: str, text: str) -> None:
    desk = desk_of(client)
    row_id = row_of(desk.book, table, name)
    desk.edit(lambda book: edit_cells(table, book.tables[table], {(row_id, column): text}))


def wait_for(client, path: str):
    """The page at its end, however long the work behind it takes."""
    answer = client.get(path)
    while 'class="working"' in answer.text:
        time.sleep(0.05)
        answer = client.get(answer.url)
    return answer


def said(page) -> str:
    """What a page says, without its tags."""
    return html.unescape(" ".join(re.sub(r"<[^>]+>", " ", page.text).split()))


@pytest.fixture
def quick(client):
    """A desk whose plan in whole numbers takes no search."""
    type_cell(client, "settings", "whole_containers", "value", "no")
    for rule in ("lots in a blend", "least worth weighing", "apart"):
        desk = desk_of(client)
        row_id = row_of(desk.book, "rules", rule)
        desk.edit(lambda book, row_id=row_id: delete_rows("rules", book.tables["rules"], [row_id]))
    type_cell(client, "lots", "PSW-1", "must_take_all", "no")
    return client


# The sheet with its live plan --------------------------------------------------------------------


def test_the_live_part_shows_cost_floor_and_blends(client):
    page, plan = client.get("/grinder"), desk_of(client).state().plan
    text = said(page)
    assert f"${plan.total_usd:,.0f}" in text
    assert f"${plan.meat_usd_per_lb * 100:.2f}" in text
    assert "As if combos and batches could be split: no plan can be more than" in text
    for product in plan.case.products:
        assert product.name in text
    figure = page.text[page.text.index('data-chart="blends"') :]
    spec = json.loads(figure.split('<script type="application/json">')[1].split("</script>")[0])
    bars = [each for each in spec["datasets"]["bars"] if each["percent"]]
    used = {lot for each in bars for lot in each["lots"].split(", ")}
    assert used == {lot.lot_id for lot in plan.lots if lot.used_lb > 0.5}


def test_changes_count_from_opening_and_then_from_a_pin(client):
    assert "no change since opening" in said(client.get("/grinder"))
    type_cell(client, "lots", "B73-1", "price", "314")
    client.post("/save", data={"parts": ""})
    text = said(client.get("/grinder"))
    assert re.search(r"\$[\d,]+ more since opening", text)
    client.post("/grinder/pin", data={"parts": "live-line"})
    assert re.search(r"no change since \d\d:\d\d", said(client.get("/grinder")))
    answer = client.post("/grinder/unpin", data={"parts": "live-line"})
    assert "more since opening" in said(answer)


def test_copies_stand_side_by_side(client):
    desk, path = desk_of(client), "/grinder/copies"
    imports = [lot.lot_id for lot in desk.case().lots if lot.origin != "domestic"]
    kept = {"name": "without imports", "without": "origin!=domestic"}
    page = client.post(path, data=kept)
    assert page.status_code == 200 and "without imports" in page.text
    totals = client.get(f"{path}?as=csv&table=0").text.splitlines()
    assert len(totals) == 3 and float(totals[2].split(",")[2]) > 0  # fewer lots cost more
    assert client.post(path, data=kept).status_code == 422
    for wrong in ({"name": ""}, {"without": "x"}, {"without": "species=horse"}):
        assert client.post(path, data=kept | {"name": "other"} | wrong).status_code == 422
    copy = re.search(r'name="copy" value="(\w+)"', page.text)[1]
    before = desk.table("lots").cells()
    client.post(f"{path}/use", data={"copy": copy})
    assert not {lot.lot_id for lot in desk.case().lots} & set(imports)
    client.post("/undo", data={"parts": ""})
    assert desk.table("lots").cells() == before
    client.post(f"{path}/delete", data={"copy": copy})
    assert "without imports" not in client.get(f"{path}?as=csv&table=0").text


def test_no_plan_points_to_why(client):
    type_cell(client, "products", "GB93", "min_lb", "900000")
    type_cell(client, "products", "GB93", "max_lb", "900000")
    page = client.get("/grinder")
    assert "No plan meets every requirement" in said(page)
    assert 'href="/grinder/why-no-plan"' in page.text


def test_sliders_stand_where_the_sheet_does(client):
    desk = desk_of(client)
    lot, product = row_of(desk.book, "lots", "I90-1"), row_of(desk.book, "products", "GB80")
    page = client.get(f"/grinder?lot={lot}&product={product}").text
    for column, value in (("price", "3.18"), ("quantity_lb", "24000"),
                          ("tolerance_below_points", "0.5"), ("min_lb", "36000")):  # fmt: skip
        assert re.search(f'value="{re.escape(value)}" data-slide[^>]*data-column="{column}"', page)
    assert 'data-also="max_lb"' in page
    assert client.get("/grinder?lot=none&product=-1").status_code == 200


# One lot -----------------------------------------------------------------------------------------


def test_a_lot_tells_why_and_its_price_can_be_set(client):
    page = client.get("/grinder/lot/B90-1")
    assert "Not used at $349.00/cwt" in said(page)
    fields = dict(re.findall(r'name="(\w+)" value="([^"]*)"', page.text))
    assert fields["text"] == "341.71"
    after = client.post("/grinder/set", data=fields)
    assert after.url.path == "/grinder/lot/B90-1"
    assert "Used: " in said(after)
    client.post("/undo", data={"name": "u"})
    assert "Not used at $349.00/cwt" in said(client.get("/grinder/lot/B90-1"))


def test_a_used_lot_leaves_at_its_price(client):
    fields = dict(
        re.findall(r'name="(\w+)" value="([^"]*)"', client.get("/grinder/lot/B81-1").text)
    )
    assert "Not used at $272" in said(client.post("/grinder/set", data=fields))


@pytest.mark.parametrize(
    ("lot", "words"),
    [
        ("B90-5", "first available Nov 26, 2026"),
        ("HRT-1", "no product today may use it"),
        ("B50-1", "can't fill the orders without it"),
    ],
)
def test_odd_lots(client, lot, words):
    assert words in said(client.get(f"/grinder/lot/{lot}"))


def test_a_lot_that_is_not_there(client):
    answer = client.get(f"/grinder/lot/{quote(EVIL, safe='')}")
    assert answer.status_code == 422
    assert EVIL not in answer.text and "a lot of the sheet" in answer.text


def test_asking_why_leaves_the_plan_as_it_was(client):
    before = desk_of(client).state().plan.total_usd
    for lot in ("B90-1", "I90-1", "B50-1"):
        client.get(f"/grinder/lot/{lot}")
    type_cell(client, "lots", "B90-1", "item", "other 90s")
    assert desk_of(client).state().plan.total_usd == pytest.approx(before, rel=1e-9)


# Why it cannot be met ----------------------------------------------------------------------------


@pytest.mark.slow
def test_a_infeasible_is_eased_by_its_button(client):
    type_cell(client, "products", "GB93", "min_lb", "90000")
    type_cell(client, "products", "GB93", "max_lb", "90000")
    assert desk_of(client).state().plan is None
    page = wait_for(client, "/grinder/why-no-plan")
    assert "Can't fill today's orders" in said(page)
    forms = [
        dict(re.findall(r'name="(\w+)" value="([^"]*)"', form))
        for form in re.findall(r"<form[^>]*ease.*?</form>", page.text, re.DOTALL)
    ]
    assert forms
    done = len(desk_of(client).book.done)
    for fields in forms:
        assert "There is a plan" in said(client.post("/grinder/why-no-plan/ease", data=fields))
        assert len(desk_of(client).book.done) == done + 1
        desk_of(client).undo()
        desk_of(client).book.names.clear()
        fields["revision"] = "99999"
        assert "changed since" in said(client.post("/grinder/why-no-plan/ease", data=fields))
        page = wait_for(client, "/grinder/why-no-plan")
        revision = re.search(r'name="revision" value="(\d+)"', page.text)[1]
        for other in forms:
            other.update(revision=revision, name=f"n{revision}")


def test_nothing_infeasible(client):
    assert "There is a plan" in said(client.get("/grinder/why-no-plan"))
    # a page that was left waiting for a conflict that is gone is loaded again, not nested in itself
    look = client.get("/grinder/why-no-plan", headers={"desk-part": "true"})
    assert look.headers["desk-reload"] == "true" and not look.text


def test_a_number_written_with_thousands_can_be_dragged(client):
    type_cell(client, "lots", "B50-1", "quantity_lb", "12,000")
    type_cell(client, "lots", "B50-1", "price", "$ 92.50")
    row_id = row_of(desk_of(client).book, "lots", "B50-1")
    shown = client.get(f"/grinder?lot={row_id}&columns_lots=all").text
    for column, number in (("quantity_lb", "12000"), ("price", "92.5")):
        slide = re.search(rf'<input type="range"[^>]*data-column="{column}"[^>]*>', shown)[0]
        assert f' value="{number}"' in slide


# The plan in whole numbers -----------------------------------------------------------------------


def test_the_plan_tells_its_tables_and_when_they_changed(quick):
    desk = desk_of(quick)
    page = wait_for(quick, "/grinder/plan")
    plan = make_plan(desk.case())
    assert f"{plan.money.finished_lb:,.0f} lb" in said(page)
    assert "They have not changed since" in said(page)
    of = str(page.url).split("of=")[1]
    assert of == str(desk.book.revision)
    type_cell(quick, "lots", "B73-1", "price", "100")
    page = quick.get(f"/grinder/plan?of={of}")
    assert "The tables have changed since" in said(page)
    fresh = wait_for(quick, "/grinder/plan?of=77777")
    assert f"of={desk.book.revision}" in str(fresh.url)


SEARCH_ON = r'href="([^"]*)">Keep looking'


def test_a_plan_that_was_stopped_is_searched_on_and_never_lost(quick, monkeypatch):
    plan, limits = make_plan(desk_of(quick).case()), []

    def stopped(times, stopped_early=True):
        usd = times * plan.certificate.bound.objective_usd
        bound = replace(plan.certificate.bound, objective_usd=usd, printed_usd=usd)
        certified = replace(plan.certificate, bound=bound)
        return replace(plan, certificate=certified, stopped_early=stopped_early)

    found = iter([stopped(1.05), stopped(1.06), stopped(1.01, stopped_early=False)])

    def planner(case, **named):
        limits.append(case.settings.time_limit_s)
        return next(found)

    monkeypatch.setattr(blend.grinder.plan, "make_plan", planner)
    first = wait_for(quick, "/grinder/plan")
    assert "stopped early" in said(first)
    second = wait_for(quick, html.unescape(re.search(SEARCH_ON, first.text)[1]))
    third = wait_for(quick, html.unescape(re.search(SEARCH_ON, second.text)[1]))
    assert limits[1:] == [2 * limits[0], 4 * limits[0]]
    gaps = [
        re.search(r"more than \$[\d.,]+ \([\d.,]+%\)", said(each))[0]
        for each in (first, second, third)
    ]
    assert gaps[0] == gaps[1] != gaps[2], "a more expensive plan is not taken"
    assert "Keep looking" not in third.text
    taken = html.unescape(re.search(r'href="([^"]*/workbook[^"]*)"', third.text)[1])
    assert f"seconds={4 * limits[0]:g}" in taken and quick.get(taken).status_code == 200
    assert len(limits) == 3


def test_where_no_plan_was_found_in_time_more_time_is_offered(quick, monkeypatch):
    limits = []

    def planner(case, **named):
        limits.append(case.settings.time_limit_s)
        raise OutOfTime("no plan was found in time")

    monkeypatch.setattr(blend.grinder.plan, "make_plan", planner)
    first = wait_for(quick, "/grinder/plan")
    assert "No plan was found in time." in said(first)
    again = wait_for(quick, html.unescape(re.search(SEARCH_ON, first.text)[1]))
    assert "No plan was found in time." in said(again)
    assert limits == [limits[0], 2 * limits[0]]


@pytest.mark.slow
def test_what_can_be_taken_away(quick):
    of = str(wait_for(quick, "/grinder/plan").url).split("of=")[1]
    book = load_workbook(io.BytesIO(quick.get(f"/grinder/plan/workbook?of={of}").content))
    assert len(book.sheetnames) > 5
    rows = list(csv.reader(io.StringIO(quick.get(f"/grinder/plan?of={of}&as=csv&table=0").text)))
    assert rows[0][0].lstrip("\ufeff") == "Product"
    load_workbook(io.BytesIO(quick.get(f"/grinder/plan?of={of}&as=xlsx").content))


def test_batch_sheets_hold_what_a_foreman_needs(quick):
    page = wait_for(quick, "/grinder/batches")
    plan, text = make_plan(desk_of(quick).case()), said(page)
    assert page.text.count('class="sheet-of-paper') == 1 + len(plan.runs)
    for words in ("What to pull", "Tested fat", "Initials", "Scale then shows", "40 °F (4 °C)"):
        assert words in text
    for run in plan.runs:
        for each in run.ingredients:
            assert f"{each.pounds_lb:,.0f}" in text
        assert f"{run.batches} batch" in text


# A batch adjusted -------------------------------------------------------------------------------


def test_an_adjustment_that_the_check_does_not_confirm_is_not_shown(client, monkeypatch):
    right = blend.grinder.correct.correct_batch

    def wrong(*args):
        made = right(*args)
        return replace(made, cost_usd=made.cost_usd + 1)

    asked = "/grinder/correct?product=GB80&held_lb=3900&fat=23.1&readings=2&lot:B90-1=yes"
    assert "Checked exactly, without the solver" in said(wait_for(client, asked))
    monkeypatch.setattr(blend.grinder.correct, "correct_batch", wrong)
    refused = said(wait_for(client, f"{asked}&test_cost=7"))
    assert "The certificate of the adjustment of GB80 fails" in refused
    assert "Checked exactly" not in refused


def test_a_form_that_cannot_be_read_tells_all_at_once(client):
    text = said(client.get("/grinder/correct?product=GB80&held_lb=nan&fat=130&readings=0"))
    for label in ("Finished pounds in the blender", "Fat as tested", "How many readings"):
        assert f"{label}" in text
    assert text.count("must be a number from") == 3
    page = client.get(f"/grinder/correct?product={quote(EVIL)}&held_lb=1&fat=1")
    assert EVIL not in page.text and "a product of the sheet" in page.text


def test_the_form_is_remembered(client):
    kept = json.dumps({"product": "GB85", "held_lb": "1234", "fat": "16.5", "lot:B90-1": "yes"})
    client.post("/draft", data={"key": "grinder correct", "text": kept})
    page = client.get("/grinder/correct").text
    assert 'value="1234"' in page and '<option value="GB85" selected>' in page
    assert 'name="lot:B90-1" value="yes" checked' in page
    client.post("/draft", data={"key": "grinder correct", "text": "[1"})
    assert client.get("/grinder/correct").status_code == 200


# Names that mean harm ----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", [EVIL, "=1+1", "a/b?c#d", '"><img src=x>'])
def test_any_name_stays_text_everywhere(quick, name):
    (desk_of(quick).place / "lean_spread.csv").unlink()  # it names the lot too
    for table, old, column in (("lots", "B73-1", "lot_id"), ("lots", "B73-1", "item"),
                               ("products", "GB80", "name")):  # fmt: skip
        if column == "item":
            old = name
        type_cell(quick, table, old, column, name)
    desk = desk_of(quick)
    assert any(lot.lot_id == as_read(name) for lot in desk.case().lots), desk.state().problems
    paths = [*PAGES, f"/grinder/lot/{quote(name, safe='')}", "/tables/lots"]
    for path in paths:
        page = wait_for(quick, path)
        assert page.status_code == 200, path
        assert "<script>alert" not in page.text and "<img src=x" not in page.text, path
        if path not in ("/grinder/why-no-plan", "/grinder/correct", "/tables/lots"):
            assert name in html.unescape(page.text), path
    for path in paths[:1] + paths[3:5] + paths[6:7]:
        where = wait_for(quick, path).url
        joint = "&" if where.query else "?"
        sheet = quick.get(f"{where}{joint}as=xlsx")
        for each in load_workbook(io.BytesIO(sheet.content)):
            cells = [cell for row in each for cell in row if cell.data_type == "f"]
            assert not cells, f"{path}: {cells}"
        for number in range(3):
            text = quick.get(f"{where}{joint}as=csv&table={number}").text
            for row in csv.reader(io.StringIO(text)):
                assert not any(cell.startswith("=") for cell in row), path


# A day in a browser ------------------------------------------------------------------------------


def cost(page) -> float:
    shown = page.locator("#live-line dd").first.inner_text()
    return float(shown.split()[0].replace(",", "").removeprefix("$"))


def cell(page, table: str, name: str, column: str):
    row = page.locator(f"#table-{table} .tabulator-row").filter(
        has=page.locator(".pinned", has_text=re.compile(f"^{re.escape(name)}$"))
    )
    return row.locator(f"[data-column='{column}']")


def test_editing_by_keyboard_pasting_dragging_and_undoing(browser_page):
    page = browser_page
    counted(page)
    page.goto(page.url.split("/grinder")[0] + "/grinder")
    before = cost(page)
    cell(page, "lots", "B73-1", "price").click()
    page.keyboard.type("314")
    page.keyboard.press("Enter")
    settled(page)
    after = cost(page)
    assert after > before
    page.wait_for_selector("#live-line .change")
    # three rows from a spreadsheet, over prices from B81-1 down
    cell(page, "lots", "B81-1", "price").click()
    page.evaluate(
        """() => {
          const data = new DataTransfer();
          data.setData("text/plain", "250\\n245\\n255\\n");
          document.activeElement.dispatchEvent(
            new ClipboardEvent("paste", {clipboardData: data, bubbles: true}));
        }"""
    )
    settled(page)
    assert cell(page, "lots", "B81-3", "price").inner_text() == "255"
    pasted = cost(page)
    assert pasted < after
    # a drag of many steps is one to undo
    page.select_option("#try-lot", label="B65-1, fresh 65s")
    settled(page)
    slider = page.locator("#try input[type=range][data-column=price]")
    slider.scroll_into_view_if_needed()
    box = slider.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    for step in range(1, 9):
        page.mouse.move(box["x"] + box["width"] * (0.5 + step / 20), box["y"] + 8)
        page.wait_for_timeout(60)  # a hand that takes its time
    page.mouse.up()
    settled(page)
    dragged = cell(page, "lots", "B65-1", "price").inner_text()
    assert float(dragged) > 160
    assert page.locator("#try input[type=number][data-column=price]").input_value() == dragged
    assert cost(page) > pasted
    page.get_by_role("button", name="Undo").click()
    settled(page)
    assert cell(page, "lots", "B65-1", "price").inner_text() == "158"
    assert cost(page) == pasted
    for _ in range(2):
        page.get_by_role("button", name="Undo").click()
        settled(page)
    assert cost(page) == before
    keys, clicks = keys_and_clicks(page)
    assert keys <= 4 and clicks <= 6


def test_cells_are_filled_down_by_key_and_by_hand_and_taken_over(browser_page):
    page = browser_page
    settled(page)
    prices = [cell(page, "lots", name, "price") for name in ("B65-1", "B65-2", "B73-1", "B73-2")]
    prices[0].click()
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Control+d")
    settled(page)
    assert prices[1].inner_text() == "158"
    # the handle repeats both rows over the two below them
    prices[1].dblclick()
    page.keyboard.type("159")
    page.keyboard.press("Enter")
    settled(page)
    prices[0].click()
    page.keyboard.press("Shift+ArrowDown")
    handle, end = page.locator(".fill-handle").bounding_box(), prices[3].bounding_box()
    page.mouse.move(handle["x"] + 4, handle["y"] + 4)
    page.mouse.down()
    page.mouse.move(end["x"] + 10, end["y"] + 10, steps=4)
    page.mouse.up()
    settled(page)
    assert [each.inner_text() for each in prices] == ["158", "159", "158", "159"]
    page.get_by_role("button", name="Undo").click()
    settled(page)
    assert prices[3].inner_text() == "219"
    # what cannot be read keeps the last plan, stale, and is taken over by one click
    before = cost(page)
    prices[0].click()
    page.keyboard.type("$157.50x")
    page.keyboard.press("Enter")
    page.wait_for_selector("#live-line.stale")
    assert cost(page) == before and "B65-1 price" in page.inner_text("#live-line")
    page.locator("#table-lots button[data-use]").click()
    settled(page)
    assert prices[0].inner_text() == "157.5"
    assert page.locator("#live-line.stale").count() == 0, page.inner_text("#live-line")
    page.fill("#sheet-lots [data-filter-box]", "B65-1 | B73-2")
    assert page.locator("#table-lots .tabulator-row").count() == 2


def test_the_plan_and_its_sheets_are_printed(browser_page, tmp_path):
    page = browser_page
    origin = page.url.split("/grinder")[0]
    page.goto(f"{origin}/grinder/plan")
    page.get_by_role("heading", name="Pull and buy").wait_for(timeout=90_000)
    page.goto(f"{origin}/grinder/batches")
    page.get_by_role("heading", name="What to pull").wait_for(timeout=90_000)
    sheets = page.locator(".sheet-of-paper").count()
    data = page.pdf(format="Letter")
    pages = len(re.findall(rb"/Type\s*/Page[^s]", data))
    assert pages == sheets, "each recipe on one sheet of paper"
