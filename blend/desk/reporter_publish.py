"""Publishing quotations: first what would be published and what not, then once and for all."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.pages import Form, page, text_of, view, working_or
from blend.desk.reporter_store import (
    Day,
    QuotedDay,
    ask_quoted,
    day_of,
    of_store,
    query_of,
    quoted_day,
    refuse,
)
from blend.domain.market import MAX_USD_PER_CWT, MIN_USD_PER_CWT
from blend.errors import InputRefused, Problem
from blend.output.shown import shown_of
from blend.reporter.quote import publication_frame
from blend.reporter.quoting import Override, Publication, Quoted, heard, planned, publish
from blend.store import Store

MAX_NAME = 100


@dataclass(frozen=True, slots=True)
class _Asked:
    """Who answers, which items, and a person's price in the place of the method's."""

    assessor: str
    items: tuple[str, ...]
    overrides: Mapping[str, Override]
    fields: dict[str, str]
    """As they were sent, to be sent again."""


def before_publishing(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """What would be published, what withheld, and why; nothing is written."""
    day = day_of(store, request)

    def done(found: QuotedDay) -> Response:
        asked = _asked(request.query_params, found)
        would = _planned(desk, store, day, found, asked)
        return page(
            desk,
            request,
            "reporter_publish.html",
            [shown_of(publication_frame(would), None, "What would be published")],
            title="Before publishing",
            day=day,
            asked=asked,
            would=would,
            position=found.position,
            again=store.published(days=(day.day, day.day)),
        )

    return working_or(desk, request, ask_quoted(desk, store, day), done, title="Publish")


def publish_now(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """Publish what was looked at, from the store as it stood then; sent twice, it is done once."""
    day = day_of(store, request, form)
    position = text_of(form, "position")
    with desk.lock:
        found = quoted_day(desk.store_place, store.position(), day.day, desk.method)
        asked = _asked(form, found)
        if position == str(found.position):
            known = heard(store, day.day, desk.method, found.position)
            made = publish(
                store,
                known,
                _chosen(found, asked),
                desk.method,
                asked.assessor,
                asked.overrides,
                " ".join(text_of(form, "correction").split()),
            )
            if not made.published:
                refuse("items", "nothing that may be published", "an item that is quoted")
        elif not _is_done(store, day, asked, position):
            refuse(
                "position",
                f"a look at the store as it stood at append {position}",
                f"a look at it as it stands now, at append {found.position}: look again",
            )
        desk.journal.keep_draft("assessor", asked.assessor)
    return RedirectResponse(f"/reporter/quotations?{query_of(day)}", 303)


def _is_done(store: Store, day: Day, asked: _Asked, position: str) -> bool:
    """Whether this very publication is there already."""
    return any(
        each.assessor == asked.assessor
        and str(each.store_position) == position
        and (not asked.items or each.item_id in asked.items)
        for each in store.published(days=(day.day, day.day))
    )


def _planned(desk: Desk, store: Store, day: Day, found: QuotedDay, asked: _Asked) -> Publication:
    known = heard(store, day.day, desk.method, found.position)
    return planned(known, _chosen(found, asked), asked.assessor, asked.overrides)


def _chosen(found: QuotedDay, asked: _Asked) -> Sequence[Quoted]:
    if not asked.items:
        return found.quoted
    return [each for each in found.quoted if each.assessed.item.item_id in asked.items]


def _asked(sent: Mapping[str, object], found: QuotedDay) -> _Asked:
    """What was asked; raise InputRefused with all that is wrong with it."""
    fields = {
        name: " ".join(str(sent.get(name, "")).split())
        for name in ("assessor", "item", "override_item", "override", "reason")
    }
    problems = []

    def refuse_field(column: str, read: str, allowed: str) -> None:
        problems.append(Problem("publish", None, column, read or "nothing", allowed))

    assessor = fields["assessor"]
    if not assessor or len(assessor) > MAX_NAME or not assessor.isprintable():
        refuse_field("assessor", assessor[:60], f"a name of at most {MAX_NAME} characters")
    for name in ("item", "override_item"):
        if fields[name]:
            found.of(fields[name])
    overrides = {}
    item, price, reason = (fields[name] for name in ("override_item", "override", "reason"))
    if item or price or reason:
        usd = _usd_per_cwt(price)
        if usd is None:
            allowed = f"USD per cwt, {MIN_USD_PER_CWT:g} to {MAX_USD_PER_CWT:g}"
            refuse_field("override", price[:60], allowed)
        if not item:
            refuse_field("override_item", "", "the item whose price a person sets")
        elif fields["item"] and item != fields["item"]:
            refuse_field("override_item", item, f"{fields['item']}, which is to be published")
        if not reason or not reason.isprintable() or len(reason) > 1_000:
            refuse_field("reason", reason[:60], "why the price is not the method's")
        second = " ".join(str(sent.get("second", "")).split())[:MAX_NAME]
        overrides = {item: Override(usd or 0.0, reason, second)}
    if problems:
        raise InputRefused(problems)
    items = (fields["item"],) if fields["item"] else ()
    return _Asked(assessor, items, overrides, fields)


def _usd_per_cwt(text: str) -> float | None:
    try:
        usd = float(text)
    except ValueError:
        return None
    inside = math.isfinite(usd) and MIN_USD_PER_CWT <= usd <= MAX_USD_PER_CWT
    return round(usd, 2) if inside else None


routes = [
    Route("/reporter/quotations/publish", view(of_store(before_publishing))),
    Route("/reporter/quotations/publish", view(of_store(publish_now)), methods=["POST"]),
]
