"""Help inside the desk: the guide's pages, and a tour of two minutes for each person."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from blend.desk.asked import refused
from blend.desk.desk import Desk
from blend.desk.pages import NAVIGATION, Form, page, view, whole_number
from blend.reporter.marked import to_html
from blend.tables.guide import columns_text

_CODE = re.compile(r"`([^`\n]+)`")
_FENCE = re.compile(r"^```\w*\n(.*?)^```$", re.MULTILINE | re.DOTALL)
COLUMNS = "columns"


@cache
def topics() -> dict[str, str]:
    """Every topic with its title."""
    texts = {
        each.name.removesuffix(".md"): each.read_text("utf-8").splitlines()[0].removeprefix("# ")
        for each in files("blend.guide").iterdir()
        if each.name.endswith(".md")
    }
    return dict(sorted((texts | {COLUMNS: "What each column of each table holds"}).items()))


def help_page(desk: Desk, request: Request, form: Form) -> Response:
    topic = request.path_params.get("topic", "desk")
    if topic not in topics():
        raise refused("topic", topic, ", ".join(topics()))
    body = _shown(topic)
    return page(desk, request, "help.html", title="Help", body=body, topics=topics(), topic=topic)


@cache
def _shown(topic: str) -> Markup:
    """Text between code blocks as Markdown, code as it stands."""
    if topic == COLUMNS:
        return _as_it_stands(columns_text(None))
    text = files("blend.guide").joinpath(f"{topic}.md").read_text("utf-8")
    parts = _FENCE.split(text)
    return Markup("\n").join(
        _as_it_stands(part) if place % 2 else _markdown(part) for place, part in enumerate(parts)
    )


def _markdown(text: str) -> Markup:
    made = to_html(text, lambda *_: Markup(""), lambda *_: Markup(""))
    return Markup(_CODE.sub(r"<code>\1</code>", str(made)))


def _as_it_stands(text: str) -> Markup:
    return Markup('<pre tabindex="0">%s</pre>') % text


# Tours -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Step:
    """One stop: the page, what to look at on it, and what to say."""

    path: str
    points_at: str
    words: str


TOURS = {
    "grinder": (
        Step("/grinder", "#sheet-lots .grid", "Your lots. Type a price: the plan follows at once."),
        Step("/grinder", "#live-line", "The day's cost, what changed since you opened the desk, "
             "and the lowest odds in spec. They stay in sight."),
        Step("/grinder", "#recipes", "Each recipe. Click a lot to go to it in the sheet."),
        Step("/grinder", "#try", "Drag a price or an order to try it. One Undo takes it back."),
        Step("/grinder/copies", "form", "Keep a copy without imports and compare it as is."),
        Step("/grinder/plan", "main", "The plan in whole combos: what to buy, pull and grind."),
        Step("/grinder/work-order", "main", "The work order for the floor. Print it."),
        Step("/grinder/correct", "main form", "A batch tested off spec: what to add or take out."),
        Step("/grinder/actuals", "main", "Tomorrow: import the filled-in work order, and see yield "
             "and giveaway."),
    ),
    "trader": (
        Step("/trader", "#trader-value", "What lean and fat are worth on today's quotes, and which "
             "items are cheap or rich."),
        Step("/trader", "#sheet-quotations", "Type today's quotes here. The line follows."),
        Step("/trader/lots", "#trader-lots", "Every lot with its break-even. Click one for its "
             "curve and drag the price."),
        Step("/trader/landed", "#trader-landed", "Foreign offers landed, next to fresh."),
        Step("/trader/book", "main", "Your deals at market, and what moved profit and loss."),
        Step("/trader/scenarios", "main form, #problems", "The day under moves you name and under "
             "random draws."),
    ),
    "reporter": (
        Step("/reporter", ".bar", "The market day you work on. Entries are filed under it."),
        Step("/reporter", "form.entry", "Type a call: item, kind, price, pounds, company. Enter "
             "adds it. Odd prices and duplicates are asked about here."),
        Step("/reporter/quotations", "main", "Each item's quote and what it is based on. Click one "
             "for every entry behind it."),
        Step("/reporter/why", "main", "Why a price moved, driver by driver."),
        Step("/reporter/note", "main", "The note: every figure is checked until you sign."),
        Step("/reporter/weekly", "main", "The weekly report, with slides and a script."),
        Step("/reporter/calls", "main", "Your calls, and how the ones that are due did."),
    ),
}  # fmt: skip


def tour_of(request: Request) -> dict[str, object] | None:
    """The stop of a tour that the address asks for; None outside of any."""
    name, at = request.query_params.get("tour", ""), request.query_params.get("stop_at", "0")
    steps = TOURS.get(name, ())
    place = whole_number(at, len(steps) - 1) if steps else None
    if place is None or request.url.path != steps[place].path:
        return None

    def to(other: int) -> str:
        return f"{steps[other].path}?tour={name}&stop_at={other}"

    return {
        "step": steps[place],
        "number": place + 1,
        "of": len(steps),
        "back": to(place - 1) if place else "",
        "next": to(place + 1) if place + 1 < len(steps) else "",
    }


def places() -> list[tuple[str, str]]:
    """Everything one can go to, by name: pages, help and tours."""
    pages = [(path, f"{who}: {name}") for _, who, own in NAVIGATION for path, name in own]
    own = [(f"/help/{topic}", f"Help: {title}") for topic, title in topics().items()]
    tours = [(f"{steps[0].path}?tour={name}", f"Tour for the {name}, two minutes")
             for name, steps in TOURS.items()]  # fmt: skip
    return [*pages, *own, *tours]


routes = [Route("/help", view(help_page)), Route("/help/{topic}", view(help_page))]
