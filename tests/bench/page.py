"""From an edit at the desk to the new plan: as its server answers, and as a browser shows it.

Next to it the bare solver on the same change, and the plainest way: the whole program stated
again with PuLP and solved by CBC.
"""

from __future__ import annotations

import http.client
import os
import re
import shutil
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from statistics import median
from time import perf_counter, sleep
from typing import Any
from urllib.parse import urlencode

from blend.desk.app import LOOPBACK, listen, server_of
from blend.desk.desk import Desk
from blend.desk.opening import OpeningKeys
from blend.domain.case import Case
from blend.model.solve import open_linear, state_linear
from blend.model.solver import WarmLinear
from blend.tables.write import write_case
from tests.bench.instances import make_instance
from tests.bench.measure import BenchPath, Size, Task, pairs
from tests.reference import solve_reference

DEMO_FOLDER = Path(__file__).parents[2] / "demo_data"
DEMO = Size("the demo's plant", (0,), 49 * 9)
SIZES = (DEMO, pairs(200, 30), pairs(1000, 60))
_KEY = "key"
_START_WITHIN_S = 30.0
_PART = re.compile(r'id="([\w-]+)"[^>]*\bdata-part\b')
_EDITS = 11
_PLAIN_BUDGET_S = 5.0


@dataclass(frozen=True, slots=True)
class PageTime:
    """Medians, in seconds, of one price after another typed into the sheet of lots."""

    size: Size
    edit_s: float
    """From request to answer, through a socket, with every part that the grinder's page has."""
    seen_s: float | None
    """From the key to the plan painted in a browser; None where there is no browser."""
    solver_s: float
    """The solver alone, from its last optimum, on the same change."""
    plain_s: float
    """PuLP and CBC."""
    apart_share: float
    """Relative difference of the two ways' costs."""


class EditedPage:
    """The grinder's page of a served desk, for one price after another to be typed into."""

    def __init__(self, desk: Desk, origin: str, opening: OpeningKeys) -> None:
        self.desk, self.origin, self.opening = desk, origin, opening
        host, port = origin.removeprefix("http://").rsplit(":", 1)
        self._connection = http.client.HTTPConnection(host, int(port), timeout=120)
        self._headers = {
            "origin": origin,
            "cookie": f"desk_{port}={_KEY}",
            "desk-part": "true",
            "content-type": "application/x-www-form-urlencoded",
        }
        parts = _PART.findall(self._answer("GET", "/grinder"))
        # as its script asks after a cell was typed: rows that nobody touched stay
        self._parts = ",".join(name for name in parts if not name.startswith("grid-"))
        lots = desk.table("lots")
        self._column = lots.columns.index("price")
        self._first = lots.order[0]
        self._price = float(lots.rows[self._first][self._column])
        self._steps = count(1)

    def next_price(self) -> str:
        """A price that the cell has not had yet, a little off the one it had at first."""
        return f"{self._price * (1 + 0.0005 * next(self._steps)):.4f}"

    def edit(self) -> None:
        fields = {"row": self._first, "column": "price", "text": self.next_price()}
        body = urlencode(fields | {"parts": self._parts})
        self._answer("POST", "/tables/lots/cell", body)

    def cost(self) -> float:
        return self.desk.state().plan.total_usd

    def plain_cost(self) -> float:
        return solve_reference(self.desk.case(), relax=True).objective_usd

    def _answer(self, method: str, path: str, body: str | None = None) -> str:
        try:
            self._connection.request(method, path, body, self._headers)
            answer = self._connection.getresponse()
        except ConnectionError:  # the desk let go of it while the plain way took its time
            self._connection.close()
            self._connection.request(method, path, body, self._headers)
            answer = self._connection.getresponse()
        text = answer.read().decode()
        assert answer.status == 200, text
        return text


@contextmanager
def edited_page(size: Size) -> Iterator[EditedPage]:
    """A desk on tables of this size, served to this machine on a free port."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "plant"
        if size is DEMO:
            shutil.copytree(DEMO_FOLDER, folder)
        else:
            lots, products = size.numbers
            write_case(make_instance(lots, products, 1), folder)
        desk = Desk(folder)
        listening = listen("127.0.0.1", 0)
        port = listening.getsockname()[1]
        server = server_of(desk, key=_KEY, names=LOOPBACK, port=port)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        try:
            yield EditedPage(desk, f"http://127.0.0.1:{port}", server.config.app.state.opening)
        finally:
            server.should_exit = True
            thread.join(_START_WITHIN_S)
            desk.close()


@contextmanager
def _edit_task(size: Size) -> Iterator[Task]:
    with edited_page(size) as page:

        def ours() -> Mapping[str, float]:
            page.edit()
            return {"cost": page.cost()}

        yield Task(ours, lambda: {"cost": page.plain_cost()}, solver_is_here=False)


EDIT = BenchPath("an edit at the desk", "PuLP and CBC", SIZES, pairs(10, 2), _edit_task)


def time_pages(
    sizes: Iterable[Size] = SIZES, on_row: Callable[[PageTime], None] = lambda row: None
) -> tuple[PageTime, ...]:
    """Time edits at every size; `on_row` gets each row as it is done."""
    rows = []
    with ExitStack() as stack:
        browser = stack.enter_context(_browser())
        for size in sizes:
            with edited_page(size) as page:
                rows.append(_timed(size, page, browser))
            on_row(rows[-1])
    return tuple(rows)


def _timed(size: Size, page: EditedPage, browser: Any) -> PageTime:
    page.edit()  # so that no edit pays for the first plan
    cases, edits, plain = [page.desk.case()], [], []
    for _ in range(_EDITS):
        edits.append(_seconds(page.edit))
        cases.append(page.desk.case())
    ours = page.cost()
    for _ in range(3):
        began = perf_counter()
        other = page.plain_cost()
        plain.append(perf_counter() - began)
        if sum(plain) > _PLAIN_BUDGET_S:
            break
    return PageTime(
        size=size,
        edit_s=median(edits),
        seen_s=None if browser is None else median(_seen(page, browser)),
        solver_s=median(_bare_seconds(cases)),
        plain_s=median(plain),
        apart_share=abs(ours - other) / abs(other),
    )


def _bare_seconds(cases: list[Case]) -> Iterator[float]:
    """The solver alone, moved from case to case."""
    linear: WarmLinear = open_linear(cases[0])
    linear.solve()
    for case in cases[1:]:
        model = state_linear(case)

        def move(model=model) -> None:
            linear.move_to(model)
            linear.solve()

        yield _seconds(move)


def _seconds(work: Callable[[], object]) -> float:
    began = perf_counter()
    work()
    return perf_counter() - began


# In a browser ------------------------------------------------------------------------------------

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
_LISTEN = """() => {
  window.took = new Promise((done) => {
    let began = 0;
    addEventListener("keydown", (event) => {
      if (event.key === "Enter") began = performance.now();
    }, { capture: true, once: false });
    document.addEventListener("desk:fresh", () => requestAnimationFrame(
      () => setTimeout(() => done((performance.now() - began) / 1000))), { once: true });
  });
}"""


@contextmanager
def _browser() -> Iterator[Any]:
    """A browser, or None without Chromium; BLEND_CHROMIUM names one."""
    path = os.environ.get("BLEND_CHROMIUM") or next(filter(None, map(shutil.which, BROWSERS)), None)
    if path is None:
        yield None
        return
    from playwright.sync_api import sync_playwright

    # in its own sandbox Chromium does not run as root
    flags = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(
            executable_path=path, args=["--headless", "--disable-gpu", "--disable-quic", *flags]
        )
        yield opened
        opened.close()


def _seen(page: EditedPage, browser: Any) -> Iterator[float]:
    context = browser.new_context(viewport={"width": 1400, "height": 900})
    shown = context.new_page()
    shown.goto(f"{page.origin}/grinder?key={page.opening.new()}")
    shown.wait_for_selector("body[data-ready]")
    cell = shown.locator(".tabulator-cell[data-column=price]").first
    for _ in range(_EDITS):
        shown.evaluate(_LISTEN)
        cell.click()
        shown.keyboard.type(page.next_price())
        shown.keyboard.press("Enter")
        yield shown.evaluate("window.took")
        sleep(0.05)  # what follows an answer at leisure is not timed with the next edit
    context.close()
