"""Why no plan meets everything, and the changes that free one, each a button."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.desk.desk import Desk
from blend.desk.jobs import Job
from blend.desk.loosening import all_cells, cell_of, type_cells, was_typed
from blend.desk.pages import Form, page, text_of, view, whole_number, working_or
from blend.domain.plan import Change, InfeasibleSubset
from blend.errors import InputRefused, NoPlan, Problem
from blend.grinder.live import why_no_plan
from blend.grinder.no_plan import ALL_TOGETHER, ANY_ONE, infeasible_words
from blend.output.formats import printable

WHY_NOT, PLAN = "infeasible", "plan"
"""Work that ends in an infeasible subset: explaining one, and a plan that was not found."""
_TITLE = "Why is there no plan?"


def infeasible_page(desk: Desk, request: Request, form: Form) -> Response:
    """Why no plan meets everything, with the changes; or that there is a plan."""
    case, state = desk.case(), desk.state()
    if state.plan is not None:
        if request.headers.get("desk-part"):
            # a page that waited for the infeasible subset of tables which have changed since
            return Response(headers={"desk-reload": "true"})
        return page(desk, request, "grinder_infeasible.html", title=_TITLE, words=None)
    if state.problems:
        raise InputRefused(state.problems)

    job = desk.ask(
        WHY_NOT,
        about="Finding which requirements conflict",
        work=lambda job: why_no_plan(case, job.say),
    )
    return working_or(
        desk,
        request,
        job,
        lambda infeasible: infeasible_answer(desk, request, infeasible, WHY_NOT),
        title=_TITLE,
    )


def infeasible_answer(
    desk: Desk, request: Request, infeasible: InfeasibleSubset, found_by: str
) -> Response:
    """Why there is no plan; `found_by` is the work that it came from."""
    case, book = desk.case(), desk.book
    words = infeasible_words(infeasible, case)
    return page(
        desk,
        request,
        "grinder_infeasible.html",
        title=_TITLE,
        words=words,
        alone=[
            (infeasible.changes.index(change), line, cell_of(change, case, book) is not None)
            for change, line in words.alone
        ],
        can_together=all_cells(infeasible.together, case, book) is not None,
        any_one=ANY_ONE,
        all_together=ALL_TOGETHER,
        found_by=found_by,
        revision=book.revision,
    )


def ease(desk: Desk, request: Request, form: Form) -> Response:
    """Make a change that was offered, in the tables that it was offered for."""
    wanted, name = text_of(form, "change"), text_of(form, "name")
    with desk.lock:
        if name and was_typed(desk, name):
            return RedirectResponse("/grinder/why-no-plan", 303)  # the same button, pressed twice
        found_by, revision = text_of(form, "found_by"), desk.book.revision
        job = desk.jobs.known(revision, (found_by,)) if found_by in (WHY_NOT, PLAN) else None
        infeasible = _infeasible_of(job)
        if infeasible is None or text_of(form, "revision") != str(revision):
            raise _refused("tables that have changed since", "a change offered for those here")
        cells = all_cells(_chosen(infeasible, wanted), desk.case(), desk.book)
        if cells is None:
            raise _refused(printable(wanted)[:60], "a change that cells of the tables hold")
        type_cells(desk, cells, name=name)
    return RedirectResponse("/grinder/plan" if found_by == PLAN else "/grinder/why-no-plan", 303)


def _chosen(infeasible: InfeasibleSubset, wanted: str) -> tuple[Change, ...]:
    if wanted == "together":
        return infeasible.together
    place = whole_number(wanted, len(infeasible.changes) - 1)
    return () if place is None else (infeasible.changes[place],)


def _infeasible_of(job: Job | None) -> InfeasibleSubset | None:
    if job is None or not job.is_done:
        return None
    error = job.future.exception()
    if isinstance(error, NoPlan):
        return error.infeasible
    return job.result() if error is None and isinstance(job.result(), InfeasibleSubset) else None


def _refused(read: str, allowed: str) -> InputRefused:
    return InputRefused([Problem("change", None, None, read, allowed)])


routes = [
    Route("/grinder/why-no-plan", view(infeasible_page)),
    Route("/grinder/why-no-plan/ease", view(ease), methods=["POST"]),
]
