"""The canvass: what is heard is typed, pasted or read from a file; corrected, and withdrawn."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.pages import Form, page, text_of, us_day, view
from blend.desk.reporter_store import Day, day_of, of_store
from blend.domain.market import CanvassEntry
from blend.errors import InputRefused, Problem
from blend.output.formats import long_day, printable
from blend.output.shown import shown_of
from blend.reporter.canvass import entries_frame
from blend.reporter.entry_questions import questions_of
from blend.store import Store
from blend.store.canvass import new_entry_id, withdraw
from blend.tables.cells import typed_text
from blend.tables.forms import form_fields
from blend.tables.history import entry_of_words, filled_in, typed_addition
from blend.tables.tables import MAX_ROWS

TYPED = (
    "item_id",
    "kind",
    "usd_per_cwt",
    "pounds_lb",
    "source",
    "source_class",
    "lean",
    "basis",
    "freight_usd_per_cwt",
    "delivered_within_days",
    "note",
    "heard_at",
    "market_day",
)
"""Columns that the form has a field of its own for."""
PASTED = (*TYPED[:10], "is_firm", "between_affiliates", *TYPED[10:])
"""Columns of pasted rows without a header, in this order."""
LABELS = {"source": "Company", "source_class": "Company type", "lean": "Lean, % or 0.90"}
"""Where the form says it otherwise than the column."""
KEPT = ("item_id", "source", "source_class")
"""What stays in the form from one entry to the next."""
DRAFT, PASTE_DRAFT = "canvass", "canvass-paste"


@dataclass
class Typed:
    """What stands in the form of an entry, and what is wrong with it by column."""

    values: dict[str, str]
    faults: dict[str, str] = field(default_factory=dict)
    others: list[str] = field(default_factory=list)
    """Faults that are of no field."""
    focus: str = "item_id"
    draft: str = DRAFT
    asked: list[str] = field(default_factory=list)
    """What looks wrong, to confirm before the entry is kept."""
    confirm: str = ""
    """What the confirmation is of: an entry changed since is asked about again."""


# Pages -------------------------------------------------------------------------------------------


def canvass_page(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    day = day_of(store, request)
    return canvass(desk, store, request, day, begun(desk, store, day))


def canvass(
    desk: Desk,
    store: Store,
    request: Request,
    day: Day,
    typed: Typed,
    *,
    pasted: dict[str, str] | None = None,
    asked: Sequence[str] = (),
    read: Sequence[CanvassEntry] = (),
    problems: Sequence[Problem | str] = (),
    messages: Sequence[str] = (),
) -> Response:
    """The page of a day. `asked` is what to confirm of what was pasted, which was `read` so."""
    entries = store.every_entry(days=(day.day, day.day))
    table = shown_of(
        entries_frame(entries)[::-1],
        None,
        f"Canvass, {us_day(day)}",
        "A correction is added; what it corrects stays." if entries else "Nothing was heard.",
    )
    added_id = request.query_params.get("added", "")
    added = next((each for each in entries if each.entry_id == added_id), None)
    made = page(
        desk,
        request,
        "reporter.html",
        [table, *([shown_of(entries_frame(read), None, "What was read")] if read else [])],
        title="Canvass",
        day=day,
        long_day=long_day(day.day),
        typed=typed,
        pasted=pasted or paste_begun(desk, store),
        asked=asked,
        columns=PASTED,
        problems=[str(each) for each in problems],
        messages=[*messages, *([_added_words(added)] if added else [])],
        links=[f"/reporter/entry?{urlencode({'entry': e.entry_id})}" for e in reversed(entries)],
        max_rows=MAX_ROWS,
        **_choices(store),
    )
    is_refused = problems or asked or typed.faults or typed.others or typed.asked
    made.status_code = 422 if is_refused else 200
    return made


def _choices(store: Store) -> dict[str, Any]:
    return {
        "fields": {
            each.name: replace(
                each,
                label=LABELS.get(each.name, each.label),
                choices=tuple(store.items()) if each.name == "item_id" else each.choices,
            )
            for each in form_fields(CanvassEntry)
        }
    }


def _added_words(entry: CanvassEntry) -> str:
    if entry.withdrawn:
        return f"{entry.corrects} is withdrawn."
    price = f"${entry.usd_per_cwt:,.2f}/cwt"
    return f"Added {entry.entry_id}: {entry.kind.value} of {entry.item_id} at {price}."


def entry_page(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """One entry, what it corrects and what corrects it; a form to correct and one to withdraw."""
    chain = _chain(store, request.query_params.get("entry", ""))
    return _entry(desk, store, request, chain, _correcting(desk, store, chain[-1]))


def _entry(
    desk: Desk,
    store: Store,
    request: Request,
    chain: tuple[CanvassEntry, ...],
    typed: Typed,
    withdrawing: Mapping[str, str] | None = None,
) -> Response:
    last = chain[-1]
    title = f"Entry {last.entry_id} and what it corrects, oldest first"
    table = shown_of(entries_frame(chain), None, title)
    made = page(
        desk,
        request,
        "reporter_entry.html",
        [table],
        title=f"Entry {last.entry_id}",
        day=last.market_day,
        last=last,
        typed=typed,
        withdrawing=withdrawing or {"new_id": new_entry_id(), "note": "", "fault": ""},
        **_choices(store),
    )
    is_refused = typed.faults or typed.others or typed.asked or (withdrawing or {}).get("fault")
    made.status_code = 422 if is_refused else 200
    return made


def _chain(store: Store, entry_id: str) -> tuple[CanvassEntry, ...]:
    chain = store.history(entry_id)
    if not chain:
        read = printable(entry_id)[:60] or "nothing"
        raise InputRefused([Problem("page", None, "entry", read, "an entry of the store")])
    return chain


# What stands in the forms ------------------------------------------------------------------------


def draft_of(desk: Desk, key: str) -> dict[str, str]:
    """The fields of a form that was being filled in."""
    kept = desk.journal.draft_as_json(key)
    return {n: t for n, t in kept.items() if isinstance(t, str)} if isinstance(kept, dict) else {}


def is_held(store: Store, entry_id: str) -> bool:
    return bool(entry_id) and bool(store.history(entry_id))


def begun(desk: Desk, store: Store, day: Day) -> Typed:
    """A new entry's form: half typed as it was left, else what stays from the last entry."""
    draft = draft_of(desk, DRAFT)
    fresh = dict.fromkeys(TYPED, "") | {"basis": "fob"}
    fresh |= {"entry_id": new_entry_id(), "market_day": str(day)}
    if not draft or is_held(store, draft.get("entry_id", "")):
        kept = {name: draft.get(name, "") for name in KEPT}
        return Typed(fresh | kept, focus="kind" if kept["item_id"] else "item_id")
    # the day in sight is the day that counts
    return Typed(
        fresh | draft | {"market_day": str(day)},
        focus="usd_per_cwt" if draft.get("kind") else "item_id",
    )


def _correcting(desk: Desk, store: Store, last: CanvassEntry) -> Typed:
    """The form filled in from an entry; its source stays where it is kept."""
    key = f"{DRAFT}:{last.entry_id}"
    draft = draft_of(desk, key)
    if draft and not is_held(store, draft.get("entry_id", "")):
        return Typed(dict.fromkeys(TYPED, "") | draft, focus="usd_per_cwt", draft=key)
    values = {name: typed_text(getattr(last, name)) for name in TYPED} | {"source": ""}
    values |= {"entry_id": new_entry_id(), "corrects": last.entry_id}
    values |= {} if last.is_firm else {"not_firm": "yes"}
    values |= {"between_affiliates": "yes"} if last.between_affiliates else {}
    return Typed(values, focus="usd_per_cwt", draft=key)


def paste_begun(desk: Desk, store: Store) -> dict[str, str]:
    draft = draft_of(desk, PASTE_DRAFT)
    if draft and not is_held(store, row_id(draft.get("paste_id", ""), 1)):
        return {"paste_id": draft.get("paste_id", ""), "rows": draft.get("rows", "")}
    return {"paste_id": new_entry_id(), "rows": ""}


def row_id(paste_id: str, place: int) -> str:
    return f"{paste_id}-{place:03}"


# One entry ---------------------------------------------------------------------------------------


def add(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """Add an entry, or a correction; the same one sent twice is added once."""
    names = (*TYPED, "entry_id", "corrects")
    values = {name: text_of(form, name).strip() for name in names}
    values |= {n: "yes" for n in ("not_firm", "between_affiliates") if text_of(form, n)}
    corrects = values["corrects"]
    key = f"{DRAFT}:{corrects}" if corrects else DRAFT
    with desk.lock:
        desk.journal.keep_draft(key, json.dumps(values))
    try:
        entry = _entry_of(store, values)
        if asked := _to_confirm(desk, store, entry, text_of(form, "confirmed")):
            typed = Typed(values, focus="", draft=key, asked=asked, confirm=_confirmation(entry))
            if corrects and store.history(corrects):
                return _entry(desk, store, request, store.history(corrects), typed)
            return canvass(desk, store, request, day_of(store, request), typed)
        store.add(typed_addition(entry))
    except InputRefused as refused:
        typed = refused_form(values, refused.problems, key)
        if corrects and store.history(corrects):
            return _entry(desk, store, request, store.history(corrects), typed)
        return canvass(desk, store, request, day_of(store, request), typed)
    return _to_day(entry)


def _to_confirm(desk: Desk, store: Store, entry: CanvassEntry, confirmed: str) -> list[str]:
    """Questions about an entry that is new and not confirmed as it stands."""
    if confirmed == _confirmation(entry) or is_held(store, entry.entry_id):
        return []
    return [printable(each.text) for each in questions_of(store, entry, desk.method)]


def _confirmation(entry: CanvassEntry) -> str:
    parts = (entry.market_day, entry.item_id, entry.kind.value, entry.usd_per_cwt, entry.pounds_lb)
    return " ".join(map(str, parts))


def _entry_of(store: Store, values: Mapping[str, str]) -> CanvassEntry:
    corrected = next(iter(_held(store, values["corrects"])), None)
    words = {name: values[name] for name in (*TYPED, "entry_id", "corrects")}
    words["is_firm"] = "no" if "not_firm" in values else "yes"
    words["between_affiliates"] = values.get("between_affiliates", "no")
    if corrected is not None and not words["source"]:
        words["source"] = corrected.source
    return entry_of_words(completed(store, words))


def completed(store: Store, words: dict[str, str]) -> dict[str, str]:
    """What was typed, with what is taken where nothing was; of an entry that is held already
    (it was sent twice) what was taken then."""
    held = next(iter(_held(store, words["entry_id"])), None)
    now = datetime.now() if held is None else held.heard_at
    return filled_in(words, new_entry_id(), now)


def _held(store: Store, entry_id: str) -> Iterable[CanvassEntry]:
    chain = store.history(entry_id) if entry_id else ()
    return (each for each in chain if each.entry_id == entry_id)


def refused_form(
    values: dict[str, str], problems: Sequence[Problem], key: str, names: Sequence[str] = TYPED
) -> Typed:
    """The form as it was sent, each fault next to its field where it has one of `names`."""
    faults: dict[str, str] = {}
    others = []
    for problem in problems:
        column = problem.column
        if column is not None and column in names and column not in faults:
            faults[column] = printable(problem.words)
        else:
            others.append(printable(str(problem)))
    focus = next((name for name in names if name in faults), names[0])
    return Typed(values, faults, others, focus, key)


def _to_day(entry: CanvassEntry) -> Response:
    query = urlencode({"day": entry.market_day.isoformat(), "added": entry.entry_id})
    return RedirectResponse(f"/reporter?{query}", 303)


def company(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """The one company whose name begins so, and its type; nothing where several do or none."""
    begun = request.query_params.get("starts", "").casefold()
    found = [each for each in store.companies().items() if each[0].casefold().startswith(begun)]
    if len(begun) < 2 or len(found) != 1:
        return JSONResponse({})
    name, kind = found[0]
    return JSONResponse({"text": name, "also": {"source_class": kind}})


def clear_form(desk: Desk, request: Request, form: Form) -> Response:
    """Empty the form: what was half typed is let go."""
    with desk.lock:
        desk.journal.keep_draft(DRAFT, "")
    day = request.query_params.get("day", "")
    return RedirectResponse(f"/reporter?{urlencode({'day': day})}" if day else "/reporter", 303)


def take_back(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """Withdraw what stands of an entry, with a reason."""
    entry_id, note, new_id = (text_of(form, name).strip() for name in ("entry", "note", "new_id"))
    chain = _chain(store, entry_id)
    if not note:
        withdrawing = {"new_id": new_id, "note": "", "fault": "read nothing; allowed a reason."}
        typed = _correcting(desk, store, chain[-1])
        return _entry(desk, store, request, chain, typed, withdrawing)
    last = chain[-1]
    if last.entry_id != new_id:
        # the reason and the new name must be what the table allows
        words = {name: typed_text(getattr(last, name)) for name in TYPED}
        checked = entry_of_words(words | {"note": note, "entry_id": new_id or new_entry_id()})
        note, new_id = checked.note, checked.entry_id
    return _to_day(withdraw(store, entry_id, note, new_id))


routes = [
    Route("/reporter", view(of_store(canvass_page))),
    Route("/reporter/add", view(of_store(add)), methods=["POST"]),
    Route("/reporter/company", view(of_store(company))),
    Route("/reporter/clear", view(clear_form), methods=["POST"]),
    Route("/reporter/entry", view(of_store(entry_page))),
    Route("/reporter/withdraw", view(of_store(take_back)), methods=["POST"]),
]
