"""Published calls: which way items go, who signed, and how the calls that are due did."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.pages import Form, page, text_of, view, working_or
from blend.desk.reporter_publish import MAX_NAME
from blend.desk.reporter_store import Day, assessor_of, day_of, no_items, of_store, query_of, refuse
from blend.desk.reporter_weekly import ask_weekly
from blend.output.shown import shown_of
from blend.reporter.ledger import record_frame, record_words, signed_calls
from blend.reporter.weekly import Weekly
from blend.store import Store
from blend.store.calls import add_calls

PATH = "/reporter/calls"


def calls_page(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    day = day_of(store, request)
    if not store.items():
        return no_items(desk, request, day)

    def done(report: Weekly) -> Response:
        return _calls(desk, request, store, day, report)

    return working_or(desk, request, ask_weekly(desk, store, day), done, title="Call record")


def _calls(desk: Desk, request: Request, store: Store, day: Day, report: Weekly) -> Response:
    record = report.calls
    tables = [] if record is None else [shown_of(record_frame(record), title="Calls")]
    return page(
        desk,
        request,
        "reporter_calls.html",
        tables,
        title="Call record",
        day=day,
        lines=[] if record is None else record_words(record, report.friday),
        items=list(store.items()),
        can_call=day.after is None,
        signer=assessor_of(desk),
    )


def add(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """Publish a call; it is never changed afterwards."""
    day = day_of(store, request, form)
    item, way, chance, name = (
        " ".join(text_of(form, field).split()) for field in ("item", "way", "chance", "name")
    )
    if not name or len(name) > MAX_NAME or not name.isprintable():
        refuse("name", name, f"who answers for it, at most {MAX_NAME} characters")
    text = f"{item} {way} {chance.rstrip('%')}%" if chance else f"{item} {way}"
    try:
        add_calls(store, signed_calls(store, [text], day.day, f"desk, {name}"))
    except ValueError as error:
        refuse("call", text, str(error))
    with desk.lock:
        desk.journal.keep_draft("assessor", name)
    return RedirectResponse(f"{PATH}?{query_of(day)}", 303)


routes = [Route(PATH, view(of_store(calls_page))),
          Route(PATH, view(of_store(add)), methods=["POST"])]  # fmt: skip
