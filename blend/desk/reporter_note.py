"""The day's note: edited, checked against the store, signed and downloaded."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.journal import OWN
from blend.desk.pages import Form, file_response, page, text_of, view, working_or
from blend.desk.reporter_note_made import (
    WEEK,
    Made,
    Plan,
    ask_note,
    keep,
    kept,
    plan_key,
    text_key,
    to_note,
)
from blend.desk.reporter_publish import MAX_NAME
from blend.desk.reporter_store import Day, day_of, of_store, refuse
from blend.desk.reporter_tone import levels_of, series_names
from blend.errors import BlendError, FileTrouble
from blend.output.formats import printable
from blend.output.shown import shown_of
from blend.reporter.note_page import Page, cited, draft_of, figures_frame, page_of, sources_page
from blend.reporter.signing import ToConfirm, to_confirm
from blend.store import Store
from blend.tables.write import write_text

MAX_TEXT = 1_000_000
_SHEET_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox"
"""Of the note's page: nothing in it runs, and nothing comes from elsewhere."""
_SHEET_HEADERS = {
    "content-security-policy": _SHEET_POLICY,
    # a sandboxed page with an opener policy of its own is not shown in a tab of its own
    "cross-origin-opener-policy": "unsafe-none",
}


@dataclass(frozen=True, slots=True)
class Signed:
    """Who signed which text, and when; the page lies in the desk's own folder."""

    name: str
    digest: str
    at: str


def _signed_place(desk: Desk, day: Day) -> Path:
    return desk.journal.folder / f"note-{day}.html"


def _signed_key(day: Day) -> str:
    return f"{OWN}note signed {day}"


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def note_page(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    day = day_of(store, request)
    plan: Plan | None = kept(desk, plan_key(day), Plan)
    values: dict[str, Any] = {
        "title": "Note",
        "day": day,
        "week_before": day.day - WEEK,
        "items": list(store.items()),
        "levels": levels_of(desk),
        "series": series_names(store),
        "new": plan or Plan(since=str(day.day - WEEK) if desk.market else ""),
    }
    if plan is None:
        return page(desk, request, "reporter_note.html", plan=None, **values)

    def done(made: Made) -> Response:
        text = _text(desk, day, plan, made)
        signed: Signed | None = kept(desk, _signed_key(day), Signed)
        return page(
            desk,
            request,
            "reporter_note.html",
            [shown_of(figures_frame(made.note), None, "Figures of the note")],
            plan=plan,
            key=text_key(day, plan),
            text=text,
            figures=[(each.figure_id, each.text, cited(each))
                     for each in made.note.figures.values()],
            signed=signed,
            is_refused=bool(request.query_params.get("unsigned")),
            is_signed=signed is not None and signed.digest == _digest(text),
            signer=desk.journal.drafts.get("assessor", ""),
            **_checked(day, made, text),
            **values,
        )  # fmt: skip

    try:
        return working_or(desk, request, ask_note(desk, store, day, plan), done, title="Note")
    except BlendError as error:
        # with what was asked it cannot be made: the form comes again, and says why
        lines = [printable(line) for line in str(error).splitlines()]
        made = page(desk, request, "reporter_note.html", plan=None, refused=lines, **values)
        made.status_code = 422
        return made


def _text(desk: Desk, day: Day, plan: Plan, made: Made) -> str:
    """The text as it was left; the draft from the store where there is none yet."""
    key = text_key(day, plan)
    with desk.lock:
        if key not in desk.journal.drafts:
            desk.journal.keep_draft(key, draft_of(made.note))
        return desk.journal.drafts[key]


def _checked(day: Day, made: Made, text: str) -> dict[str, Any]:
    """What does not agree, and the address of the page as this text has it."""
    query = urlencode({"day": str(day), "text": _digest(text)[:12]})
    return {
        "problems": _page(made, text).problems,
        "to_confirm": [(_ticked(each), each.words) for each in _to_confirm(made, text)],
        "sheet": f"/reporter/note/page?{query}",
    }


def _to_confirm(made: Made, text: str) -> list[ToConfirm]:
    return to_confirm(made.note, made.facts, text)


def _ticked(each: ToConfirm) -> str:
    """The name of its tick box: of these words and no others."""
    return f"confirm-{_digest(each.words)[:16]}"


def _page(made: Made, text: str, signed_by: str = "") -> Page:
    sources = f"/reporter/note/sources?day={made.note.day}"
    return page_of(made.note, made.pictures, draft=text, signed_by=signed_by, sources=sources)


Answer = Callable[[Desk, Request, Form, Day, Plan, Made], Response]


def _of_note(answer: Answer) -> Callable[[Desk, Request, Form], Response]:
    """A view of a note that was made."""

    @of_store
    def answered(desk: Desk, store: Store, request: Request, form: Form) -> Response:
        day = day_of(store, request, form)
        plan: Plan | None = kept(desk, plan_key(day), Plan)
        if plan is None:
            refuse("day", str(day), "a day whose note was made")
        job = ask_note(desk, store, day, plan)
        return answer(desk, request, form, day, plan, job.result())

    return answered


def check(desk: Desk, request: Request, form: Form, day: Day, plan: Plan, made: Made) -> Response:
    """Keep the text as it is being written, and check it against the store."""
    text = _sent_text(form)
    with desk.lock:
        desk.journal.keep_draft(text_key(day, plan), text)
    return page(desk, request, "reporter_note_check.html", **_checked(day, made, text))


def _sent_text(form: Form) -> str:
    text = text_of(form, "text").replace("\r\n", "\n")
    if len(text) > MAX_TEXT:
        refuse("text", f"{len(text)} characters", f"at most {MAX_TEXT}")
    return text


def sheet(desk: Desk, request: Request, form: Form, day: Day, plan: Plan, made: Made) -> Response:
    """The note as a page: what is printed."""
    return HTMLResponse(_page(made, _text(desk, day, plan, made)).html, headers=_SHEET_HEADERS)


def sources(desk: Desk, request: Request, form: Form, day: Day, plan: Plan, made: Made) -> Response:
    """Every figure of the note and where it is from."""
    return HTMLResponse(sources_page(made.note), headers=_SHEET_HEADERS)


def sign(desk: Desk, request: Request, form: Form, day: Day, plan: Plan, made: Made) -> Response:
    """Sign the text that was sent, and make the page; refused while anything differs."""
    text, name = _sent_text(form), " ".join(text_of(form, "name").split())
    with desk.lock:
        desk.journal.keep_draft(text_key(day, plan), text)
    if not name or len(name) > MAX_NAME or not name.isprintable():
        refuse("name", name, f"a name of at most {MAX_NAME} characters")
    signed = _page(made, text, name)
    left = [each for each in _to_confirm(made, text) if not text_of(form, _ticked(each))]
    if signed.problems or left:
        return RedirectResponse(f"/reporter/note?day={day}&unsigned=yes#note-check", 303)
    write_text(_signed_place(desk, day), signed.html)
    with desk.lock:
        desk.journal.keep_draft("assessor", name)
    moment = datetime.now().isoformat(" ", "minutes")
    keep(desk, _signed_key(day), Signed(name, _digest(text), moment))
    return to_note(day)


def take_draft(
    desk: Desk, request: Request, form: Form, day: Day, plan: Plan, made: Made
) -> Response:
    return file_response(f"note-{day}.md", _text(desk, day, plan, made).encode())


def take_page(
    desk: Desk, request: Request, form: Form, day: Day, plan: Plan, made: Made
) -> Response:
    """The page as it stands, not signed."""
    html = _page(made, _text(desk, day, plan, made)).html
    return file_response(f"note-{day}-draft.html", html.encode())


def _signed_html(desk: Desk, day: Day) -> bytes:
    try:
        return _signed_place(desk, day).read_bytes()
    except OSError as error:
        raise FileTrouble(f"no note of {day} was signed at this desk") from error


def take_signed(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    day = day_of(store, request)
    return file_response(f"note-{day}.html", _signed_html(desk, day))


def signed_sheet(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """The page as it was signed, to read and to print."""
    return HTMLResponse(_signed_html(desk, day_of(store, request)), headers=_SHEET_HEADERS)


post = partial(Route, methods=["POST"])
routes = [
    Route("/reporter/note", view(of_store(note_page))),
    post("/reporter/note/check", view(_of_note(check))),
    post("/reporter/note/sign", view(_of_note(sign))),
    Route("/reporter/note/page", view(_of_note(sheet))),
    Route("/reporter/note/sources", view(_of_note(sources))),
    Route("/reporter/note/signed", view(of_store(signed_sheet))),
    Route("/reporter/note/draft.md", view(_of_note(take_draft))),
    Route("/reporter/note/draft.html", view(_of_note(take_page))),
    Route("/reporter/note/signed.html", view(of_store(take_signed))),
]
