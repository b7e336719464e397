"""For everybody: by keyboard alone, on a phone, on paper, and as axe-core sees it."""

from __future__ import annotations

import pytest

from tests.desk.conftest import settled, start_desk

pytest.importorskip(
    "axe_playwright_python", reason="axe-playwright-python is not installed: pip install '.[test]'"
)

PATHS = (
    *("/grinder", "/grinder/plan", "/grinder/batches", "/grinder/correct", "/grinder/why-no-plan"),
    *("/grinder/copies", "/grinder/work-order", "/grinder/actuals", "/grinder?tour=grinder"),
    *("/trader/lot/I90-2", "/trader/book", "/reporter/items", "/reporter/weekly"),
    *("/reporter/calls", "/help/desk", "/help/columns"),
    *("/trader", "/trader/lots", "/trader/landed", "/trader/positions", "/trader/scenarios"),
    *("/reporter", "/reporter/quotations", "/reporter/tone", "/reporter/why", "/reporter/note"),
    *("/tables/lots", "/tables/rules", "/tables/temperatures", "/tables/nowhere"),
)
LAYOUTS = {
    "laptop": {"viewport": {"width": 1400, "height": 900}},
    "phone": {"viewport": {"width": 390, "height": 844}},
    "zoomed": {"viewport": {"width": 640, "height": 400}, "device_scale_factor": 2},
    "dark": {"viewport": {"width": 1400, "height": 900}, "color_scheme": "dark"},
}
_SMALL = """() => [...document.querySelectorAll("a, button, input, select, summary, textarea")]
    .filter((each) => {
        const { width, height } = each.getBoundingClientRect();
        const isText = each.matches("p a, li a, dd a, label input[type=checkbox]");
        return each.checkVisibility({ visibilityProperty: true }) && !isText
            && !each.closest(".tabulator, .skip") && width && (width < 24 || height < 23.5);
    }).map((each) => each.outerHTML.slice(0, 120))"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    made = start_desk(tmp_path_factory)
    yield made
    made.stop()


@pytest.fixture(scope="module", params=LAYOUTS)
def page(request, browser, desk):
    context = browser.new_context(**LAYOUTS[request.param])
    opened = context.new_page()
    opened.goto(desk.address)
    yield opened
    context.close()


@pytest.mark.parametrize("path", PATHS)
def test_everybody_can_use_every_page(page, desk, path):
    """As axe sees it; nothing but tables scrolls sideways; nothing to press is small."""
    from axe_playwright_python.sync_playwright import Axe

    page.goto(desk.origin + path)
    settled(page)
    found = Axe().run(page).response["violations"]
    told = [
        f"{each['impact']} {each['id']}: {node['html'][:200]}"
        for each in found
        for node in each["nodes"][:3]
    ]
    assert not told, "\n".join(told)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.evaluate(_SMALL) == []


@pytest.mark.parametrize("path", ["/grinder", "/trader", "/reporter", "/tables/lots"])
def test_on_paper_there_is_nothing_to_press(page, desk, path):
    page.goto(desk.origin + path)
    page.emulate_media(media="print")
    shown = page.evaluate(
        """() =>
        [...document.querySelectorAll("button, nav a, form.upload, .how, input[type=range]")]
          .filter((each) => each.getClientRects().length)
          .map((each) => each.outerHTML.slice(0, 80))"""
    )
    page.emulate_media(media="screen")
    assert shown == []


def pressed(page, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)


def focused(page) -> str:
    return page.evaluate("document.activeElement.outerHTML.slice(0, 200)")


def test_a_sheet_is_used_by_keyboard_alone(browser_page, served):
    page, lots = browser_page, served.desk.table("lots")
    page.goto(served.origin + "/tables/lots")
    pressed(page, "Tab")
    assert "Skip to the page" in focused(page)
    pressed(page, "Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    reached = []
    for _ in range(200):
        pressed(page, "Tab")
        reached.append(focused(page))
        if 'role="gridcell"' in reached[-1]:
            break
    words = "".join(reached)
    for control in ("Add a row", "Delete selected rows", "Paste", "Import, download"):
        assert control in words, control
    assert 'role="gridcell"' in reached[-1], "the sheet is reached"
    pressed(page, "Home")
    for _ in range(30):
        if 'data-column="price"' in focused(page):
            break
        pressed(page, "ArrowRight")
    assert 'data-column="price"' in focused(page)
    pressed(page, "2", "3", "4", "Enter")
    page.wait_for_selector("body:not([data-busy])")
    place = lots.columns.index("price")
    assert lots.cells()[0][place] == "234"
    assert 'data-column="price"' in focused(page), "the keyboard is still in the sheet"
    pressed(page, "F2", "9", "Escape", "ArrowUp", "Delete")
    page.wait_for_selector("body:not([data-busy])")
    assert lots.cells()[0][place] == ""
    pressed(page, "Control+z", "Control+z")
    settled(page)
    assert not served.desk.is_unsaved
    assert 'data-column="price"' in focused(page), "rows made anew take the keyboard back"
    count = len(lots.order)
    page.get_by_role("button", name="Delete selected rows").focus()
    pressed(page, "Enter")
    settled(page)
    assert len(served.desk.table("lots").order) == count - 1


def test_a_fault_is_shown_at_its_cell_and_aloud(browser_page, served):
    page = browser_page
    page.goto(served.origin + "/tables/lots")
    settled(page)
    page.locator("#table-lots [data-column=price]").first.click()
    pressed(page, "x", "Enter")
    page.wait_for_selector("#table-lots [aria-invalid=true]")
    assert page.locator("#problems").get_attribute("aria-live") == "polite"
    assert "price" in page.inner_text("#problems")
    cell = page.locator("#table-lots [aria-invalid=true]").first
    assert "x" in cell.get_attribute("title")
