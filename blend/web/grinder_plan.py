"""The plan in whole numbers, and its batch sheets."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.domain.case import Case
from blend.domain.plan import Plan
from blend.errors import InputRefused, NoPlan, Problem, SolverTrouble
from blend.show.batch_sheet import batch_sheets, pull_table
from blend.show.clash import broken_lines
from blend.show.summary import summary_line
from blend.show.tables import plan_tables
from blend.web.desk import Desk
from blend.web.grinder_clash import PLAN, clash_answer
from blend.web.jobs import Job
from blend.web.pages import (
    Form,
    page,
    same_page,
    view,
    whole_number,
    working_or,
    written,
)
from blend.web.tables import Part

_PICTURES = (".svg", ".png")


@dataclass(frozen=True)
class Planned:
    """A plan, and the case and tables that it is of."""

    revision: int
    case: Case
    plan: Plan


def _job(desk: Desk, revision: int) -> Job | None:
    """The plan of those tables: begun where they are the present ones, else as it was left."""
    with desk.lock:
        if revision != desk.book.revision:
            return desk.jobs.known(revision, (PLAN,))
        case = desk.case()

        def work(job: Job) -> Planned:
            from blend.grind.plan import make_plan

            plan = make_plan(case, progress=job.say, stopped=job.is_stopped)
            if not plan.proof.is_sound:
                raise SolverTrouble("\n".join(broken_lines(plan.proof, case)))
            return Planned(revision, case, plan)

        about = "The plan in whole numbers"
        return desk.ask(PLAN, about=about, work=work, can_stop=True)


def _planned(
    desk: Desk, request: Request, title: str, done: Callable[[Planned], Response]
) -> Response:
    """`done` with the plan that the address names by `of`; without one, of the tables as typed."""
    asked = whole_number(request.query_params.get("of", ""))
    job = None if asked is None else _job(desk, asked)
    if job is None:
        return RedirectResponse(same_page(request, of=desk.book.revision, stop=""), 303)
    try:
        return working_or(desk, request, job, done, title=title)
    except NoPlan as none:
        if asked != desk.book.revision:
            return RedirectResponse(request.url.path, 303)
        return clash_answer(desk, request, none.clash, PLAN)


def plan_page(desk: Desk, request: Request, form: Form) -> Response:
    def done(planned: Planned) -> Response:
        return page(
            desk,
            request,
            "grinder_plan.html",
            tables=plan_tables(planned.case, planned.plan),
            title="Plan",
            summary=summary_line(planned.case, planned.plan),
            revision=planned.revision,
        )

    return _planned(desk, request, "Plan", done)


def workbook(desk: Desk, request: Request, form: Form) -> Response:
    def done(planned: Planned) -> Response:
        from blend.show.workbook import write_plan_workbook

        return written(
            "plan.xlsx", lambda path: write_plan_workbook(planned.case, planned.plan, path)
        )

    return _planned(desk, request, "Plan", done)


def picture(desk: Desk, request: Request, form: Form) -> Response:
    ending = f".{request.path_params['ending']}"
    if ending not in _PICTURES:
        read, allowed = "another ending", " or ".join(_PICTURES)
        raise InputRefused([Problem("picture", None, None, read, allowed)])

    def done(planned: Planned) -> Response:
        from blend.show.pictures import save
        from blend.show.plan_pictures import blends_picture

        made = blends_picture(planned.case, planned.plan)
        return written(f"blends{ending}", lambda path: save(made, path))

    return _planned(desk, request, "Plan", done)


def batches_page(desk: Desk, request: Request, form: Form) -> Response:
    """A sheet of paper for each recipe."""

    def done(planned: Planned) -> Response:
        case, plan = planned.case, planned.plan
        sheets = batch_sheets(case, plan)
        return page(
            desk,
            request,
            "grinder_batches.html",
            tables=[pull_table(case, plan), *(sheet.weigh for sheet in sheets)],
            title="Batch sheets",
            summary=summary_line(case, plan),
            sheets=sheets,
            case=case,
            revision=planned.revision,
        )

    return _planned(desk, request, "Batch sheets", done)


def _standing(desk: Desk, request: Request) -> Mapping[str, Any]:
    """Whether the tables have changed since the plan of the page."""
    of = request.query_params.get("of", "")
    return {"revision": of, "has_changed": of != str(desk.book.revision)}


parts: dict[str, tuple[str, Part]] = {"standing": ("parts/standing.html", _standing)}

routes = [
    Route("/grinder/plan", view(plan_page)),
    Route("/grinder/plan/workbook", view(workbook)),
    Route("/grinder/plan/picture.{ending}", view(picture)),
    Route("/grinder/batches", view(batches_page)),
]
