"""Why no plan meets everything, and the changes that free one, each a button."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.domain.plan import Change, Clash
from blend.errors import InputRefused, NoPlan, Problem
from blend.grind.live import why_no_plan
from blend.show.amounts import printable
from blend.show.clash import ALL_TOGETHER, ANY_ONE, clash_words
from blend.web.desk import Desk
from blend.web.easing import all_cells, cell_of, type_cells, was_typed
from blend.web.jobs import Job
from blend.web.pages import Form, page, text_of, view, whole_number, working_or

CLASH, PLAN = "clash", "plan"
"""Work that ends in a clash: that which explains one, and a plan that was not found."""
_TITLE = "Why can this not be met?"


def clash_page(desk: Desk, request: Request, form: Form) -> Response:
    """Why no plan meets everything, with the changes; that nothing clashes where one does."""
    case, state = desk.case(), desk.state()
    if state.plan is not None:
        if request.headers.get("hx-request"):
            # a page that waited for the clash of tables which have changed since
            return Response(headers={"hx-refresh": "true"})
        return page(desk, request, "grinder_clash.html", title=_TITLE, words=None)
    if state.problems:
        raise InputRefused(state.problems)

    job = desk.ask(
        CLASH,
        about="Which requirements clash",
        work=lambda job: why_no_plan(case, job.say),
    )
    return working_or(
        desk, request, job, lambda clash: clash_answer(desk, request, clash, CLASH), title=_TITLE
    )


def clash_answer(desk: Desk, request: Request, clash: Clash, told_by: str) -> Response:
    """The page of a clash; `told_by` is the work that it came from."""
    case, book = desk.case(), desk.book
    words = clash_words(clash, case)
    return page(
        desk,
        request,
        "grinder_clash.html",
        title=_TITLE,
        words=words,
        alone=[
            (clash.changes.index(change), told, cell_of(change, case, book) is not None)
            for change, told in words.alone
        ],
        can_together=all_cells(clash.together, case, book) is not None,
        any_one=ANY_ONE,
        all_together=ALL_TOGETHER,
        told_by=told_by,
        revision=book.revision,
    )


def ease(desk: Desk, request: Request, form: Form) -> Response:
    """Make a change that was offered, in the tables that it was offered for."""
    wanted, name = text_of(form, "change"), text_of(form, "name")
    with desk.lock:
        if name and was_typed(desk, name):
            return RedirectResponse("/grinder/clash", 303)  # the same button, pressed twice
        told_by, revision = text_of(form, "told_by"), desk.book.revision
        job = desk.jobs.known(revision, (told_by,)) if told_by in (CLASH, PLAN) else None
        clash = _clash_of(job)
        if clash is None or text_of(form, "revision") != str(revision):
            raise _refused("tables that have changed since", "a change offered for those here")
        cells = all_cells(_chosen(clash, wanted), desk.case(), desk.book)
        if cells is None:
            raise _refused(printable(wanted)[:60], "a change that cells of the tables hold")
        type_cells(desk, cells, name=name)
    return RedirectResponse("/grinder/plan" if told_by == PLAN else "/grinder/clash", 303)


def _chosen(clash: Clash, wanted: str) -> tuple[Change, ...]:
    if wanted == "together":
        return clash.together
    place = whole_number(wanted, len(clash.changes) - 1)
    return () if place is None else (clash.changes[place],)


def _clash_of(job: Job | None) -> Clash | None:
    if job is None or not job.is_done:
        return None
    error = job.future.exception()
    if isinstance(error, NoPlan):
        return error.clash
    return job.result() if error is None and isinstance(job.result(), Clash) else None


def _refused(read: str, allowed: str) -> InputRefused:
    return InputRefused([Problem("change", None, None, read, allowed)])


routes = [
    Route("/grinder/clash", view(clash_page)),
    Route("/grinder/clash/ease", view(ease), methods=["POST"]),
]
