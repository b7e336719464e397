"""What a note is made with, and the making of it; every version of its text is kept."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.jobs import Job
from blend.desk.journal import OWN
from blend.desk.pages import Form, text_of, view, whole_number
from blend.desk.reporter_store import Day, ask_of_store, day_in, day_of, days_of, of_store, refuse
from blend.desk.reporter_tone import levels_of
from blend.desk.reporter_why import market_of, stamp
from blend.domain.method import Method
from blend.errors import InputRefused, Problem
from blend.output.formats import printable
from blend.reporter.claims import Facts
from blend.reporter.note import Note
from blend.reporter.note_charts import pictures_of
from blend.reporter.note_text import note_of
from blend.reporter.noting import asked_of_store, check_series, news_of
from blend.reporter.quoting import heard
from blend.reporter.signing import facts_of
from blend.store import Store

TITLE = "Boneless beef and trimmings"
WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Plan:
    """What a note is made with. Made again it is another version; texts before are kept."""

    title: str = TITLE
    since: str = ""
    """Day that moves are explained from; empty where none are."""
    items: str = ""
    """Items to explain, joined by commas; empty: those that moved most."""
    volume_error: str = "1"
    """Standard error of every volume, per cent."""
    version: int = 1
    versions: int = 1


@dataclass(frozen=True)
class Made:
    """A note made, with its pictures, and what its signer's own sentences are checked against."""

    note: Note
    facts: Facts
    pictures: Mapping[str, bytes]


# What is kept of a note --------------------------------------------------------------------------


def plan_key(day: Day) -> str:
    return f"{OWN}note made with {day}"


def kept(desk: Desk, key: str, kind: type) -> Any:
    """What was kept under a key as an object of a kind; None where nothing sound is."""
    try:
        return kind(**json.loads(desk.journal.drafts.get(key, "")))
    except (ValueError, TypeError):
        return None


def keep(desk: Desk, key: str, thing: Any) -> None:
    with desk.lock:
        desk.journal.keep_draft(key, json.dumps(asdict(thing)))


def text_key(day: Day, plan: Plan) -> str:
    """Each version has a text of its own, so that none that is still under way hits another."""
    return f"note:{day}" if plan.version == 1 else f"note:{day}:{plan.version}"


# Making ------------------------------------------------------------------------------------------


def ask_note(desk: Desk, store: Store, day: Day, plan: Plan) -> Job:
    where, position, levels = desk.store_place, store.position(), levels_of(desk)
    market = desk.market if plan.since else None
    made_with = replace(plan, version=1, versions=1)
    return ask_of_store(
        desk,
        "note",
        *(position, day.day, made_with, levels, market and stamp(market)),
        about=f"Note of {day}",
        work=lambda job: _make(job, where, position, market, day, plan, levels, desk.method),
    )


def _make(
    job: Job,
    where: str,
    position: int,
    market: Path | None,
    day: Day,
    plan: Plan,
    levels: tuple[str, ...],
    method: Method,
) -> Made:
    job.say("two years of quotations")
    days = days_of(where, position, day.day, method)
    asked = None
    with Store.open(where) as store:
        known = heard(store, day.day, method, position)
        volumes = store.volumes(as_of=position)
        check_series(volumes, levels)
        if market is not None:
            since, error = date.fromisoformat(plan.since), float(plan.volume_error) / 100
            asked = asked_of_store(
                store, known, method, market_of(market), since, _items(plan), error
            )
    job.say("words and, where asked, why it moved")
    news = news_of(known, days, volumes, method, asked=asked, levels=levels)
    for each in news.explanations:
        job.say(f"certificate of why {each.item_id} moved")
        each.why.certified().must_be_valid(f"split of {each.item_id}")
    note = note_of(news, plan.title)
    job.say("pictures")
    return Made(note, facts_of(news, note), pictures_of(news))


def _items(plan: Plan) -> tuple[str, ...]:
    return tuple(each.strip() for each in plan.items.split(",") if each.strip())


def make(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """Say what the note is to be made with; the page of the note makes it. Where there is one,
    this is another version, and the text before is kept."""
    day = day_of(store, request, form)
    before: Plan | None = kept(desk, plan_key(day), Plan)
    plan = _plan_of(desk, store, day, form)
    if before is not None:
        versions = before.versions + 1
        plan = replace(plan, version=versions, versions=versions)
    if before is None or text_of(form, "version") == str(before.version):
        # a form that is sent twice makes one version
        keep(desk, plan_key(day), plan)
    return to_note(day)


def _plan_of(desk: Desk, store: Store, day: Day, form: Form) -> Plan:
    """Raise InputRefused with all that is wrong."""
    problems = []

    def refused(column: str, read: str, allowed: str) -> None:
        read = printable(read)[:60] or "nothing"
        problems.append(Problem("note", None, column, read, allowed))

    names = ("title", "since", "items", "volume_error")
    title, since, items, volume_error = (" ".join(text_of(form, name).split()) for name in names)
    plan = Plan(title, since, items, volume_error)
    if not plan.title or len(plan.title) > 200 or not plan.title.isprintable():
        refused("title", plan.title, "1 to 200 characters")
    if plan.since and desk.market is None:
        refused("since", plan.since, "nothing, as the desk was opened without --market")
    elif plan.since and day_in(plan.since, "since") >= day.day:
        refused("since", plan.since, f"a day before {day}")
    there = list(store.items())
    for name in _items(plan):
        if name not in there:
            refused("items", name, f"items of the store: {', '.join(there)}")
    try:
        error = float(plan.volume_error or "1")
    except ValueError:
        error = -1.0
    if not 0 <= error <= 50:
        refused("volume_error", plan.volume_error, "per cent, 0 to 50")
    if problems:
        raise InputRefused(problems)
    return replace(plan, volume_error=plan.volume_error or "1")


def turn(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """Go to another version of the text: undo and redo of making it again."""
    day = day_of(store, request, form)
    plan: Plan | None = kept(desk, plan_key(day), Plan)
    to = text_of(form, "to")
    version = None if plan is None else whole_number(to, plan.versions)
    if plan is None or not version:
        refuse("to", to, "a version of the note that there is")
    keep(desk, plan_key(day), replace(plan, version=version))
    return to_note(day)


def to_note(day: Day) -> Response:
    return RedirectResponse(f"/reporter/note?{urlencode({'day': str(day)})}", 303)


routes = [
    Route("/reporter/note/make", view(of_store(make)), methods=["POST"]),
    Route("/reporter/note/version", view(of_store(turn)), methods=["POST"]),
]
