"""Late, lost and crossed answers, two windows, a browser that keeps nothing: what is typed is kept,
done once, and seen."""

from __future__ import annotations

import random
from contextlib import contextmanager

import pytest

from tests.desk.conftest import settled, watched
from tests.desk.test_journal import (
    FIRST_PRICE,
    OPEN_CELL,
    cell_of,
    opened_lots,
    type_price,
    wait_for,
)

CELL = "**/tables/lots/cell*"
NOTHING_WAITS = "() => !Object.keys(localStorage).some((key) => key.startsWith('desk-waiting'))"


@pytest.fixture
def lots(browser, served):
    """The page of the sheet of lots; its console may report what the tests cut off."""
    page = opened_lots(browser.new_context(viewport={"width": 1400, "height": 900}), served)
    page.set_default_timeout(15_000)
    yield page
    page.context.close()


def price(page, row: int) -> str:
    return page.inner_text(FIRST_PRICE.format(row))


def pressed(page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


def done(served) -> int:
    return len(served.desk.book.done)


@contextmanager
def held(page, address: str):
    """Requests to this address, held back until the end of the block or until they are let on."""
    routes = []
    page.route(address, lambda route: routes.append(route))
    yield routes
    for route in routes:
        route.continue_()
    page.unroute(address)


def row_count(page) -> int:
    return int(page.get_attribute("#table-lots", "aria-rowcount")) - 1


# Answers that come late --------------------------------------------------------------------------


def test_a_sheet_that_comes_late_takes_back_nothing_typed_since(lots, served):
    with held(lots, "**/tables/lots/add*") as late:
        lots.get_by_role("button", name="Add a row").click()
        wait_for(lambda: lots.evaluate("1") and late)
        type_price(lots, 2, "319")
        assert price(lots, 2) == "319"
    settled(lots)
    # the new row stands above it by now, below the first
    assert cell_of(served.desk, 2) == "319"
    assert price(lots, 3) == "319"


def test_an_answer_during_a_reload_is_in_the_page_that_comes(lots, served):
    """The page is made before the edit is done, and comes after it was answered and let go of."""
    is_away, answered = True, []
    lots.on("requestfinished", lambda asked: "/cell" in asked.url and answered.append(asked))
    lots.route(CELL, lambda route: route.abort() if is_away else route.continue_())
    type_price(lots, 1, "207")
    lots.wait_for_selector("#connection:not([hidden])")

    def come_late(route):
        nonlocal is_away
        made, is_away = route.fetch(), False
        while not answered:
            lots.wait_for_timeout(50)
        lots.wait_for_timeout(300)  # a page that goes cannot be asked what it has let go of
        route.fulfill(response=made)

    lots.route("**/tables/lots", come_late)
    lots.reload()
    assert cell_of(served.desk) == "207"
    settled(lots)
    assert price(lots, 1) == "207"


def test_a_form_half_filled_comes_again_as_it_was_left(browser_page, served):
    page = browser_page
    page.goto(served.origin + "/reporter")
    form = page.locator("form[data-draft]").filter(has=page.locator("[name=usd_per_cwt]"))
    field = form.locator("[name=usd_per_cwt]")
    field.fill("2")
    wait_for(lambda: page.evaluate("1") and served.desk.journal.drafts.get("canvass"))
    settled(page)
    field.fill("231.25")
    with held(page, "**/draft"):
        page.reload()
        assert field.input_value() == "231.25"


def test_a_form_that_was_emptied_stays_empty(browser_page, served):
    """Also where what was typed is still on its way."""
    page = browser_page
    page.goto(served.origin + "/reporter")
    with held(page, "**/draft") as late:
        page.fill("[name=usd_per_cwt]", "231.25")
        wait_for(lambda: page.evaluate("1") and late)
        page.fill("[name=usd_per_cwt]", "231.5")
        page.get_by_role("button", name="Clear form").click()
        page.wait_for_load_state()
    settled(page)
    page.reload()
    assert page.input_value("[name=usd_per_cwt]") == ""


def test_a_connection_that_dies_without_a_word_is_tried_again(lots, served):
    lots.add_init_script(
        "const wait = AbortSignal.timeout; AbortSignal.timeout = () => wait.call(AbortSignal, 300)"
    )
    lots.reload()
    routes = []
    lots.route(CELL, lambda route: routes.append(route), times=1)
    type_price(lots, 1, "208")
    wait_for(lambda: lots.evaluate("1") and cell_of(served.desk) == "208")
    settled(lots)
    assert len(routes) == done(served) == 1


def test_leaving_an_edit_out_leaves_no_other_out(browser, served):
    """Also where that edit is done, and another in its place, as the button is pressed."""
    page = opened_lots(browser.new_context(), served)
    page.route(CELL, lambda route: route.fulfill(status=500, body="no"))
    type_price(page, 1, "210")
    leave = page.get_by_role("button", name="Discard this edit")
    leave.wait_for()
    type_price(page, 2, "211")
    second = []

    def only_the_first(route):
        if "%22210%22" in route.request.post_data:
            route.continue_()
        else:
            second.append(route)

    page.route(CELL, only_the_first)
    wait_for(lambda: page.evaluate("1") and second)
    leave.click()
    second[0].abort()
    page.unroute(CELL)
    wait_for(lambda: page.evaluate("1") and cell_of(served.desk, 1) == "211")
    assert cell_of(served.desk) == "210"
    assert done(served) == 2
    page.context.close()


# A hand in the page while answers come -----------------------------------------------------------


def test_leaving_the_window_does_not_end_the_typing(lots, served):
    lots.locator(FIRST_PRICE.format(1)).click()
    lots.keyboard.type("31")
    # what a browser sends an input of whose window another one is now in front
    lots.evaluate("document.activeElement.dispatchEvent(new FocusEvent('blur'))")
    lots.keyboard.type("9")
    lots.keyboard.press("Enter")
    settled(lots)
    assert price(lots, 1) == cell_of(served.desk) == "319"
    assert done(served) == 1


def test_an_answer_leaves_caret_and_place_where_they_were(lots, served):
    lots.set_viewport_size({"width": 700, "height": 700})
    lots.locator("details.files summary").click()
    lots.set_input_files(
        "form.upload input[type=file]",
        {"name": "lots.csv", "mimeType": "text/csv", "buffer": b"lot_id\n"},
    )
    lots.locator(FIRST_PRICE.format(12)).click()
    lots.keyboard.type("1234")
    lots.keyboard.press("ArrowLeft")
    place = """() => {
      const holder = document.querySelector("#table-lots .tabulator-tableholder");
      return [holder.scrollLeft, holder.scrollTop];
    }"""
    before = lots.evaluate(place)
    assert before != [0, 0]
    with lots.expect_response("**/tables/lots/add*"):
        lots.evaluate("document.querySelector('[data-sheet=add]').click()")
    settled(lots)
    assert lots.evaluate(place) == before
    lots.keyboard.type("5")
    assert lots.locator(OPEN_CELL).input_value() == "12354"
    lots.keyboard.press("Enter")
    settled(lots)
    lots.wait_for_function(
        "(rows) => document.querySelector('#table-lots').ariaRowCount == rows",
        arg=len(served.desk.table("lots").order) + 1,
    )
    assert "12354" in [cell_of(served.desk, at) for at in (11, 12)]
    chosen = "document.querySelector('form.upload input[type=file]').files.length"
    assert lots.evaluate(chosen) == 1


def test_a_number_half_typed_beside_the_sheet_is_not_taken_away(browser_page, served):
    page = browser_page
    page.goto(served.origin + "/grinder")
    row = page.locator("#try-lots-price").get_attribute("data-row")
    with held(page, "**/undo*"):
        type_price(page, 5, "222")
        page.get_by_role("button", name="Undo").click()
        page.locator("#try-lots-price").fill("23")
    settled(page)
    field = page.locator("#try-lots-price")
    assert field.input_value() == "23"
    field.press_sequentially("4")
    page.keyboard.press("Enter")
    settled(page)
    assert field.input_value() == "234"
    typed = served.desk.table("lots")
    assert typed.rows[int(row)][typed.columns.index("price")] == "234"


def test_what_is_folded_open_stays_open(browser_page, served):
    page = browser_page
    page.goto(served.origin + "/grinder")
    page.locator("#certificate summary").click()
    type_price(page, 1, "222")
    settled(page)
    assert page.locator("#certificate[open]").count() == 1


def test_what_is_refused_is_told_and_not_shown_as_done(lots, served):
    # longer than a cell holds
    text = "9" * 40_000
    before = price(lots, 1)
    with held(lots, CELL):
        lots.locator(FIRST_PRICE.format(1)).click()
        lots.keyboard.insert_text("x")
        lots.keyboard.press("F2")
        lots.locator(OPEN_CELL).fill(text)
        lots.keyboard.press("Enter")
        type_price(lots, 2, "212")
    settled(lots)
    assert price(lots, 1) == before
    told = lots.inner_text("#trouble")
    assert "Not done" in told and text[:100] in told
    assert price(lots, 2) == cell_of(served.desk, 1) == "212"


# Browsers and windows ----------------------------------------------------------------------------


def test_two_windows_show_each_other_s_edits(browser, served):
    context = browser.new_context()
    one, two = (opened_lots(context, served) for _ in range(2))
    one.locator(FIRST_PRICE.format(3)).click()
    one.keyboard.type("31")
    type_price(two, 2, "302")
    one.wait_for_function(
        "(where) => document.querySelector(where).textContent === '302'", arg=FIRST_PRICE.format(2)
    )
    one.keyboard.type("9")
    one.keyboard.press("Enter")
    settled(one)
    assert price(one, 3) == cell_of(served.desk, 2) == "319"
    context.close()


def test_a_cell_that_is_open_is_not_opened_in_another_window(browser, served):
    context = browser.new_context()
    one = opened_lots(context, served)
    one.locator(FIRST_PRICE.format(3)).click()
    one.keyboard.type("31")
    two = opened_lots(context, served)
    assert two.locator(OPEN_CELL).count() == 0
    one.reload()
    assert one.locator(OPEN_CELL).input_value() == "31"
    context.close()


def test_a_browser_that_keeps_nothing_and_a_page_of_another_machine(browser, served):
    page = browser.new_context(viewport={"width": 1400, "height": 900}).new_page()
    page.add_init_script(
        """for (const name of ["localStorage", "sessionStorage"])
             Object.defineProperty(window, name, { get() { throw new DOMException("shut"); } });
           delete Crypto.prototype.randomUUID;"""
    )
    faults = watched(page)
    page.goto(served.address)
    page.goto(served.origin + "/grinder")
    type_price(page, 2, "214")
    settled(page)
    assert cell_of(served.desk, 1) == "214"
    page.locator("#try input[type=range]").first.focus()
    page.keyboard.press("ArrowRight")
    settled(page)
    assert done(served) == 2
    assert not faults
    page.context.close()


# By keyboard -------------------------------------------------------------------------------------


def stands(page) -> tuple[int, str]:
    """Row (from 1) and column where the keyboard stands."""
    return tuple(
        page.evaluate(
            """() => {
              const cell = document.activeElement.closest(".tabulator-cell");
              const row = cell.closest(".tabulator-row");
              return [[...row.parentElement.children].indexOf(row) + 1, cell.dataset.column];
            }"""
        )
    )


def test_moving_typing_and_leaving_by_keyboard(lots, served):
    first = lots.locator("#table-lots .tabulator-row").first
    columns = first.locator("[data-column]").evaluate_all(
        "all => all.filter((each) => each.offsetParent).map((each) => each.dataset.column)"
    )
    before, after = (columns[columns.index("price") + step] for step in (-1, 1))
    was = [price(lots, row) for row in range(1, 5)]
    lots.locator(FIRST_PRICE.format(1)).click()
    pressed(lots, "ArrowDown", "ArrowLeft")
    assert stands(lots) == (2, before)
    pressed(lots, "ArrowRight", *"301", "Tab")
    assert stands(lots) == (2, after)
    pressed(lots, "F2", "Shift+Tab")
    assert stands(lots) == (2, "price"), "nothing typed, nothing sent"
    pressed(lots, "Enter", "Home", "4", "Enter")
    assert price(lots, 2) == "4301" and stands(lots) == (3, "price")
    pressed(lots, *"77", "Escape")
    assert price(lots, 3) == was[2] and stands(lots) == (3, "price")
    pressed(lots, "F2", "End", "Backspace", "Shift+Enter")
    assert price(lots, 3) == was[2][:-1] and stands(lots) == (2, "price")
    pressed(lots, "F2", "Enter", "ArrowUp", "ArrowUp", "Delete", "Delete")
    assert stands(lots) == (1, "price") and price(lots, 1) == ""
    pressed(lots, "Tab")
    settled(lots)
    assert [cell_of(served.desk, place) for place in range(4)] == ["", "4301", was[2][:-1], was[3]]
    assert done(served) == 4, "what changes nothing is no edit"


def test_saving_by_keyboard_saves_what_is_typed_in_an_open_cell_too(lots, served):
    lots.locator(FIRST_PRICE.format(1)).click()
    pressed(lots, *"317", "Control+s")
    settled(lots)
    assert cell_of(served.desk) == "317" and stands(lots) == (1, "price")
    assert not served.desk.is_unsaved and ",317," in (served.desk.place / "lots.csv").read_text()


def test_keys_undo_nothing_where_no_button_does(browser_page, served):
    """On the reporter's pages no sheet stands, and an undone edit of one would go unseen."""
    page = browser_page
    page.goto(served.origin + "/tables/lots")
    type_price(page, 1, "209")
    settled(page)
    page.goto(served.origin + "/reporter/tone")
    page.locator("body").press("Control+z")
    settled(page)
    assert cell_of(served.desk) == "209"
    page.goto(served.origin + "/tables/lots")
    page.locator("body").press("Control+z")
    settled(page)
    assert cell_of(served.desk) != "209"


def test_a_block_pasted_beyond_the_last_row_is_undone_as_one(lots, served):
    order, was = list(served.desk.table("lots").order), served.desk.table("lots").cells()
    cell = "#table-lots [data-row='{}'][data-column=price]"
    lots.locator("#table-lots .tabulator-tableholder").evaluate("each => each.scrollTo(0, 1e6)")
    lots.locator(cell.format(order[-2])).click()
    with held(lots, "**/tables/lots/paste*") as late:
        lots.evaluate(
            """() => {
              const data = new DataTransfer();
              data.setData("text/plain", "401\\n402\\n403\\n404\\n");
              document.activeElement.dispatchEvent(
                new ClipboardEvent("paste", {clipboardData: data, bubbles: true}));
            }"""
        )
        wait_for(lambda: lots.evaluate("1") and late)
        pressed(lots, "ArrowDown", "ArrowUp", "ArrowUp", *"55", "Enter")
    settled(lots)
    assert row_count(lots) == len(order) + 2
    made = served.desk.table("lots").order[-5:]
    lots.locator("#table-lots .tabulator-tableholder").evaluate("each => each.scrollTo(0, 1e6)")
    shown = [lots.inner_text(cell.format(row)) for row in made]
    assert shown == ["55", "401", "402", "403", "404"]
    assert [cell_of(served.desk, len(order) - 3 + at) for at in range(5)] == shown
    assert stands(lots)[1] == "price"
    with held(lots, "**/undo*"):
        pressed(lots, "Control+z", "Control+z")
    settled(lots)
    assert served.desk.table("lots").cells() == was
    assert row_count(lots) == len(order)
    pressed(lots, "Control+y", "Control+Shift+z")
    settled(lots)
    assert [cell_of(served.desk, len(order) - 3 + at) for at in range(5)] == shown


# By chance ---------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_edits_over_an_unhappy_network_are_neither_lost_nor_doubled(browser, served, seed):
    """Answers 0 to 2 s late, cut off before the desk or after it, and reloads between."""
    draw = random.Random(seed)
    page = browser.new_context().new_page()
    page.goto(served.address)
    page.goto(served.origin + "/tables/lots")

    def meet(route):
        chance = draw.random()
        if chance < 0.15:
            route.abort()
        elif chance < 0.3:
            route.fetch()
            route.abort()
        elif chance < 0.6:
            answer = route.fetch()
            page.wait_for_timeout(draw.uniform(0, 2_000))
            route.fulfill(response=answer)
        else:
            route.continue_()

    page.route(lambda url: url.split("?")[0].endswith(("/cell", "/add", "/paste")), meet)
    ids = served.desk.table("lots").order[:6]
    typed: dict[int, str] = {}
    edits = 0
    for number in range(25):
        row_id = draw.choice(ids)
        typed[row_id] = str(200 + number)
        place = served.desk.table("lots").order.index(row_id) + 1
        page.locator(FIRST_PRICE.format(place)).click()
        pressed(page, *typed[row_id], "Enter")
        edits += 1
        chance = draw.random()
        if chance < 0.15:
            page.reload()
        elif chance < 0.3:
            page.get_by_role("button", name="Add a row").click()
            edits += 1
    page.wait_for_function(NOTHING_WAITS, timeout=90_000)
    page.unroute_all(behavior="wait")
    settled(page)
    for row_id, text in typed.items():
        place = served.desk.table("lots").order.index(row_id) + 1
        assert price(page, place) == text, row_id
    assert done(served) == edits
    shown = page.locator("#table-lots .tabulator-row [data-column=price]").all_inner_texts()
    lots = served.desk.table("lots")
    assert shown == [cells[lots.columns.index("price")] for cells in lots.cells()][: len(shown)]
    page.context.close()
