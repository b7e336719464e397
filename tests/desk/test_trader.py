"""The trader's pages: what they show, how they follow the sheets, and what they refuse."""

from __future__ import annotations

import csv
import io
import json
import re
import time
from html import unescape
from pathlib import Path
from urllib.parse import quote

import pytest
from openpyxl import load_workbook

from blend.desk.jobs import Job
from blend.model.horizon import solve_horizon
from blend.tables.positions import read_horizon
from blend.tables.quotations import read_quotations
from blend.trader.curves import demand_curve
from blend.trader.import_parity import at_rate, land
from blend.trader.lean_fat import value_days
from blend.trader.scenarios import ScenarioJob, run_scenarios
from blend.units import LB_PER_CWT
from tests.desk.conftest import DEMO, counted, keys_and_clicks
from tests.desk.conftest import settled as page_settled


def desk_of(client):
    return client.app.state.desk


def text_of(html: str) -> str:
    """What is read of a page: no tags, blanks as one."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", html)).split())


def edit(client, table: str, where: dict[str, str], column: str, text: str, parts: str = "") -> str:
    """Type into the cell of the first row that matches `where`; the parts that come."""
    typed = desk_of(client).table(table)
    row_id = next(
        row_id
        for row_id in typed.order
        if all(typed.rows[row_id][typed.columns.index(n)] == v for n, v in where.items())
    )
    fields = {"row": str(row_id), "column": column, "text": text, "parts": parts}
    answer = client.post(f"/tables/{table}/cell", data=fields)
    assert answer.status_code == 200, answer.text
    return answer.text


def settled(client, path: str, **more) -> str:
    """A part that loads itself, once its work is done."""
    until = time.monotonic() + 60
    while True:
        answer = client.get(path, **more)
        assert answer.status_code == 200, answer.text
        if 'class="working"' not in answer.text:
            return answer.text
        assert time.monotonic() < until, f"{path} is never done"
        time.sleep(0.1)


def workbook_of(answer):
    assert answer.status_code == 200, answer.text
    assert "attachment" in answer.headers["content-disposition"]
    return load_workbook(io.BytesIO(answer.content))


def rows_of(answer) -> list[list[str]]:
    assert answer.status_code == 200, answer.text
    return list(csv.reader(io.StringIO(answer.text.removeprefix("\ufeff"))))


# Lean and fat ------------------------------------------------------------------------------------


def test_lean_and_fat_are_those_of_the_command(client):
    value = max(
        (v for v in value_days(read_quotations(DEMO).quotations) if v.species == "beef"),
        key=lambda v: v.quoted_on,
    )
    read = text_of(client.get("/trader").text)
    for usd in (value.fitted.lean_usd_per_lb, value.fitted.fat_usd_per_lb):
        assert f"{usd * LB_PER_CWT:,.2f} ±" in read
    for item in value.items:
        assert f"{item.distance_usd_per_lb * LB_PER_CWT:,.2f}" in read


def test_the_line_and_its_tables_follow_an_edit(client):
    where = {"item": "81s", "quoted_on": "2026-11-25"}
    before = text_of(client.get("/trader").text)
    fresh = edit(client, "quotations", where, "price", "380", "trader-value,trader-tables")
    assert fresh.count("data-part") == 2
    after = text_of(fresh)
    assert "Cheap, under the line of the other items: 81s" in before
    assert re.search(r"Rich, over the line of the other items: 81s \$\d", after)
    client.post("/undo", data={})
    assert "Cheap, under the line" in text_of(client.get("/trader").text)


def test_a_part_keeps_to_what_the_page_asks_for(client):
    """After an edit the page's own query comes with the parts that are asked for."""
    answer = client.post("/parts?species=pork&day=2026-10-21", data={"parts": "trader-value"})
    assert "Pork, Oct 21, 2026" in text_of(answer.text)


def test_what_is_wrong_with_quotations_is_shown_at_the_sheet(client):
    fresh = edit(client, "quotations", {"item": "81s"}, "price", "dear", "trader-value,status")
    assert 'price: "dear"' in unescape(text_of(fresh)) and 'id="status"' in fresh
    answer = client.get("/trader")
    assert answer.status_code == 200 and 'price: "dear"' in unescape(text_of(answer.text))
    assert 'id="grid-quotations"' in answer.text
    # the part that loads itself does not show it a second time, as if the edit were refused
    assert client.get("/trader/through").text == ""


@pytest.mark.parametrize(
    ("table", "where", "column", "text", "read"),
    [
        ("quotations", {"item": "81s"}, "price", "dear", "dear"),
        ("foreign_offers", {"offer_id": "NZ90"}, "price", "-3", "-3"),
        ("foreign_offers", {"offer_id": "NZ90"}, "usd_per_currency", "", "blank"),
    ],
)
def test_a_fault_is_marked_in_its_cell(client, table, where, column, text, read):
    def marked():
        answer = client.post("/parts", data={"parts": "marks"}).text
        (data,) = re.findall(r"<script[^>]*>(.*?)</script>", answer)
        return json.loads(data)["faults"].get(table, [])

    assert not marked()
    edit(client, table, where, column, text)
    ((row, place, words, _),) = marked()
    typed = desk_of(client).table(table)
    assert place == column and read in words
    assert typed.rows[row][typed.columns.index(column)] == text
    client.post("/undo", data={})
    assert not marked()


def test_without_quotations_there_is_a_sheet_to_type_them_into(client):
    rows = ",".join(map(str, desk_of(client).table("quotations").order))
    client.post("/tables/quotations/remove", data={"rows": rows})
    answer = client.get("/trader")
    assert answer.status_code == 200 and "quotations, item: " in text_of(answer.text)
    assert 'id="grid-quotations"' in answer.text


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("fit=all", "Beef, Nov 25, 2026"),
        ("fit=frozen", "Too few items"),
        ("by_pounds=yes", "Beef, Nov 25, 2026"),
        ("species=pork", "Pork, Nov 25, 2026"),
        ("day=2026-10-28", "Beef, Oct 28, 2026"),
        ("day=1999-01-01", "quoted_on: "),
        ("species=veal", "beef, pork"),
    ],
)
def test_the_line_is_fitted_as_asked(client, query, words):
    answer = client.get(f"/trader?{query}")
    assert answer.status_code == 200 and words in text_of(answer.text)


def test_counting_by_pounds_needs_pounds_in_every_row(client):
    edit(client, "quotations", {"item": "81s"}, "pounds_lb", "")
    assert "pounds_lb: " in text_of(client.get("/trader?by_pounds=yes").text)
    assert "pounds_lb" not in text_of(client.get("/trader").text).split("Quotations")[0]


def test_lean_minus_fat_through_time_has_every_day_of_the_species(client):
    read = text_of(settled(client, "/trader/through?species=pork"))
    days = {q.quoted_on for q in read_quotations(DEMO).quotations if q.species == "pork"}
    assert len(days) > 3 and all(f"{day} pork" in read for day in days)
    assert "on 6 days" in settled(client, "/trader/through?species=pork")


# Lots --------------------------------------------------------------------------------------------


def test_every_lot_is_there_with_its_value(client):
    state = desk_of(client).state()
    rows = rows_of(client.get("/trader/lots?as=csv&table=0"))
    assert {row[0] for row in rows[1:]} == {lot.lot_id for lot in state.case.lots}
    by_lot = {row[0]: row for row in rows[1:]}
    for live in state.plan.lots:
        lot, row = state.case.lot(live.lot_id), by_lot[live.lot_id]
        if live.value_usd_per_lb is None:
            assert row[6] == "" and row[8] == "no blend may hold it"
            continue
        value, price = live.value_usd_per_lb * LB_PER_CWT, lot.delivered_usd_per_lb * LB_PER_CWT
        assert float(row[6]) == pytest.approx(value, abs=0.005)
        apart = value - price
        expected = "at its price" if abs(apart) < 0.005 else "cheap" if apart > 0 else "rich"
        assert row[8] == expected
    assert by_lot["B90-5"][8] == "first available Nov 26, 2026"


def test_a_mix_is_made_of_the_lots_asked_for_and_never_of_meat_no_product_may_have(client):
    anything = rows_of(client.get("/trader/lots?as=csv"))
    fresh = rows_of(client.get(f"/trader/lots?as=csv&among={quote('fresh_or_frozen=fresh')}"))
    assert any("I9" in row[11] for row in anything[1:])
    assert not any("I9" in row[11] for row in fresh[1:])
    assert not any("HRT-1" in row[11] for row in (*anything[1:], *fresh[1:]))


def test_lots_follow_an_edit(client):
    client.get("/trader/lots")
    fresh = edit(client, "lots", {"lot_id": "B90-1"}, "price", "300", "trader-lots")
    assert 'id="trader-lots"' in fresh
    read = text_of(settled(client, "/trader/lots/table"))
    assert "B90-1 fresh 90s 90.2 16,000 16,000 300.00" in read


@pytest.mark.parametrize("name", ["A/B 1", "<b>x</b> a&b?c=d#e 50% über"])
def test_a_lot_of_any_name_has_its_page(client, name):
    edit(client, "lots", {"lot_id": "B90-1"}, "lot_id", name)
    html = client.get("/trader/lots").text
    assert f'href="/trader/lot/{quote(name, safe="")}"' in html
    assert name.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;") in html
    page = client.get(f"/trader/lot/{quote(name, safe='')}")
    assert page.status_code == 200
    part = unescape(re.search(r'data-load="(/trader/demand[^"]*)"', page.text)[1])
    drawn = settled(client, part)
    assert f"Break-even of {name}: what you would use" in unescape(text_of(drawn))
    assert "<b>x</b>" not in drawn


# One lot -----------------------------------------------------------------------------------------


def test_the_curve_of_a_lot_has_its_steps_and_its_certificate(client):
    read = text_of(settled(client, "/trader/demand?lot=B90-1"))
    curve = demand_curve(desk_of(client).case(), "B90-1")
    for each in curve.breakpoints:
        assert f"{each.usd_per_lb * LB_PER_CWT:,.2f} {each.max_lb - each.min_lb:,.0f}" in read
    assert "in exact arithmetic and without the solver" in read
    assert "could be split" in read and "plan takes" in read
    supply = text_of(settled(client, "/trader/supply?lot=B90-1"))
    assert "Break-even of B90-1 by pounds" in supply and "in exact arithmetic" in supply


def test_two_lots_have_regions(client):
    page = client.get("/trader/lot/B90-1?with=B90-2&around=4").text
    assert 'data-load="/trader/regions?' in page
    read = text_of(settled(client, "/trader/regions?lot=B90-1&with=B90-2&around=4"))
    assert "Who buys what: first B90-1, second B90-2" in read
    assert "in exact arithmetic and without the solver" in read
    assert "/trader/regions?" not in client.get("/trader/lot/B90-1").text


def test_a_lot_that_cannot_be_used_says_why(client):
    answer = client.get("/trader/lot/B90-5")
    assert answer.status_code == 422 and "first available Nov 26, 2026" in text_of(answer.text)


# Landed ------------------------------------------------------------------------------------------


def test_offers_are_landed_with_their_warnings(client):
    html = client.get("/trader/landed").text
    read = text_of(html)
    assert "before the entry of NZ90" in read
    assert "AUD 10.625/kg" in read and "0.6893" in read
    for offer_id in ("NZ90", "AU90", "UY85", "BR90"):
        assert f"{offer_id}: frozen" in read
    assert 'id="grid-foreign_offers"' in html and 'id="grid-import_rates"' in html


def test_a_new_exchange_rate_moves_the_landed_price(client):
    from blend.tables.imports import read_imports

    read = read_imports(DEMO)
    offer = next(o for o in read.offers if o.offer_id == "NZ90")
    landed = [land(each, read.rates).landed_usd_per_lb for each in (offer, at_rate(offer, 0.62))]
    shown = [f"{usd * LB_PER_CWT:,.2f}" for usd in landed]
    assert shown[0] != shown[1] and shown[0] in text_of(client.get("/trader/landed").text)
    where, parts = {"offer_id": "NZ90"}, "trader-landed,trader-builds"
    fresh = edit(client, "foreign_offers", where, "usd_per_currency", "0.62", parts)
    assert fresh.count("data-part") == 2
    assert text_of(fresh).count(shown[1]) >= 2 and shown[0] not in text_of(fresh)


def test_an_offer_that_lacks_a_rate_is_told_and_the_others_are_landed(client):
    fresh = edit(
        client, "foreign_offers", {"offer_id": "NZ90"}, "assessment_usd_per_kg", "", "trader-landed"
    )
    read = text_of(fresh)
    assert "NZ90: no assessment rate" in read and "AU90" in read.split("Imports against")[1]
    assert "NZ90" not in read.split("Imports against")[1]


def test_an_offer_that_is_gone_is_told_and_another_drawn(client):
    read = text_of(client.get("/trader/landed?offer=XX").text)
    assert "NZ90, AU90, UY85, BR90" in read
    assert "Imports against fresh" in read


# Days and scenarios ------------------------------------------------------------------------------

OUTLOOK = "as_if_split=yes&no_break_even=yes&run=yes"


def test_days_are_planned_when_asked(client):
    assert "/trader/positions/answer" not in client.get("/trader/positions").text
    assert "/trader/positions/answer" in client.get(f"/trader/positions?{OUTLOOK}").text
    read = text_of(settled(client, f"/trader/positions/answer?{OUTLOOK}"))
    cost = solve_horizon(read_horizon(DEMO).horizon, divisible=True).answer.objective
    assert f"${cost:,.0f}." in read and "Day by day" in read
    rows = rows_of(client.get(f"/trader/positions/ledger.csv?{OUTLOOK}"))
    assert rows[0][:2] == ["day", "lot_id"] and len(rows) > 50
    assert len(workbook_of(client.get(f"/trader/positions?{OUTLOOK}&as=xlsx")).sheetnames) > 5


def test_a_folder_without_orders_says_what_is_missing(tmp_path):
    from blend.desk.desk import Desk
    from tests.desk.conftest import client_of, demo_folder

    folder = demo_folder(tmp_path)
    for name in ("orders", "scenarios"):
        (folder / f"{name}.csv").unlink()
    desk = Desk(folder)
    client = client_of(desk)
    for path, name in (("positions", "orders"), ("scenarios", "scenarios")):
        html = client.get(f"/trader/{path}").text
        assert 'name="run"' not in html and f'data-table="{name}"' in html
        assert client.get(f"/trader/{path}/answer").status_code == 422
    desk.close()


def test_orders_that_nothing_can_fill_are_told_with_what_frees_them(client):
    orders = desk_of(client).table("orders")
    (row,) = [r for r in orders.order if "14000" in orders.rows[r]][:1]
    edits = [{"row": row, "column": c, "text": "9000000"} for c in ("min_lb", "max_lb")]
    client.post("/tables/orders/cell", data={"edits": json.dumps(edits)})
    read = text_of(settled(client, f"/trader/positions/answer?{OUTLOOK}"))
    assert "No plan exists" in read
    assert client.get(f"/trader/positions?{OUTLOOK}&as=xlsx").status_code == 422


def test_an_answer_says_when_the_tables_were_edited_since(client):
    revision = desk_of(client).book.revision
    assert "changed since" not in client.get(f"/trader/since?revision={revision}").text
    edit(client, "lots", {"lot_id": "B90-1"}, "price", "300")
    assert "changed since" in client.get(f"/trader/since?revision={revision}").text


def test_scenarios_are_those_of_the_command(client):
    query = "draws=20&seed=7&run=yes"
    read = text_of(settled(client, f"/trader/scenarios/answer?{query}"))
    assert "imports $20 higher" in read and "20 draws, seed 7" in read
    rows = rows_of(client.get(f"/trader/scenarios/rows.csv?{query}"))
    assert [row[0] for row in rows[-2:]] == ["draw 19", "draw 20"]
    assert len(workbook_of(client.get(f"/trader/scenarios?{query}&as=xlsx")).sheetnames) == 4


# Files and pictures ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "sheets"),
    [
        ("/trader?as=xlsx", 5),
        ("/trader/lots?as=xlsx", 1),
        ("/trader/lot/B90-1?as=xlsx", 3),
        ("/trader/lot/B90-1?with=B90-2&as=xlsx", 4),
        ("/trader/landed?as=xlsx", 6),
    ],
)
def test_a_page_is_taken_away_as_a_workbook(client, path, sheets):
    book = workbook_of(client.get(path))
    assert len(book.sheetnames) == sheets
    assert all(sheet.max_row > 1 for sheet in book)


@pytest.mark.parametrize("path", ["/trader", "/trader/lots", "/trader/landed"])
def test_every_file_that_a_page_offers_is_there(client, path):
    html = client.get(path).text
    taken = r'href="([^"]*(?:[?&;]as=|\.(?:csv|xlsx|svg|png|pdf))[^"]*)"'
    links = [unescape(each) for each in re.findall(taken, html) if "/static/" not in each]
    assert len(links) >= 2
    for link in links:
        answer = client.get(link)
        assert answer.status_code == 200 and answer.content, link
        assert "attachment" in answer.headers["content-disposition"]


def test_files_of_a_lot_are_those_that_its_parts_offer(client):
    links = 0
    for part in ("/trader/demand", "/trader/supply", "/trader/regions"):
        html = settled(client, f"{part}?lot=B90-1&with=B90-2")
        for link in re.findall(r'href="([^"]*as=csv[^"]*)"', html):
            header = rows_of(client.get(unescape(link)))[0]
            assert all(name.split(", ")[0] in text_of(html) for name in header)
            links += 1
    assert links == 4


FILES = [
    "/trader?as=xlsx",
    "/trader/lots?as=csv&table=0",
    "/trader/lot/B90-1?as=xlsx",
    "/trader/positions?as_if_split=yes&as=xlsx",
    "/trader/positions/ledger.csv?as_if_split=yes",
    "/trader/scenarios?draws=0&as=xlsx",
    "/trader/scenarios/rows.csv?draws=0",
]


@pytest.mark.parametrize("path", FILES)
def test_a_file_that_is_long_in_coming_says_so(client, monkeypatch, path):
    monkeypatch.setattr(Job, "wait", lambda job, seconds: False)
    answer = client.get(path)
    assert answer.status_code == 503 and int(answer.headers["retry-after"]) > 0
    assert "Still working" in text_of(answer.text)
    assert "content-disposition" not in answer.headers
    desk_of(client).jobs.close(60)  # nothing of it runs on into the tests that follow


BAD = [
    "/trader?fit=both",
    "/trader?by_pounds=perhaps",
    "/trader?species=unicorn",
    "/trader?day=yesterday",
    "/trader?day=2026-13-40",
    "/trader?as=docx",
    "/trader?as=csv&table=99",
    "/trader?as=csv&table=-1",
    "/trader/through?fit=both",
    "/trader/lots?among=nonsense",
    "/trader/lot/NOPE",
    "/trader/lot/%3Cscript%3E",
    "/trader/lot/B90-1?with=NOPE",
    "/trader/lot/B90-1?with=B90-1",
    *(
        f"/trader/lot/B90-1?{name}={text}"
        for name in ("from", "to", "around")
        for text in ("x", "nan", "inf", "-inf", "-1", "1e300", "1,000", "1" * 400)
    ),
    "/trader/lot/B90-1?to=0",
    "/trader/lot/B90-1?around=0",
    "/trader/lot/B90-1?from=350&to=340",
    "/trader/lot/B90-1?without_limit=maybe",
    "/trader/demand",
    "/trader/demand?lot=NOPE",
    "/trader/supply?lot=",
    "/trader/regions?lot=B90-1",
    "/trader/landed?as=csv&table=x",
    "/trader/positions?as_if_split=1",
    "/trader/positions/answer?no_break_even=2",
    *(
        f"/trader/scenarios?{name}={text}"
        for name in ("draws", "seed")
        for text in ("x", "-1", "1.5", "nan", "inf", "9" * 30, "²", "٣")
    ),
    "/trader/scenarios?draws=100001",
    "/trader/since?revision=x",
]


def test_what_cannot_be_asked_is_refused_in_words(client):
    told = []
    for path in BAD:
        answer = client.get(path)
        if answer.status_code != 422 or "must be" not in text_of(answer.text):
            told.append((path, answer.status_code))
    assert not told


# In the browser ----------------------------------------------------------------------------------


def test_the_trader_s_day(browser_page, served):
    page, origin = browser_page, served.origin
    page.goto(f"{origin}/trader")
    counted(page)
    lean = page.locator("#trader-value dd").first
    before = lean.text_content()
    chart = page.locator("#trader-value .chart svg").first
    drawn = chart.inner_html()

    page_settled(page)
    page.get_by_role("button", name="Only this day in the sheet").click()
    row = page.locator("#table-quotations .tabulator-row", has_text="93s").first
    row.locator("[data-column='price']").click()
    page.keyboard.type("395")
    page.keyboard.press("Enter")
    expect_other(lean, before)
    page.wait_for_function(
        "(drawn) => document.querySelector('#trader-value .chart svg')?.innerHTML !== drawn",
        arg=drawn,
    )
    assert page.locator("#trader-tables").get_by_text("395.00").count() >= 1

    page.get_by_role("link", name="Lots", exact=True).click()
    page_settled(page)
    head = page.locator("#trader-lots th", has_text="Worth").first
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "descending"
    page.get_by_role("link", name="B90-1", exact=True).click()
    page.locator(".demand .chart svg").wait_for()
    page.locator(".supply tbody tr").first.wait_for()
    svg = page.locator(".demand .chart svg")
    said = svg.get_by_text("you use")
    before = said.last.text_content()
    box = svg.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + 100)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.95, box["y"] + 100, steps=4)
    page.mouse.up()
    expect_other(said.last, before)
    assert page.locator(".demand tbody tr").count() >= 3

    page.get_by_role("link", name="Landed", exact=True).click()
    dearer = page.locator("#trader-landed tbody tr", has_text="NZ90").first.locator("td").nth(2)
    before = dearer.text_content()
    page_settled(page)
    row = page.locator("#table-foreign_offers .tabulator-row", has_text="NZ90")
    row.locator("[data-column='usd_per_currency']").click()
    page.keyboard.type("0.61")
    page.keyboard.press("Enter")
    expect_other(dearer, before)

    with page.expect_download() as download:
        page.get_by_role("link", name="This page as a workbook").click()
    book = load_workbook(io.BytesIO(Path(download.value.path()).read_bytes()))
    assert book.sheetnames[0].startswith("1 Imports") and len(book.sheetnames) == 6
    shown = [row[0].value for row in book.worksheets[0].iter_rows(min_row=2)]
    assert sorted(shown) == ["AU90", "BR90", "CA90", "NZ90", "UY85"]
    keys, clicks = keys_and_clicks(page)
    assert keys <= 9 and clicks <= 9


def expect_other(place, before: str) -> None:
    """Wait until what stands there is something else."""
    until = time.monotonic() + 10
    while place.text_content() == before:
        assert time.monotonic() < until, f"still {before}"
        place.page.wait_for_timeout(50)


def test_curves_tell_why_there_is_no_plan(client):
    edit(client, "products", {"product_id": "GB90"}, "min_lb", "900000")
    edit(client, "products", {"product_id": "GB90"}, "max_lb", "")
    html = settled(client, "/trader/demand?lot=B90-1", headers={"desk-part": "true"})
    assert 'id="trouble"' in html and "Ground beef 90/10" in html
    assert "No plan" in text_of(client.get("/trader/lots").text)


def test_scenarios_that_are_stopped_keep_what_was_done(client):
    case = desk_of(client).case()
    results = run_scenarios(ScenarioJob(case, (), draws=500), stopped=lambda: True)
    assert 0 < len(results.outcomes) < 501 and not results.is_complete
