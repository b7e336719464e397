"""Why a value moved, to step through: of the market since another day, of two markets, or of the
plan since the case before."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.jobs import Job
from blend.desk.pages import Form, page, same_page, view, whole_number, working_or
from blend.desk.reporter_store import Day, ask_of_store, day_in, day_of, refuse
from blend.domain.case import Case
from blend.domain.clearing import Market
from blend.domain.method import Method
from blend.domain.selectors import Condition, Selector
from blend.errors import FileTrouble, InputRefused, Problem
from blend.output.shown import ShownTable, shown_of
from blend.reading import read_ready_case
from blend.reporter.explain import Moved, explain_market, explain_plan, market_moved
from blend.reporter.explained import Observed
from blend.reporter.noting import asked_of_store, explain
from blend.reporter.quoting import heard
from blend.store import Store
from blend.tables.clearing import holds_market, read_market
from blend.units import LB_PER_CWT

WEEK = timedelta(days=7)
OF_STORE, OF_MARKETS, OF_PLAN = "market", "markets", "plan"
_OF_WORDS = {
    OF_STORE: "the price at which an item clears the market, since another day",
    OF_MARKETS: "the price at which an item clears, between two folders of markets",
    OF_PLAN: "what an item is worth to the grinder, since the case before",
}


@dataclass(frozen=True)
class Found:
    """A move explained, ready to be shown."""

    moved: Moved
    chart: dict[str, Any]
    tables: tuple[ShownTable, ...]
    """The parts, then what each driver was, then the rest."""


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is asked, as typed; `problems` where it cannot be."""

    of: str
    item: str
    since: date | None
    volume_error: float
    observed: Observed | None
    shortage: float | None


def why_page(desk: Desk, request: Request, form: Form) -> Response:
    """`of` and `item` ask; `step` is the driver looked at, from 0, the last the end."""
    with _maybe_store(desk) as store:
        day = None if store is None else day_of(store, request)
        ways = _ways(desk, store)
        asked = _asked(request, day, ways)
        shown = _form_values(day, ways, asked)
        if not asked.item:
            return page(desk, request, "reporter_why.html", found=None, **shown)
        job = _ask(desk, store, day, asked)

    def done(found: Found) -> Response:
        last = len(found.moved.steps)
        text = request.query_params.get("step", "0")
        step = whole_number(text, last)
        if step is None:
            refuse("step", text, f"0 to {last}")
        return page(
            desk,
            request,
            "reporter_why.html",
            list(found.tables),
            found=found,
            step=step,
            last=last,
            to=lambda number: same_page(request, step=number, **{"as": ""}) + "#step",
            **shown,
        )

    return working_or(desk, request, job, done, title="Why")


@contextmanager
def _maybe_store(desk: Desk) -> Iterator[Store | None]:
    """The store where there is one that opens; None where there is none."""
    try:
        opened = None if desk.where_store is None else Store.open(desk.where_store)
    except FileTrouble:
        opened = None
    with opened or nullcontext() as store:
        yield store


# What can be asked -------------------------------------------------------------------------------


def _ways(desk: Desk, store: Store | None) -> dict[str, list[str]]:
    """What can be explained here, and for which items."""
    ways = {}
    if desk.market is not None and store is not None:
        items = store.items()
        ways[OF_STORE] = [
            lot.lot_id for lot in market_of(desk.market).case.lots if lot.lot_id in items
        ]
    if desk.before is not None:
        after = desk.case()
        if holds_market(desk.before) and holds_market(desk.place):
            ways[OF_MARKETS] = _items_of(after, after)
        else:
            ways[OF_PLAN] = _items_of(_case(desk.before), after)
    return ways


def _items_of(*cases: Case) -> list[str]:
    return sorted({lot.item for case in cases for lot in case.usable_lots()})


def _asked(request: Request, day: Day | None, ways: Mapping[str, list[str]]) -> _Asked:
    """Raise InputRefused with all that is wrong."""
    sent = request.query_params
    of, item = sent.get("of", ""), sent.get("item", "")
    problems: list[Problem] = []

    def refused(column: str, read: str, allowed: str) -> None:
        problems.append(Problem("page", None, column, read[:60], allowed))

    def number(name: str, minimum: float, maximum: float) -> float | None:
        text = sent.get(name, "").strip()
        if not text:
            return None
        try:
            read = float(text)
        except ValueError:
            read = math.nan
        if not minimum <= read <= maximum:
            refused(name, text, f"a number from {minimum:g} to {maximum:g}")
            return None
        return read

    if item and of not in ways:
        refused("of", of or "nothing", ", ".join(ways) or "nothing: there is nothing to explain")
    elif item and item not in ways[of]:
        refused("item", item, f"one of {', '.join(ways[of])}")
    since = None
    if day is not None:
        since = day_in(sent["since"], "since") if sent.get("since") else day.day - WEEK
        if since >= day.day:
            refused("since", since.isoformat(), f"a day before {day}")
    volume_error = number("volume_error", 0, 50)
    move = number("observed", -5_000, 5_000)
    error = number("error", 0, 5_000)
    shortage = number("shortfall", 0, 1_000)
    if error is not None and move is None:
        refused("error", f"{error:g}", "nothing, or the move that it is the error of")
    if problems:
        raise InputRefused(problems)
    observed = None
    if move is not None:
        observed = Observed(move / LB_PER_CWT, None if error is None else error / LB_PER_CWT)
    volume_error_share = 0.01 if volume_error is None else volume_error / 100
    return _Asked(of, item, since, volume_error_share, observed, shortage)


def _form_values(day: Day | None, ways: Mapping[str, list[str]], asked: _Asked) -> dict[str, Any]:
    return {"title": "Why", "day": day, "ways": ways, "of_words": _OF_WORDS, "asked": asked}


# The work ----------------------------------------------------------------------------------------


def _ask(desk: Desk, store: Store | None, day: Day | None, asked: _Asked) -> Job:
    about = f"Why {asked.item} moved"
    if asked.of == OF_STORE:
        market, since = desk.market, asked.since
        assert store and day and since and market, "offered only where there are all of them"
        where, position = desk.store_place, store.position()
        return ask_of_store(
            desk,
            "why",
            *(position, day.day, stamp(market), asked),
            about=about,
            work=lambda job: _of_store(where, position, market, day.day, since, asked, desk.method),
        )
    item = Selector((Condition("item", "=", (asked.item,)),))
    after, before = desk.case(), desk.before
    assert before is not None, "offered only where there is a case before"
    if asked.of == OF_MARKETS:
        now, then = read_market(desk.source, after), market_of(before)
        key = asked, stamp(before), stamp(desk.place)
        return desk.ask("why", *key, about=about, work=lambda job: _of_markets(then, now, item))
    return desk.ask(
        "why",
        asked,
        stamp(before),
        about=about,
        work=lambda job: _of_plan(_case(before), after, item, asked),
    )


def stamp(folder: Path) -> tuple[tuple[str, int, int], ...]:
    """What changes when a file of a folder is written."""
    paths = sorted(folder.iterdir()) if folder.is_dir() else [folder]
    stats = [(path.name, path.stat()) for path in paths if path.is_file()]
    return tuple((name, each.st_mtime_ns, each.st_size) for name, each in stats)


def _of_store(
    where: str, position: int, folder: Path, day: date, since: date, asked: _Asked, method: Method
) -> Found:
    market = market_of(folder)
    with Store.open(where) as store:
        known = heard(store, day, method, position)
        volumes = store.volumes(as_of=position)
        parts = asked_of_store(
            store, known, method, market, since, (asked.item,), asked.volume_error
        )
    (found,) = explain(known, volumes, method, parts)
    return _found(market_moved(found.why, found.before, found.market))


def _of_markets(before: Market, after: Market, item: Selector) -> Found:
    return _found(explain_market(before, after, item))


def _of_plan(before: Case, after: Case, item: Selector, asked: _Asked) -> Found:
    return _found(
        explain_plan(
            before, after, item, observed=asked.observed, shortage_usd_per_lb=asked.shortage
        )
    )


def _found(moved: Moved) -> Found:
    frames = moved.tables
    tables = [shown_of(frames["parts"], None, "The parts and their sum")]
    tables += [
        shown_of(each.changes, None, f"What {each.name.lower()} was") for each in moved.steps
    ]
    if moved.plan is not None:
        tables.append(shown_of(frames["cost"], None, "Day's cost"))
        tables.append(shown_of(frames["lots"], None, "By lot", moved.recipe_note))
    return Found(moved, moved.chart(), tuple(tables))


def _case(folder: Path) -> Case:
    return read_ready_case(folder).case


def market_of(folder: Path) -> Market:
    return read_market(folder, _case(folder))


routes = [
    Route("/reporter/why", view(why_page)),
]
