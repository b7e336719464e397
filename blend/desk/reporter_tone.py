"""The tone of a day: which way items went, demand and offerings, spans, and volumes."""

from __future__ import annotations

import json

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.jobs import Job
from blend.desk.journal import OWN
from blend.desk.pages import Form, page, text_of, us_day, view, working_or
from blend.desk.reporter_store import (
    Day,
    ask_of_store,
    day_of,
    days_of,
    no_items,
    of_store,
    query_of,
)
from blend.domain.method import Method
from blend.output.shown import ShownTable, shown_of
from blend.reporter import quote
from blend.reporter.calendar import compare, rolling
from blend.reporter.indicators import grouped, indicator, series_of
from blend.reporter.news import week_breadth
from blend.reporter.noting import item_news
from blend.reporter.quoting import Compared, heard, standings
from blend.reporter.volumes import BREADTH_NOTE, breadth_frame, volumes_frame, volumes_note
from blend.store import Store

LEVELS_DRAFT = f"{OWN}series that stand at a time"


def tone_page(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """Which way items went, demand and offerings, spans compared, and volumes."""
    day = day_of(store, request)
    if not store.items():
        return no_items(desk, request, day)
    levels = levels_of(desk)
    where, position = desk.store_place, store.position()

    def done(tables: list[ShownTable]) -> Response:
        return page(
            desk,
            request,
            "reporter_tone.html",
            tables,
            title="Trend",
            day=day,
            series=series_names(store),
            levels=levels,
        )

    job = ask_of_store(
        desk,
        "tone",
        position,
        day.day,
        levels,
        about=f"Trend of {day}",
        work=lambda job: _tone_tables(job, where, position, day, levels, desk.method),
    )
    return working_or(desk, request, job, done, title="Trend")


def _tone_tables(
    job: Job, where: str, position: int, day: Day, levels: tuple[str, ...], method: Method
) -> list[ShownTable]:
    job.say("two years of quotations")
    days = days_of(where, position, day.day, method)
    job.say("tone and spans")
    with Store.open(where) as store:
        known = heard(store, day.day, method, position)
        volumes = store.volumes(as_of=position)
    news = item_news(known, days, method)
    quoted = [each.quoted for each in news]
    together = standings(known, method)
    compared = [
        Compared(item, compare(days[name], day.day), rolling(days[name], day.day))
        for name, item in known.items.items()
    ]
    words = (indicator(each, day.day, whole) for each, whole in grouped(series_of(volumes, levels)))
    indicators = [each for each in words if each is not None]
    tables = [
        shown_of(quote.quotations_frame(quoted), _TREND, f"Trend, {us_day(day)}"),
        shown_of(quote.stats_frame(quoted), None, "Tests behind the trend"),
        shown_of(
            quote.demand_frame(quoted, together),
            None,
            "Demand and offerings",
            quote.demand_note(method),
        ),
        shown_of(breadth_frame(week_breadth(news)), None, "How many items moved", BREADTH_NOTE),
        shown_of(quote.spans_frame(compared), None, "Weeks, months, years", quote.SPANS_NOTE),
        shown_of(quote.words_frame(quoted, together), None, "Where the words are from"),
    ]
    if indicators:
        tables.insert(
            3, shown_of(volumes_frame(indicators), None, "Volumes", volumes_note(indicators))
        )
    return tables


_TREND = ("item_id", "quote_usd_per_cwt", "change_usd_per_cwt", "trend", "based_on")


def series_names(store: Store) -> list[str]:
    return list(dict.fromkeys(each.series_id for each in store.volumes()))


def levels_of(desk: Desk) -> tuple[str, ...]:
    """Inventory series, such as cold storage, as marked here."""
    try:
        kept = json.loads(desk.journal.drafts.get(LEVELS_DRAFT, "[]"))
    except ValueError:
        return ()
    return tuple(each for each in kept if isinstance(each, str))


def keep_levels(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    day = day_of(store, request, form)
    names = series_names(store)
    levels = [name for place, name in enumerate(names) if text_of(form, f"level_{place}")]
    with desk.lock:
        desk.journal.keep_draft(LEVELS_DRAFT, json.dumps(levels))
    return RedirectResponse(f"/reporter/tone?{query_of(day)}", 303)


routes = [
    Route("/reporter/tone", view(of_store(tone_page))),
    Route("/reporter/tone/levels", view(of_store(keep_levels)), methods=["POST"]),
]
