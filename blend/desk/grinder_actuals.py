"""The filled-in work order against the plan: sent as a workbook, kept, and compared."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.pages import Form, Upload, page, view
from blend.errors import InputRefused, Problem
from blend.files import write_bytes
from blend.grinder.actuals import read_actuals
from blend.output.shown import shown_of

PATH = "/grinder/actuals"
_TITLES = {
    "products": "By product",
    "lots": "Lot by lot",
    "batches": "Batch by batch",
    "lots_lean": "Lean of the lots, by their batches",
}


def _kept(desk: Desk) -> Path:
    return desk.journal.folder / "work_order.xlsx"


def actuals_page(desk: Desk, request: Request, form: Form) -> Response:
    shown = partial(page, desk, request, "grinder_actuals.html", title="Actuals")
    kept = _kept(desk)
    if not kept.is_file():
        return shown(problems=(), answer=None)
    try:
        answer = read_actuals(desk.case(), kept)
    except InputRefused as refused:
        made = shown(problems=refused.problems, answer=None)
        made.status_code = 422
        return made
    tables = [shown_of(frame, title=_TITLES[name]) for name, frame in answer.tables.items()]
    return shown(tables, problems=(), answer=answer)


def take_in(desk: Desk, request: Request, form: Form) -> Response:
    """Keep the work order that was sent, in place of the one before."""
    sent = form.get("file")
    if not isinstance(sent, Upload) or not sent.data:
        raise InputRefused([Problem("file", None, None, "no file", "the work order (.xlsx)")])
    kept = _kept(desk)
    kept.touch(0o600)
    write_bytes(kept, sent.data)
    os.chmod(kept, 0o600)
    return RedirectResponse(PATH, 303)


routes = [Route(PATH, view(actuals_page)), Route(PATH, view(take_in), methods=["POST"])]
