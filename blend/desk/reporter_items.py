"""The items of the store: what is quoted, and on which terms; one more is added by hand."""

from __future__ import annotations

import json
from collections import Counter
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.pages import Form, page, text_of, view
from blend.desk.reporter_canvass import Typed, draft_of, refused_form
from blend.desk.reporter_store import day_of, of_store
from blend.desk.tables import column_hint
from blend.domain.market import Additions
from blend.errors import InputRefused, Problem
from blend.output.shown import shown_of
from blend.reporter.canvass import items_frame
from blend.store import Store
from blend.tables.columns import HISTORY_TABLES
from blend.tables.history import item_of_words

PATH = "/reporter/items"
DRAFT = "item"
COLUMNS = {column.name: column for column in HISTORY_TABLES["items"].columns}
_CHOSEN = ("species", "fresh_or_frozen", "basis")


def items_page(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    # a list of choices shows one of them, so it shows the one that is taken
    chosen = {"basis": COLUMNS["basis"].default}
    draft = draft_of(desk, DRAFT)
    if draft.get("item_id") in store.items():  # it was added since, from this very form
        draft = {}
    values = dict.fromkeys(COLUMNS, "") | chosen | draft
    return _items(desk, store, request, Typed(values, draft=DRAFT))


def _items(desk: Desk, store: Store, request: Request, typed: Typed) -> Response:
    items = store.items()
    added = request.query_params.get("added", "")
    made = page(
        desk,
        request,
        "reporter_items.html",
        [
            shown_of(
                items_frame(items.values(), Counter(e.item_id for e in store.entries())),
                None,
                "Items",
            )
        ],
        title="Items",
        day=day_of(store, request),
        typed=typed,
        added=added if added in items else "",
        columns=COLUMNS,
        choices={name: [(each, each) for each in COLUMNS[name].choices] for name in _CHOSEN},
        hint=column_hint,
    )
    made.status_code = 422 if typed.faults or typed.others else 200
    return made


def add_item(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    """Add an item, under the rules of its table; sent twice, it is added once.

    Terms of an item that is there are changed by a table of items, not here, where a name that
    is there already is more likely a slip.
    """
    words = {name: text_of(form, name).strip() for name in COLUMNS}
    with desk.lock:
        desk.journal.keep_draft(DRAFT, json.dumps(words))
    try:
        item = item_of_words(words)
        there = store.items().get(item.item_id, item)
        if there != item:
            allowed = "a name that no item of the store has"
            raise InputRefused([Problem("item", None, "item_id", item.item_id, allowed)])
        store.add(Additions(items=(item,)))
    except InputRefused as refused:
        typed = refused_form(words, refused.problems, DRAFT, tuple(COLUMNS))
        return _items(desk, store, request, typed)
    with desk.lock:
        desk.journal.keep_draft(DRAFT, "")
    return RedirectResponse(f"{PATH}?{urlencode({'added': item.item_id})}", 303)


routes = [
    Route(PATH, view(of_store(items_page))),
    Route(f"{PATH}/add", view(of_store(add_item)), methods=["POST"]),
]
