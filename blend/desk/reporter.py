"""The reporter's pages: what was heard, what is quoted, how it went, why, and the note."""

from __future__ import annotations

from starlette.routing import Route

from blend.desk import (
    reporter_calls,
    reporter_canvass,
    reporter_items,
    reporter_note,
    reporter_note_made,
    reporter_publish,
    reporter_quotations,
    reporter_rows,
    reporter_tone,
    reporter_weekly,
    reporter_why,
)
from blend.desk.pages import view
from blend.desk.reporter_store import make_store
from blend.desk.tables import Part

parts: dict[str, tuple[str, Part]] = {}
"""Nothing here hangs on the tables of the plan as they are typed."""

routes = [
    Route("/reporter/store", view(make_store), methods=["POST"]),
    *reporter_canvass.routes,
    *reporter_rows.routes,
    *reporter_items.routes,
    *reporter_quotations.routes,
    *reporter_publish.routes,
    *reporter_tone.routes,
    *reporter_why.routes,
    *reporter_note.routes,
    *reporter_note_made.routes,
    *reporter_weekly.routes,
    *reporter_calls.routes,
]
