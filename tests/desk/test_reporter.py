"""The reporter's pages: what they add, refuse, show and keep private."""

from __future__ import annotations

import io
import json
import re
import threading
import time
from pathlib import Path

import pytest
from openpyxl import load_workbook

import blend
from blend.desk.desk import Desk
from blend.store import Store
from tests.desk.conftest import (
    client_of,
    counted,
    demo_folder,
    desk_options,
    keys_and_clicks,
    settled,
    start_desk,
    watched,
)

DAY = "2026-11-20"
SHORT_DAY, BEFORE_SHORT = "2026-11-06", "2026-10-16"
A_SOURCE = re.compile(r"\b(packer|grinder|trader|importer|broker) \d")
"""How the firms of the demo's store are named."""
HEARD = {
    "entry_id": "test-1",
    "corrects": "",
    "item_id": "90s",
    "kind": "trade",
    "usd_per_cwt": "339.25",
    "pounds_lb": "40000",
    "source": "Quiet Firm & Sons",
    "source_class": "packer",
    "basis": "fob",
    "heard_at": f"{DAY} 15:10",
}


def store_of(client) -> Store:
    return Store.open(client.app.state.desk.where_store)


def entries_of(client):
    with store_of(client) as store:
        return store.every_entry()


def ready(client, path: str):
    """The page once its work is done."""
    until = time.monotonic() + 60
    while True:
        answer = client.get(path)
        if 'class="working"' not in answer.text:
            return answer
        assert time.monotonic() < until, "the work does not end"
        time.sleep(0.1)


@pytest.fixture
def bare(tmp_path):
    """A client of a desk without store, market or earlier case."""
    desk = Desk(demo_folder(tmp_path))
    yield client_of(desk)
    desk.close()


# Where the store is ------------------------------------------------------------------------------


def test_without_a_store_each_page_offers_to_make_one(bare):
    for page in ("/reporter", "/reporter/quotations", "/reporter/tone", "/reporter/note"):
        answer = bare.get(page)
        assert answer.status_code == 200
        assert "--store" in answer.text and "market.sqlite" in answer.text
    assert "nothing to explain" in bare.get("/reporter/why").text
    made = bare.post("/reporter/store")
    assert made.status_code == 200 and "no items yet" in made.text
    assert (bare.app.state.desk.place / "market.sqlite").is_file()
    assert "no items" in bare.get("/reporter/quotations").text
    assert "no items" in bare.get("/reporter/tone").text
    assert bare.post("/reporter/store").status_code == 200, "one that is there is opened"


def test_a_store_that_is_gone_is_told(client):
    client.app.state.desk.where_store = "/nowhere/at all.db"
    answer = client.get("/reporter")
    assert answer.status_code == 409
    assert "no such store" in answer.text


# The canvass -------------------------------------------------------------------------------------


def test_an_entry_sent_twice_is_added_once(client):
    before = len(entries_of(client))
    for _ in range(2):
        answer = client.post("/reporter/add", data=HEARD)
        assert answer.status_code == 200
        assert "Added test-1: trade of 90s at $339.25" in answer.text
    assert len(entries_of(client)) == before + 1
    told = client.post("/reporter/add", data=HEARD | {"usd_per_cwt": "340"})
    assert told.status_code == 422


def test_an_entry_heard_now_and_sent_twice_is_added_once(client):
    now = {name: text for name, text in HEARD.items() if name != "heard_at"}
    for _ in range(2):
        assert client.post("/reporter/add", data=now).status_code == 200
        time.sleep(1.1)
    assert [each.entry_id for each in entries_of(client)].count("test-1") == 1


def test_what_is_wrong_is_told_beside_its_field(client):
    wrong = HEARD | {"item_id": "90x", "usd_per_cwt": "3,39", "pounds_lb": "", "source": ""}
    before = len(entries_of(client))
    answer = client.post("/reporter/add", data=wrong)
    assert answer.status_code == 422
    for name in ("usd_per_cwt", "pounds_lb", "source"):
        assert f'aria-describedby="fault-{name}"' in answer.text
        assert f'id="fault-{name}"' in answer.text
    answer = client.post("/reporter/add", data=HEARD | {"item_id": "90x"})
    assert "Did you mean 90s?" in answer.text and 'id="fault-item_id"' in answer.text
    assert len(entries_of(client)) == before
    assert 'value="339.25"' in client.get("/reporter").text, "what was typed stays"


def test_what_is_typed_is_called_the_same_by_every_refusal(client):
    """Be it refused as it is read, or by the store."""
    read = client.post("/reporter/add", data=HEARD | {"entry_id": "a|b"})
    store = client.post("/reporter/add", data=HEARD | {"corrects": "no such entry"})
    assert "a|b" in read.text
    assert "entry, corrects: " in store.text
    rows = "item_id\tkind\tusd_per_cwt\tsource\tsource_class\n" + "\n".join(
        f"{item}\tbid\t336\tQuiet Firm\tpacker" for item in ("90s", "90x")
    )
    told = client.post("/reporter/paste", data={"paste_id": "p", "rows": rows})
    assert "pasted rows row 3, item_id: " in told.text


def test_the_buttons_of_the_sheets_stand_where_sheets_are(client):
    for path in ("/reporter", "/reporter/items", "/reporter/quotations"):
        page = client.get(path).text
        assert 'data-do="' not in page
        assert 'id="status" data-desk=' in page, "the script needs it on every page"
    for path in ("/grinder", "/trader"):
        page = client.get(path).text
        assert 'data-do="/undo"' in page and 'data-do="/save"' in page


def test_what_is_half_typed_is_restored_until_it_is_added(client):
    half = '{"entry_id": "half-1", "item_id": "85s", "kind": "bid", "note": "<b>said"}'
    client.post("/draft", data={"key": "canvass", "text": half})
    page = client.get("/reporter").text
    assert '<option value="85s" selected>' in page and 'value="half-1"' in page
    assert "&lt;b&gt;said" in page and "<b>said" not in page
    client.post("/reporter/add", data=HEARD | {"entry_id": "half-1"})
    client.post("/draft", data={"key": "canvass", "text": half})  # one that comes too late
    page = client.get("/reporter").text
    assert 'value="half-1"' not in page and "&lt;b&gt;said" not in page
    client.post("/draft", data={"key": "canvass", "text": "[1, broken"})
    assert client.get("/reporter").status_code == 200


def test_a_correction_keeps_the_source_that_is_not_shown(client):
    client.post("/reporter/add", data=HEARD)
    page = client.get("/reporter/entry?entry=test-1").text
    assert "Quiet Firm" not in page and 'value="339.25"' in page
    right = HEARD | {"entry_id": "test-2", "corrects": "test-1", "usd_per_cwt": "338.75"}
    for _ in range(2):
        answer = client.post("/reporter/add", data=right | {"source": ""})
        assert answer.status_code == 200
    assert "yes, corrects test-1" in answer.text and "no, corrected by test-2" in answer.text
    (entry,) = (each for each in entries_of(client) if each.entry_id == "test-2")
    assert entry.source == HEARD["source"] and entry.usd_per_cwt == 338.75
    other = right | {"entry_id": "test-3"}
    told = client.post("/reporter/add", data=other)
    assert told.status_code == 422 and "test-2" in told.text


def test_an_entry_is_withdrawn_once_with_its_reason(client):
    client.post("/reporter/add", data=HEARD)
    gone = {"entry": "test-1", "new_id": "test-9", "note": ""}
    told = client.post("/reporter/withdraw", data=gone)
    assert told.status_code == 422 and "reason" in told.text
    for _ in range(2):
        page = client.post("/reporter/withdraw", data=gone | {"note": "misheard <i>"})
        assert page.status_code == 200
    assert "no, withdrawn by test-9" in page.text and "misheard &lt;i&gt;" in page.text
    assert [each.entry_id for each in entries_of(client)].count("test-9") == 1
    again = client.post("/reporter/withdraw", data=gone | {"note": "x", "new_id": "test-10"})
    assert again.status_code == 422
    assert "no longer counts" in client.get("/reporter/entry?entry=test-1").text


PASTED = (
    "item_id\tkind\tusd_per_cwt\tpounds_lb\tsource\tsource_class\theard_at\n"
    f"90s\ttrade\t338.5\t42000\tQuiet Firm\tpacker\t{DAY} 15:00\n"
    f"90s\tbid\t337\t\tQuiet Firm\tpacker\t{DAY} 15:05\n"
)


def test_pasted_rows_are_added_all_or_none_and_once(client):
    before = len(entries_of(client))
    wrong = PASTED + f"91s\tbid\tx\t\tQuiet Firm\tpacker\t{DAY} 15:05\n"
    told = client.post("/reporter/paste", data={"paste_id": "p", "rows": wrong})
    assert told.status_code == 422
    assert "pasted rows row 4, usd_per_cwt: " in told.text
    assert "91s" in told.text, "what was pasted stays"
    assert len(entries_of(client)) == before
    for _ in range(2):
        answer = client.post("/reporter/paste", data={"paste_id": "p", "rows": PASTED})
        assert answer.status_code == 200
    assert len(entries_of(client)) == before + 2
    assert "all 2 rows" in answer.text


MESSAGE = """Quiet Firm (packer): sold 2 loads 90s at 337.50 delivered, freight 3
Lone Buyer (grinder): bid 3362 on 90s, 40,000 lb fob
"""


def test_a_message_is_shown_as_read_then_added_once(client):
    before = len(entries_of(client))
    data = {"paste_id": "m", "rows": MESSAGE}
    told = client.post(f"/reporter/paste?day={DAY}", data=data)
    assert told.status_code == 422 and len(entries_of(client)) == before
    assert "2 loads: 80,000 lb" in told.text and "10 times the last quotation" in told.text
    (confirm,) = re.findall('name="confirmed" value="([0-9a-f]+)"', told.text)
    changed = data | {"rows": MESSAGE.replace("3362", "3363"), "confirmed": confirm}
    assert client.post(f"/reporter/paste?day={DAY}", data=changed).status_code == 422
    for _ in range(2):
        answer = client.post(f"/reporter/paste?day={DAY}", data=data | {"confirmed": confirm})
        assert answer.status_code == 200
    added = [each for each in entries_of(client) if each.entry_id.startswith("m-")]
    assert [(e.kind, e.usd_per_cwt, e.pounds_lb) for e in added] == [
        ("trade", 337.5, 80_000.0), ("bid", 3362.0, 40_000.0)]  # fmt: skip
    unread = client.post("/reporter/paste", data=data | {"rows": "Quiet Firm: 90s is quiet"})
    assert unread.status_code == 422 and "messages row 1, kind: " in unread.text


def test_pasted_rows_that_look_wrong_are_confirmed_first(client):
    data = {"paste_id": "w", "rows": PASTED.replace("338.5", "3385")}
    told = client.post("/reporter/paste", data=data)
    assert told.status_code == 422 and "10 times the last quotation" in told.text
    (confirm,) = re.findall('name="confirmed" value="([0-9a-f]+)"', told.text)
    assert client.post("/reporter/paste", data=data | {"confirmed": confirm}).status_code == 200


def test_rows_without_a_header_are_in_the_stated_order(client):
    row = f"85s\toffer\t309\t\tQuiet Firm\tpacker\t\t\t\t\tno\t\ttold twice\t{DAY} 10:00"
    answer = client.post(f"/reporter/paste?day={DAY}", data={"paste_id": "q", "rows": row})
    assert answer.status_code == 200
    (entry,) = (each for each in entries_of(client) if each.entry_id.startswith("q-"))
    assert (entry.item_id, entry.is_firm, entry.note) == ("85s", False, "told twice")


@pytest.mark.parametrize(
    "rows", ["", "\n\n", '90s\t"not closed', "90s\ttrade" + "\tx" * 30, "\x00", "a,b\n1,2"]
)
def test_what_cannot_be_pasted_is_told(client, rows):
    before = len(entries_of(client))
    told = client.post("/reporter/paste", data={"paste_id": "p", "rows": rows})
    assert told.status_code == 422 and "Nothing was added" in told.text
    assert len(entries_of(client)) == before


AN_ITEM = {
    "item_id": "77s",
    "name": "Fresh 77s",
    "species": "beef",
    "lean": "0.77",
    "fresh_or_frozen": "fresh",
    "origin": "domestic",
}


def items_of(client):
    with store_of(client) as store:
        return store.items()


def test_an_item_is_added_by_hand_once(client):
    for _ in range(2):
        answer = client.post("/reporter/items/add", data=AN_ITEM)
        assert answer.status_code == 200 and "Added 77s" in answer.text
    made = items_of(client)["77s"]
    assert (made.lean, made.basis, made.delivered_within_days) == (0.77, "fob", 21)
    assert '<option value="77s">' in client.get("/reporter").text
    # the form is empty again, even where the browser's own draft comes in late
    client.post("/draft", data={"key": "item", "text": json.dumps(AN_ITEM)})
    form = client.get("/reporter/items").text
    assert 'value="Fresh 77s"' not in form and '<option value="fob" selected>' in form


def test_an_item_is_checked_as_a_file_is(client):
    answer = client.post(
        "/reporter/items/add",
        data=AN_ITEM | {"lean": "777", "origin": "", "fresh_or_frozen": "frosen"},
    )
    assert answer.status_code == 422 and "77s" not in items_of(client)
    for name in ("lean", "fresh_or_frozen", "origin"):
        assert f'id="fault-{name}">' in answer.text, name
    # what was typed stays, as after a crash
    assert 'value="Fresh 77s"' in client.get("/reporter/items").text


def test_an_item_that_is_there_keeps_its_terms(client):
    before = items_of(client)["90s"]
    answer = client.post("/reporter/items/add", data=AN_ITEM | {"item_id": "90s"})
    assert answer.status_code == 422 and "a name that no item of the store has" in answer.text
    assert items_of(client)["90s"] == before


def test_quotations_are_made_by_the_method_that_was_named(client, tmp_path):
    own = tmp_path / "own.csv"
    packaged = Path(blend.__file__).parents[1] / "specs" / "quotation_method.csv"
    own.write_text(re.sub(r"(?m)^min_trades,[^,]*", "min_trades,9", packaged.read_text()))
    desk = client.app.state.desk
    other = Desk(desk.place, store=desk.where_store, work=tmp_path / "work", method=own)
    try:
        assert desk.method.digest != other.method.digest
        page = ready(client_of(other), f"/reporter/quotations?day={DAY}").text
    finally:
        other.close()
    assert other.method.digest[:12] in page
    assert desk.method.digest[:12] in ready(client, f"/reporter/quotations?day={DAY}").text


def test_a_file_is_read_as_on_the_command_line(client):
    before = len(entries_of(client))

    def send(name: str, text: str):
        return client.post("/reporter/file", files={"file": (name, text.encode())})

    header = "entry_id,heard_at,market_day,kind,item_id,usd_per_cwt,pounds_lb,source,source_class\n"
    row = f"f1,{DAY} 09:00,{DAY},bid,{{}},336,,Quiet Firm,packer\n"
    told = send("today.csv", header + row.format("90x"))
    assert told.status_code == 422 and "Did you mean 90s?" in told.text
    assert len(entries_of(client)) == before
    for _ in range(2):
        assert send("today.csv", header + row.format("90s")).status_code == 200
    assert len(entries_of(client)) == before + 1
    assert "a .csv or .xlsx" in send("canvass.txt", "x").text
    told = send("canvass.xlsx", "no workbook")
    assert told.status_code == 422 and "<li>canvass.xlsx: not an .xlsx workbook" in told.text


@pytest.mark.parametrize(
    "path",
    [
        "/reporter?day=tomorrow",
        "/reporter?day=0001-01-01",
        "/reporter/entry?entry=none",
        "/reporter/entry",
        f"/reporter/quotations/item?day={DAY}&item=90x",
        f"/reporter/quotations/publish?day={DAY}",
        f"/reporter/quotations/publish?day={DAY}&assessor=A&override=2",
        f"/reporter/quotations?day={DAY}&as=csv&table=99",
        "/reporter/why?of=market&item=90x",
        "/reporter/why?of=nothing&item=90s",
        f"/reporter/why?of=market&item=90s&day={DAY}&since={DAY}",
        "/reporter/why?of=market&item=90s&volume_error=nan",
        "/reporter/why?of=plan&item=fresh+90s&error=1",
        "/reporter/why?of=plan&item=fresh+90s&step=99",
        f"/reporter/note/page?day={DAY}",
    ],
)
def test_bad_addresses_are_told(client, path):
    answer = ready(client, path)
    assert answer.status_code == 422
    assert "must be" in answer.text


# Quotations --------------------------------------------------------------------------------------


def test_quotations_lead_to_evidence(client):
    page = ready(client, "/reporter/quotations").text
    assert "Quotations, Nov 20, 2026" in page and "337.90" in page
    assert f"/reporter/quotations/item?day={DAY}&amp;item=90+CL" in page
    page = ready(client, f"/reporter/quotations/item?day={DAY}&item=73s").text
    assert "prior day: it stands here" in page and "too few trades" in page
    assert "data-chart" in page and "quotation $229.25" in page
    assert "1 entry from $" in page
    sheet = client.get(f"/reporter/quotations/item?day={DAY}&item=90s&as=xlsx")
    names = load_workbook(io.BytesIO(sheet.content)).sheetnames
    assert len(names) == 2 and "Evidence" in names[1]


def test_publishing_tells_before_and_is_done_once(client):
    asked = f"/reporter/quotations/publish?day={DAY}&assessor=A.+Reporter"
    more = "&override_item=90s&override=338.4&reason=two+late+trades"
    page = ready(client, asked + more).text
    assert "338.40" in page and "set by the reporter: two late trades" in page
    fields = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', page))
    with store_of(client) as store:
        assert not store.published()
    answers = []
    sent = [
        threading.Thread(
            target=lambda: answers.append(
                client.post("/reporter/quotations/publish", data=fields).status_code
            )
        )
        for _ in range(2)
    ]
    for each in sent:
        each.start()
    for each in sent:
        each.join()
    assert answers == [200, 200]
    with store_of(client) as store:
        published = store.every_published()
    assert len(published) == 9, "two are held for a second look"
    (own,) = (each for each in published if each.item_id == "90s")
    assert (own.usd_per_cwt, own.override_reason) == (338.4, "two late trades")
    page = ready(client, f"/reporter/quotations?day={DAY}").text
    assert "Published for Nov 20, 2026" in page and "A. Reporter" in page
    again = client.post("/reporter/quotations/publish", data=fields | {"assessor": "Another"})
    assert again.status_code == 422 and "look again" in again.text


def test_what_could_show_a_firm_is_withheld(client):
    items = "item_id,name,species,lean,fresh_or_frozen,origin\nX70,Hearts,beef,0.7,fresh,domestic\n"
    client.post("/reporter/file", files={"file": ("items.csv", items.encode())})
    for number in (1, 2):
        told = {"entry_id": f"x{number}", "source": f"Firm {number}", "pounds_lb": f"{number}00000"}
        client.post("/reporter/add", data=HEARD | told | {"item_id": "X70", "usd_per_cwt": "123"})
    page = ready(client, f"/reporter/quotations/publish?day={DAY}&assessor=A&item=X70").text
    assert "withhold" in page and "None of it can be published" in page
    sent = {"day": DAY, "assessor": "A", "item": "X70", "position": str(position(client))}
    made = client.post("/reporter/quotations/publish", data=sent)
    assert made.status_code == 422
    with store_of(client) as store:
        assert not store.published()


def position(client) -> int:
    with store_of(client) as store:
        return store.position()


# Tone --------------------------------------------------------------------------------------------


def test_tone_tells_words_with_their_sources_and_volumes_beside(client):
    page = ready(client, f"/reporter/tone?day={DAY}").text
    for words in ("Demand and offerings", "Volumes", "How many items moved", "Weeks, months",
                  "USDA AMS Market News glossary"):  # fmt: skip
        assert words in page
    assert "cold storage: inventory, averaged to date" in page, "as the store says"
    place = re.search(r'name="(level_\d+)" value="yes"> slaughter cows', page)[1]
    client.post("/reporter/tone/levels", data={"day": DAY, place: "yes"})
    page = ready(client, "/reporter/tone").text
    assert re.search(r"slaughter cows[^.]*: inventory, averaged to date", page)


# Why ---------------------------------------------------------------------------------------------

WHY_PLAN = "/reporter/why?of=plan&item=fresh+90s"


def test_a_plan_is_stepped_through_to_its_certificate(client):
    first = ready(client, f"{WHY_PLAN}&step=1").text
    first = first.replace("&#39;", "'")
    assert re.search(r"Other lots' prices: -?\$\d", first)
    assert "What other lots' prices was" in first and "price, $/cwt" in first
    assert "Had other lots' prices stayed as before" in first
    assert 'aria-current="step"' in first and "step=2#step" in first and "step=0#step" in first
    last = ready(client, f"{WHY_PLAN}&step=6").text
    assert "The parts add up to" in last and "certified in exact arithmetic" in last
    assert "not proof of cause" in last
    observed = ready(client, f"{WHY_PLAN}&step=6&observed=5&error=0.5").text
    assert re.search(r"Not explained: -?\$[\d.]+ \(±0.50", observed)


def test_the_desk_offers_no_cause_to_quote_where_the_model_explains_none(client):
    page = ready(client, f"{WHY_PLAN}&step=6&observed=30&error=1").text
    quotable = re.search(r"<blockquote>(.*?)</blockquote>", page, re.S)[1]
    assert "Our model does not explain this move." in quotable
    assert "Had " not in quotable and "mostly" not in quotable
    assert "<strong>" in page and "What the model says: " in page


def test_an_edit_of_the_tables_is_explained_at_once(client):
    desk = client.app.state.desk
    table = desk.table("lots")
    row = next(r for r in table.order if "B90-1" in table.rows[r])
    sent = {"row": str(row), "column": "price", "text": "390", "parts": ""}
    assert client.post("/tables/lots/cell", data=sent).status_code == 200
    page = ready(client, f"{WHY_PLAN}&step=0").text
    assert "390.00" in page


@pytest.mark.slow
def test_a_market_is_explained_from_the_store(client):
    asked = (
        f"/reporter/why?of=market&item=90s&day={SHORT_DAY}&since={BEFORE_SHORT}&volume_error=0.5"
    )
    page = ready(client, f"{asked}&step=2").text
    assert re.search(r"Imported supply: \$3\d\.\d\d", page) and " to +" in page
    assert "What imported supply was" in page and " lb: 9" in page
    assert "certified in exact arithmetic" in ready(client, f"{asked}&step=5").text


# The note ----------------------------------------------------------------------------------------

MAKE = {"day": SHORT_DAY, "title": "Boneless beef", "version": "1"}


def made_note(client, **more):
    client.post("/reporter/note/make", data=MAKE | more, follow_redirects=False)
    return ready(client, f"/reporter/note?day={SHORT_DAY}")


def text_in(page: str) -> str:
    from html import unescape

    return unescape(re.search(r"<textarea[^>]*>\n(.*?)</textarea>", page, re.S)[1])


def test_a_note_is_made_edited_checked_and_signed(client):
    page = made_note(client).text
    text = text_in(page)
    assert text.startswith("# Boneless beef\n") and "Every figure agrees" in page
    assert f'data-draft="note:{SHORT_DAY}"' in page
    wrong = text.replace("# Boneless beef", "# Quiet & <b>dear</b>, up 3.5%", 1)
    told = client.post(f"/reporter/note/check?day={SHORT_DAY}", data={"text": wrong}).text
    assert "1 place that does not agree" in told and 'data-line="1"' in told
    refused = client.post("/reporter/note/sign", data=MAKE | {"text": wrong, "name": "A. B."})
    assert "Not signed." in refused.text and "3.5" in refused.text
    assert client.get(f"/reporter/note/signed?day={SHORT_DAY}").status_code == 409
    assert text_in(ready(client, f"/reporter/note?day={SHORT_DAY}").text) == wrong

    right = wrong.replace(", up 3.5%", "") + "\n90s fell on tight supply.\n"
    sent = MAKE | {"text": right, "name": "A. B."}
    listed = client.post("/reporter/note/sign", data=sent).text
    ticks = re.findall(r'name="(confirm-\w+)"', listed)
    assert ticks and "Not signed." in listed and "Signed by" not in listed
    signed = client.post("/reporter/note/sign", data=sent | dict.fromkeys(ticks, "yes"))
    assert "Signed by A. B." in signed.text
    html = client.get(f"/reporter/note/signed.html?day={SHORT_DAY}")
    assert "Reporter: A. B." in html.text and "<h1>Quiet &amp; &lt;b&gt;dear" in html.text
    assert "attachment" in html.headers["content-disposition"]
    draft = client.get(f"/reporter/note/draft.md?day={SHORT_DAY}")
    assert draft.text == right
    client.post(f"/reporter/note/check?day={SHORT_DAY}", data={"text": right + "\nMore.\n"})
    assert "this one is not signed" in client.get(f"/reporter/note?day={SHORT_DAY}").text
    nobody = client.post("/reporter/note/sign", data=MAKE | {"text": right, "name": " "})
    assert nobody.status_code == 422


def test_the_page_of_a_note_runs_nothing(client):
    made_note(client)
    text = "# Title\n\n<script>alert(1)</script> [x](javascript:alert) ![y](http://x/y.png)\n"
    client.post(f"/reporter/note/check?day={SHORT_DAY}", data={"text": text})
    answer = client.get(f"/reporter/note/page?day={SHORT_DAY}")
    policy = answer.headers["content-security-policy"]
    assert policy == "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox"
    assert "<script" not in answer.text and "javascript:alert)" in answer.text
    assert not re.search(r'(src|href)="(?!data:image/svg|/reporter/note/sources)', answer.text)


def test_made_anew_the_text_before_can_be_taken_back(client):
    mine = text_in(made_note(client).text) + "\nMine.\n"
    client.post(f"/reporter/note/check?day={SHORT_DAY}", data={"text": mine})
    for _ in range(2):  # sent twice it is one version
        page = made_note(client, title="Anew").text
    assert "Text 2 of 2" in page and text_in(page).startswith("# Anew\n")
    # what the page before still had to say goes to the text that it was of
    client.post("/draft", data={"key": f"note:{SHORT_DAY}", "text": mine + "And more.\n"})
    assert text_in(ready(client, f"/reporter/note?day={SHORT_DAY}").text).startswith("# Anew\n")
    client.post("/reporter/note/version", data={"day": SHORT_DAY, "to": "1"})
    assert text_in(ready(client, f"/reporter/note?day={SHORT_DAY}").text).endswith("And more.\n")
    wrong = client.post("/reporter/note/version", data={"day": SHORT_DAY, "to": "9"})
    assert wrong.status_code == 422


def test_after_a_correction_the_note_is_marked(client):
    made_note(client)
    with store_of(client) as store:
        trade = next(
            each
            for each in store.entries("90s")
            if str(each.market_day) == SHORT_DAY and each.kind == "trade"
        )
    gone = {"entry": trade.entry_id, "new_id": "gone-1", "note": "fell through"}
    client.post("/reporter/withdraw", data=gone)
    page = ready(client, f"/reporter/note?day={SHORT_DAY}").text
    assert "do not agree with the store" in page and "90s.trades" in page
    assert "<mark" in client.get(f"/reporter/note/page?day={SHORT_DAY}").text


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ({"title": ""}, "1 to 200 characters"),
        ({"since": SHORT_DAY}, "a day before"),
        ({"items": "90x"}, "items of the store"),
        ({"volume_error": "99"}, "per cent, 0 to 50"),
    ],
)
def test_what_a_note_cannot_be_made_with_is_told(client, more, told):
    answer = client.post("/reporter/note/make", data=MAKE | more)
    assert answer.status_code == 422 and told in answer.text


# Confidentiality ---------------------------------------------------------------------------------


@pytest.mark.slow
def test_no_page_or_file_names_a_source(client):
    client.post("/reporter/add", data=HEARD)
    client.post("/draft", data={"key": "canvass", "text": ""})
    made_note(client)
    pages = [
        f"/reporter?day={DAY}",
        "/reporter/entry?entry=test-1",
        f"/reporter/quotations?day={DAY}",
        f"/reporter/quotations/publish?day={DAY}&assessor=A",
        f"/reporter/tone?day={DAY}",
        f"/reporter/why?of=market&item=90s&day={SHORT_DAY}&since={BEFORE_SHORT}",
        f"/reporter/note?day={SHORT_DAY}",
    ]
    with store_of(client) as store:
        pages += [f"/reporter/quotations/item?day={DAY}&item={name}" for name in store.items()]
    for path in pages:
        page = ready(client, path)
        assert page.status_code == 200
        found = [page.text]
        sheet = client.get(f"{path}&as=xlsx")
        assert sheet.headers["content-type"].startswith("application/vnd")
        book = load_workbook(io.BytesIO(sheet.content))
        found += [str(cell) for each in book for row in each.values for cell in row]
        found.append(client.get(f"{path}&as=csv&table=0").text)
        for text in found:
            assert not A_SOURCE.search(text), path
            assert "Quiet Firm" not in text, path
    for path in ("page", "draft.md", "draft.html"):
        text = client.get(f"/reporter/note/{path}?day={SHORT_DAY}").text
        assert not A_SOURCE.search(text) and "Quiet Firm" not in text


# In a browser ------------------------------------------------------------------------------------


def test_the_reporters_day(browser, tmp_path):
    """Three things are heard, one is corrected; evidence, tone, why; the note is made, edited
    across a reload, signed and printed."""
    desk = start_desk(tmp_path)
    context = browser.new_context(viewport={"width": 1400, "height": 900})
    page = context.new_page()
    page.set_default_timeout(60_000)
    faults = watched(page)
    try:
        page.goto(desk.address)
        page.goto(f"{desk.origin}/reporter?day={SHORT_DAY}")
        counted(page)
        _hear_three_things(page)
        _correct_the_last(page)
        _look_at_evidence_and_tone(page, desk.origin)
        _step_through_why(page, desk.origin)
        _write_the_note(page, desk.origin)
        assert not faults
    finally:
        context.close()
        desk.stop()


def _hear_three_things(page):
    keys = page.keyboard
    assert page.evaluate("document.activeElement.name") == "item_id"
    for number, price in enumerate(("373.25", "373.75", "374")):
        if number == 0:
            keys.type("90s")
            keys.press("Tab")
        assert page.evaluate("document.activeElement.name") == "kind"
        keys.type("trade")
        keys.press("Tab")
        keys.type(price)
        keys.press("Tab")
        keys.type("40000")
        keys.press("Tab")
        if number == 0:
            keys.type("Quiet Firm")
            keys.press("Tab")
            keys.type("packer")
        page.fill("[name=heard_at]", f"15:0{number}")
        if number == 1:
            # half typed and kept: a reload finds it again
            page.reload()
            assert page.input_value("[name=usd_per_cwt]") == "373.75"
            page.focus("[name=heard_at]")
        page.keyboard.press("Enter")
        page.wait_for_selector(f"text=trade of 90s at ${float(price):.2f}")
    assert page.input_value("[name=source]") == "Quiet Firm"
    assert page.locator("tbody tr").first.inner_text().count("374.00") == 1


def _correct_the_last(page):
    page.locator("tbody tr a").first.click()
    assert page.input_value("[name=source]") == ""
    page.fill("[name=usd_per_cwt]", "373.5")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=trade of 90s at $373.50")
    assert "corrected by" in page.locator("tbody tr").nth(1).inner_text()


def _look_at_evidence_and_tone(page, origin):
    page.click("nav >> text=Quotes")
    page.click("tbody >> text=90s")
    page.wait_for_selector("[data-chart] .chart svg")
    page.click("nav >> text=Trend")
    page.wait_for_selector("text=How many items moved")


def _step_through_why(page, origin):
    page.click("nav >> text=Why")
    form = page.locator("form", has=page.locator("[value=market]"))
    form.locator("[name=item]").select_option("90s")
    form.locator("[name=since]").fill(BEFORE_SHORT)
    form.locator("button").click()
    page.wait_for_selector("#step-title")
    for number in range(2, 7):
        page.click("text=Next")
        page.wait_for_selector(f"text={number} of 6")
    assert "certified in exact arithmetic" in page.inner_text("#step")
    page.wait_for_selector("[data-chart] .chart svg")


def _write_the_note(page, origin):
    page.click("nav >> text=Note")
    page.fill("[name=since]", "")
    page.click("text=Make the draft")
    page.wait_for_selector("#text")
    assert "Every figure agrees" in page.inner_text("#note-check")
    page.focus("#text")
    page.keyboard.press("Control+Home")
    page.keyboard.press("End")
    page.keyboard.type(", a quiet day at 9.5%")
    page.wait_for_selector("text=1 place that does not agree")
    page.reload()  # in the middle
    assert ", a quiet day at 9.5%" in page.input_value("#text")
    page.wait_for_selector("text=1 place that does not agree")
    page.click("[data-line='1']")
    page.keyboard.press("End")
    for _ in "9.5%":
        page.keyboard.press("Backspace")
    page.fill("#figure", "90s.price")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Every figure agrees")
    assert "a quiet day at [373" in page.input_value("#text")
    frame = page.frame_locator("iframe[title='The note as a page']")
    assert "a quiet day at 373" in frame.locator("h1").inner_text()
    page.fill("[name=name]", "A. Reporter")
    page.wait_for_timeout(1_000)  # the check follows the typing
    for tick in page.locator("[name^=confirm-]").all():
        tick.check()
    page.click("text=Sign, and make the page")
    page.wait_for_selector("text=Signed by A. Reporter")
    keys, clicks = keys_and_clicks(page)
    assert keys <= 109 and clicks <= 16
    page.goto(f"{origin}/reporter/note/signed?day={SHORT_DAY}")
    assert "Reporter: A. Reporter" in page.inner_text("main")
    assert page.pdf().startswith(b"%PDF")


def test_a_phone_call_is_entered_with_few_keys(browser_page, served):
    """Keys beyond the numbers: of a new call, the next of the same company, and of one heard
    before, whose name is completed."""
    page = browser_page
    page.goto(f"{served.origin}/reporter")
    counted(page)
    settled(page)

    def entered(keys: list[str], price: str, pounds: str, then: list[str]) -> int:
        for key in (*keys, "Tab", *price, "Tab", *pounds, *then[:-1]):
            page.keyboard.press(key)
        page.wait_for_timeout(300)  # a name that is begun is completed
        page.keyboard.press(then[-1])
        page.wait_for_selector(f"text=at ${float(price):.2f}/cwt")
        settled(page)
        pressed, clicks = keys_and_clicks(page)
        assert clicks == 0 and page.evaluate("document.activeElement.id") == "kind"
        return pressed - len(price) - len(pounds)

    page.focus("#item_id")
    company = ["Tab", *"Quiet Firm", "Tab", "p", "Shift+Tab", "Enter"]
    entered([*"90s", "Tab", "t"], "338.5", "41500", company)
    assert entered(["t"], "338.75", "20500", ["Enter"]) <= 5
    page.get_by_role("button", name="Clear form").click()
    settled(page)
    page.focus("#item_id")
    keys_and_clicks(page)
    assert entered([*"75s", "Tab", "t"], "241", "43500", ["Tab", "q", "u", "Enter"]) <= 15
    with Store.open(served.desk.where_store) as store:
        last = store.every_entry()[-1]
    assert (last.source, last.source_class, str(last.market_day)) == ("Quiet Firm", "packer", DAY)


@pytest.mark.slow
def test_a_note_outlives_a_crash(browser, tmp_path):
    folder = demo_folder(tmp_path)
    desk = start_desk(tmp_path, folder=folder, own_process=True)
    context = browser.new_context()
    page = context.new_page()
    page.set_default_timeout(60_000)
    try:
        page.goto(desk.address)
        page.goto(f"{desk.origin}/reporter/note?day={SHORT_DAY}")
        page.fill("[name=since]", "")
        page.click("text=Make the draft")
        page.wait_for_selector("#text")
        with page.expect_response(re.compile(r"/draft(\?|$)")):
            page.fill("#text", "# Half a note\n")
    finally:
        desk.stop()
        context.close()
    again = Desk(folder, **desk_options(folder))
    try:
        text = text_in(ready(client_of(again), f"/reporter/note?day={SHORT_DAY}").text)
    finally:
        again.close()
    assert text == "# Half a note\n"


def test_a_time_alone_is_of_the_market_day(client):
    client.post("/reporter/add", data=HEARD | {"heard_at": "9:05", "market_day": DAY})
    (entry,) = (each for each in entries_of(client) if each.entry_id == "test-1")
    assert f"{entry.heard_at:%Y-%m-%d %H:%M}" == f"{DAY} 09:05"
