"""Requests that the pages of the desk do send, found as a person finds them: every link is
followed, every form filled in and sent, every button pressed. A new page is found by itself."""

from __future__ import annotations

import io
import tempfile
import time
from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, redirect_stdout
from dataclasses import dataclass, field
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from unittest.mock import patch
from urllib.parse import parse_qsl, unquote, urlencode, urljoin, urlsplit

from starlette.applications import Starlette
from starlette.routing import Match, Route

from blend.cli import main
from blend.desk.desk import Desk
from blend.tables.columns import HISTORY_TABLES
from tests.attack.mutations import csv_bytes, write_csvs
from tests.attack.small import history_grids, market_grids, small_grids
from tests.attack.targets import Grid
from tests.desk.conftest import client_of

_SHOWS = ("columns_", "from_", "only_")
"""How names begin that say what of a sheet is shown: they may be added to any address."""
_WITHIN_S = 60.0
_FILLED = {
    **{"usd_per_cwt": "251.50", "pounds_lb": "42000", "source": "packer 1", "note": "misheard"},
    **{"market_day": "2025-09-30", "assessor": "A. Writer", "fat": "22", "origin": "domestic"},
    **{"held_lb": "2000", "readings": "2", "test_cost": "20", "item_id": "92s", "draws": "5"},
    **{"name": "A. Writer", "lean": "0.92", "delivered_within_days": "21"},
    **{"tick_usd_per_cwt": "0.25", "rows": "90s\ttrade\t252\t40000\tpacker 2\tpacker"},
}
"""What is typed into fields that a page leaves blank."""
_CHOSEN = ("with", "product", "origin")
"""What a page lets be left blank and says more about where it is not."""
_BEGINS_ANEW = ("/save", "/take", "/reporter/store")
"""Left to the end, as what pages name before means nothing after."""


@dataclass(frozen=True)
class SentFile:
    """A file in a field of a form."""

    name: str
    data: bytes


Pairs = tuple[tuple[str, str | SentFile], ...]
Asked = tuple[str, str, Pairs]
"""Method, address, form."""


@dataclass(frozen=True)
class Sound:
    """A request of a page: the values in its address by their names, its query, its form."""

    method: str
    path: str
    in_path: Mapping[str, str]
    query: tuple[tuple[str, str], ...] = ()
    form: Pairs = ()

    @property
    def kind(self) -> tuple[frozenset[str], ...]:
        """Another of a kind shows no more."""
        asked = frozenset(name for name, _ in self.query if not name.startswith(_SHOWS))
        ways = frozenset(text for name, text in self.query if name in ("as", "of"))
        return asked, ways - {"0"}, frozenset(name for name, _ in self.form)


def small_place(folder: Path) -> dict[str, Any]:
    """A small plant with a market, a case before and a store next to it, so that an answer takes
    milliseconds; returns what a desk on it is opened with."""
    history, options = folder / "history", small_options(folder)
    write_csvs(few_grids(), options["place"])
    write_csvs(_dearer(few_grids()), options["before"])
    write_csvs(market_grids(), options["market"])
    write_csvs({name: history_grids()[name] for name in HISTORY_TABLES} | _heard(), history)
    with redirect_stdout(io.StringIO()):
        words = ["canvass", "import", str(history), "--store", options["store"]]
        main(words, standalone_mode=False)
    return options


def small_options(folder: Path) -> dict[str, Any]:
    """Of a folder that `small_place` was made in, or of a copy of it."""
    places = {"place": "plant", "market": "market", "before": "before"}
    return {name: folder / each for name, each in places.items()} | {
        "store": str(folder / "desk.db")
    }


def _heard() -> dict[str, Grid]:
    """Half of what was heard, on two days."""
    return {name: [grid[0], *grid[1::2]] for name, grid in history_grids().items()
            if name in ("canvass", "volumes")}  # fmt: skip


def few_grids() -> dict[str, Grid]:
    """The small plant with half of its lots."""
    grids, left_out = small_grids(), {"B50-2", "B65-2", "B81-2", "B90-2", "I90-2"}
    return {name: [row for row in grid if not left_out & {*row}] for name, grid in grids.items()}


def _dearer(grids: dict[str, Grid]) -> dict[str, Grid]:
    """So that there is something to explain."""
    price = grids["lots"][0].index("price")
    for row in grids["lots"][1:]:
        row[price] = f"{float(row[price]) * 1.02:.2f}"
    return grids


def routes_of(app: Starlette) -> list[Route]:
    return [route for route in app.routes if isinstance(route, Route)]


@cache
def sound_requests() -> tuple[tuple[int, Sound], ...]:
    """Of a small desk, in the order in which they were found, each with the place of its route
    among those of the application."""
    with tempfile.TemporaryDirectory() as folder, pictures_left_out():
        desk = Desk(**small_place(Path(folder)))
        found = tuple(_found(client_of(desk, follow_redirects=False)))
        desk.close()
    return found


@contextmanager
def pictures_left_out() -> Iterator[None]:
    """What is in a picture is made, and not drawn or measured; the workbook of a plan is not laid
    out. Either takes a second of processor."""

    def save(*given: Any) -> None:
        *_, path = given
        path.write_bytes(b"not drawn")

    def left_out(answer: Any, path: Path, at: Any) -> None:
        path.write_bytes(b"not written")

    with (
        patch("blend.output.charts.save", save),
        patch("blend.grinder.plan_workbook.write_plan_workbook", left_out),
        patch("blend.reporter.note_charts.picture", lambda *given: b"<svg/>"),
    ):
        yield


def _found(client: Any) -> Iterator[tuple[int, Sound]]:
    """Reading comes before what changes anything, and `_last` after all else."""
    desk, routes, seen = client.app.state.desk, routes_of(client.app), set()
    reading: deque[Asked] = deque()
    changing, last = deque(_first(desk)), deque(_last(desk))
    leads_to: Asked | None = None
    while leads_to or reading or changing or last:
        is_early = bool(reading or changing)
        is_led = leads_to is not None
        method, address, form = leads_to or (reading or changing or last).popleft()
        leads_to = None
        place, sound = _as_sound(routes, method, address, form)
        if sound is None or (sound.path in _BEGINS_ANEW and is_early):
            continue
        if (place, sound.kind) in seen and is_early and not is_led:
            continue
        seen.add((place, sound.kind))
        yield place, sound
        answer = _answer(client, method, address, form)
        assert answer.status_code < 500, f"{method} {address}: {answer.status_code}"
        if "location" in answer.headers:
            leads_to = "GET", urljoin(address, answer.headers["location"]), ()
        if answer.headers.get("content-type", "").startswith("text/html"):
            page = _Page(address)
            page.feed(answer.text)
            asked = list(page.requests())
            reading.extend(each for each in asked if each[0] == "GET")
            sent = [each for each in asked if each[0] != "GET"]
            # what is begun is gone on with
            changing = deque([*sent, *changing]) if is_led else deque([*changing, *sent])


def _as_sound(
    routes: list[Route], method: str, address: str, form: Pairs
) -> tuple[int, Sound | None]:
    split = urlsplit(address)
    scope = {"type": "http", "path": unquote(split.path), "root_path": "", "method": method}
    for place, route in enumerate(routes):
        match, found = route.matches(scope)
        if match == Match.FULL:
            in_path = {name: str(value) for name, value in found["path_params"].items()}
            query = tuple(parse_qsl(split.query, keep_blank_values=True))
            return place, Sound(method, split.path, in_path, query, form)
    return -1, None


def _answer(client: Any, method: str, address: str, form: Pairs) -> Any:
    """Once the work that it hangs on is done."""
    until = time.monotonic() + _WITHIN_S
    data = {name: value for name, value in form if isinstance(value, str)}
    files = {name: (v.name, v.data) for name, v in form if isinstance(v, SentFile)}
    while True:
        if method == "POST":
            return client.post(address, data=data, files=files or None)
        answer = client.get(address)
        if b'class="working"' not in answer.content:
            return answer
        assert time.monotonic() < until, f"{address}: still at work"
        time.sleep(0.05)


def _first(desk: Desk) -> Iterator[Asked]:
    """Where a person starts, and what scripts of the pages send."""
    parts = "status,problems,marks,live-line,live,try,trader-value,trader-lots,trader-landed"
    more = (("book", ""), ("parts", parts))
    lots, row = desk.table("lots"), str(desk.table("lots").order[0])
    yield "GET", "/", ()
    for path in ("/tables.xlsx", "/trader", "/reporter"):
        yield "GET", path, ()
    yield "GET", "/grinder/plan/workbook", ()
    cell = (("row", row), ("column", "price"), ("text", "199"))
    yield "POST", "/tables/lots/cell", (("name", "one"), *cell, ("group", "g"), *more)
    yield "POST", "/grinder/set", (("table", "lots"), *cell, ("lot", "B85-2"))
    for path in ("/undo", "/redo", "/grinder/pin", "/grinder/unpin"):
        yield "POST", path, more
    shown = ("shown", "\t".join(lots.columns))
    block = ("text", "price\tquantity_lb\n201\t42000\n202\t44000")
    yield "POST", "/tables/lots/paste", (("row", row), ("column", "price"), block, shown, *more)
    yield "POST", "/tables/losses/paste", (("row", ""), ("text", "GB73\t0.01"))
    yield "POST", "/tables/rules/add", (("row", ""), *more)
    yield "POST", "/tables/rules/remove", (("rows", str(desk.table("rules").next_id)), *more)
    yield "POST", "/draft", (("key", "note:2025-09-29"), ("text", "Half typed"))
    yield "POST", "/parts", (("parts", f"{parts},grid-lots,trader-tables,trader-builds"),)
    note = (("day", "2025-09-30"), ("version", "1"), ("title", "Day's note"), ("since", ""))
    yield "POST", "/reporter/note/make", (*note, ("items", ""), ("volume_error", "1"))
    yield "POST", "/reporter/note/make", note
    for table in ("lots", "products", "foreign_offers"):
        yield "GET", f"/tables/{table}", ()
        sent = SentFile(f"{table}.csv", csv_bytes(few_grids()[table]))
        yield "POST", f"/tables/{table}/file", (("file", sent), ("back", "/grinder"))
    order = SentFile("order.xlsx", b"no work order")
    yield "POST", "/grinder/actuals", (("file", order), ("back", "/grinder/actuals"))
    yield "POST", "/grinder/start", (("table", "lots"),)  # of a page that only an empty folder has
    heard = csv_bytes(history_grids()["canvass"][:3])
    yield "POST", "/reporter/file", (("file", SentFile("canvass.csv", heard)),)


def _last(desk: Desk) -> Iterator[Asked]:
    """No plan, then one again, and what starts over."""
    row = str(desk.table("products").order[0])
    too_much = (("row", row), ("column", "min_lb"), ("text", "7900000"))
    yield "POST", "/tables/products/cell", too_much
    yield "POST", "/tables/products/cell", (("row", row), ("column", "max_lb"), ("text", ""))
    yield "GET", "/grinder/why-no-plan", ()
    for path in _BEGINS_ANEW:
        yield "POST", path, ()


@dataclass
class _Form:
    """A form as a browser would send it, blank fields filled in."""

    method: str
    action: str
    fields: dict[str, str | SentFile] = field(default_factory=dict)
    buttons: list[tuple[str, str]] = field(default_factory=list)

    def requests(self) -> Iterator[Asked]:
        """One for each button that has a name, else one."""
        if any(isinstance(value, SentFile) for value in self.fields.values()):
            return  # what the file holds hangs on where it goes: `_first` sends them
        for pressed in [(button,) for button in self.buttons] or [()]:
            pairs = (*self.fields.items(), *pressed)
            if self.method == "POST":
                yield "POST", self.action, pairs
            else:
                yield "GET", f"{self.action.partition('?')[0]}?{urlencode(pairs)}", ()


class _Page(HTMLParser):
    """What a page leads to: its links, pictures and parts, its forms and buttons."""

    def __init__(self, address: str) -> None:
        super().__init__()
        self._address = address
        self._got: list[Asked] = []
        self._forms: dict[str, _Form] = {}
        self._form: _Form | None = None
        self._area = self._select = ""
        self._option: Mapping[str, str] = {}
        self._must_choose = False

    def requests(self) -> Iterator[Asked]:
        yield from self._got
        for form in self._forms.values():
            yield from form.requests()

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attributes}
        self._leads_on(given)
        if tag == "form":
            action = urljoin(self._address, given.get("action", ""))
            self._form = _Form(given.get("method", "get").upper(), action)
            self._forms[given.get("id") or str(len(self._forms))] = self._form
        form = self._forms.get(given.get("form", ""), self._form)
        if form is not None and "name" in given:
            self._in_form(form, tag, given["name"], given)
        if tag == "option":
            self._option = given

    def _leads_on(self, given: Mapping[str, str]) -> None:
        for name in ("href", "src", "data-load", "data-look", "data-stop"):
            if name in given:
                self._got.append(("GET", urljoin(self._address, given[name]), ()))
        if "data-complete" in given:
            begun = urljoin(self._address, f"{given['data-complete']}?starts=p")
            self._got.append(("GET", begun, ()))
        if "data-check" in given:
            text = ((given.get("name", ""), "The 90s were 251.50."),)
            self._got.append(("POST", urljoin(self._address, given["data-check"]), text))
        if "data-do" in given:
            over = (("over", given["data-over"]),) if "data-over" in given else ()
            self._got.append(("POST", given["data-do"], (("parts", "status"), *over)))

    def _in_form(self, form: _Form, tag: str, name: str, given: Mapping[str, str]) -> None:
        value = given.get("value", "")
        match tag, given.get("type", "text"):
            case "button", _:
                form.buttons.append((name, value))
            case "input", "file":
                form.fields[name] = SentFile("sent.csv", b"")
            case "input", "checkbox":
                if "checked" in given:
                    form.fields[name] = value
            case "input", _:
                form.fields[name] = value or _FILLED.get(name, "")
            case "textarea", _:
                form.fields[name], self._area = "", name
            case "select", _:
                form.fields[name], self._select = "", name
                self._must_choose = "required" in given or name in _CHOSEN

    def handle_data(self, data: str) -> None:
        if self._form is not None and self._area:
            self._form.fields[self._area] += data
        elif self._form is not None and self._select and data.strip():
            held = self._form.fields[self._select]
            if "selected" in self._option or (self._must_choose and not held):
                self._form.fields[self._select] = self._option.get("value", data.strip())

    def handle_endtag(self, tag: str) -> None:
        if tag == "textarea" and self._form is not None:
            text = self._form.fields[self._area].lstrip("\n")
            self._form.fields[self._area] = text or _FILLED.get(self._area, "")
        if tag in ("select", "textarea"):
            self._area = self._select = ""
        if tag == "form":
            self._form = None
