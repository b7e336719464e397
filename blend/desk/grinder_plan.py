"""The plan in whole numbers, and its batch sheets."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from math import ceil
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.desk.asked import address, asked_choice
from blend.desk.desk import Desk
from blend.desk.grinder_infeasible import PLAN, infeasible_answer
from blend.desk.jobs import Job
from blend.desk.pages import Form, in_time, page, same_page, view, whole_number, working_or, written
from blend.desk.tables import Part
from blend.domain.case import Case
from blend.domain.plan import Plan
from blend.errors import NoPlan, OutOfTime, SolverTrouble
from blend.grinder.day_plan import SECTIONS, DayPlan
from blend.grinder.no_plan import broken_lines
from blend.grinder.odds import Errors, errors_of
from blend.grinder.plan_workbook import PULL_CAUTION, TO_WRITE, batch_sheets, pull_frame
from blend.grinder.work_order import BLANKS, Batch, RunOrder, work_order
from blend.grinder.work_order_sheets import write_work_order
from blend.output.shown import ShownTable, shown_of
from blend.tables.columns import SETTING_COLUMNS
from blend.tables.uncertainty import read_spread


@dataclass(frozen=True)
class Planned:
    """A plan, and the case and tables that it is of."""

    revision: int
    case: Case
    plan: Plan
    errors: Errors
    seconds: int
    """How long it could be searched for."""

    @property
    def more_seconds(self) -> int:
        """How long a search on may take; 0 where this one ended by itself, or no search may be
        longer."""
        return _more_seconds(self.seconds) if self.plan.stopped_early else 0

    @property
    def answer(self) -> DayPlan:
        return DayPlan(self.case, self.plan, self.errors)

    @property
    def summary(self) -> str:
        return f"{self.answer.cost_words} {self.answer.made_words}"

    @property
    def tables(self) -> list[ShownTable]:
        answer = self.answer
        blocks = [block for name in SECTIONS for block in answer.blocks(name)]
        return [
            shown_of(each.frame, each.columns, each.title, each.note)
            for each in blocks
            if len(each.frame)
        ]

    @property
    def usd(self) -> float:
        return self.plan.certificate.bound.objective_usd


_MAX_SECONDS = int(SETTING_COLUMNS["time_limit_s"].maximum)


def _more_seconds(seconds: int) -> int:
    """Twice the time, 0 where there may not be more."""
    more = min(2 * seconds, _MAX_SECONDS)
    return more if more > seconds else 0


def _job(desk: Desk, revision: int, seconds: int | None) -> Job | None:
    """The plan of those tables: begun where they are the present ones, else as it was left.

    `seconds` are those of a search on, None for the time that the tables give.
    """
    hangs_on = () if seconds is None else (seconds,)
    with desk.lock:
        if revision != desk.book.revision:
            return desk.jobs.known(revision, (PLAN, *hangs_on))
        case = desk.case()
        limit_s = case.settings.time_limit_s if seconds is None else float(seconds)
        longer = replace(case, settings=replace(case.settings, time_limit_s=limit_s))
        before = _found_before(desk, revision, seconds)

        def work(job: Job) -> Planned:
            from blend.grinder.plan import make_plan

            plan = make_plan(longer, progress=job.say, stopped=job.is_stopped)
            if not plan.certificate.is_valid:
                raise SolverTrouble("\n".join(broken_lines(plan.certificate, case)))
            errors = errors_of(case, read_spread(desk.source, case))
            made = Planned(revision, case, plan, errors, ceil(limit_s))
            # stopped sooner than the search before it, one may have found less
            if before is not None and before.usd < made.usd:
                return replace(before, seconds=made.seconds)
            return made

        about = "The plan in whole numbers"
        return desk.ask(PLAN, *hangs_on, about=about, work=work, can_stop=True)


def _found_before(desk: Desk, revision: int, seconds: int | None) -> Planned | None:
    """The plan that a search on was asked for from."""
    if seconds is None:
        return None
    keys = ((PLAN, seconds // 2), (PLAN,))
    jobs = filter(None, (desk.jobs.known(revision, key) for key in keys))
    job = next(jobs, None)
    if job is None or not job.is_done or job.future.exception() is not None:
        return None
    return job.result()


def _planned(desk: Desk, request: Request, answer: Callable[[Job], Response]) -> Response:
    """`answer` of the plan that the address names by `of`, and by `seconds` where it was searched
    on; without them, of the tables as typed."""
    asked = whole_number(request.query_params.get("of", ""))
    seconds = whole_number(request.query_params.get("seconds", ""), _MAX_SECONDS) or None
    job = None if asked is None else _job(desk, asked, seconds)
    if job is None:
        of_these = same_page(request, of=desk.book.revision, seconds="", stop="")
        return RedirectResponse(of_these, 303)
    try:
        return answer(job)
    except NoPlan as none:
        if asked != desk.book.revision:
            return RedirectResponse(request.url.path, 303)
        return infeasible_answer(desk, request, none.infeasible, PLAN)
    except OutOfTime as none:
        if asked != desk.book.revision:
            return RedirectResponse(request.url.path, 303)
        had = seconds or ceil(desk.case().settings.time_limit_s)
        return page(
            desk,
            request,
            "grinder_out_of_time.html",
            title="No plan yet",
            reason=str(none),
            more_seconds=_more_seconds(had),
        )


def plan_page(desk: Desk, request: Request, form: Form) -> Response:
    def at(path: str, **query: str | int) -> str:
        return address(path, request, stop=None, **{"as": None}, **query)

    def done(planned: Planned) -> Response:
        return page(
            desk,
            request,
            "grinder_plan.html",
            tables=planned.tables,
            title="Plan",
            summary=planned.summary,
            spec=planned.answer.chart(),
            planned=planned,
            at=at,
        )

    return _planned(desk, request, lambda job: working_or(desk, request, job, done, title="Plan"))


def workbook(desk: Desk, request: Request, form: Form) -> Response:
    def answer(job: Job) -> Response:
        from blend.grinder.plan_workbook import write_plan_workbook

        answer = in_time(request, job).answer
        return written("plan.xlsx", lambda path: write_plan_workbook(answer, path, datetime.now()))

    return _planned(desk, request, answer)


def batches_page(desk: Desk, request: Request, form: Form) -> Response:
    """A sheet of paper for each recipe."""

    def done(planned: Planned) -> Response:
        case, plan = planned.case, planned.plan
        sheets = batch_sheets(case, plan)
        return page(
            desk,
            request,
            "grinder_batches.html",
            tables=[
                shown_of(pull_frame(case, plan), title="What to pull", note=PULL_CAUTION),
                *(shown_of(each.weigh, title=f"Each batch of {each.title}") for each in sheets),
            ],
            title="Batch sheets",
            summary=planned.summary,
            sheets=sheets,
            to_write=TO_WRITE,
            case=case,
            revision=planned.revision,
        )

    title = "Batch sheets"
    return _planned(desk, request, lambda job: working_or(desk, request, job, done, title=title))


def work_order_file(desk: Desk, request: Request, form: Form) -> Response:
    """The workbook to fill in, which the page of actuals reads back."""

    def answer(job: Job) -> Response:
        planned: Planned = in_time(request, job)
        order = work_order(planned.case, planned.plan, _run_order(request))
        return written(
            "work-order.xlsx",
            lambda path: write_work_order(order, planned.plan, path, datetime.now()),
        )

    return _planned(desk, request, answer)


def _run_order(request: Request) -> RunOrder:
    return RunOrder(asked_choice(request, "order", RunOrder, RunOrder.LEAN_TO_FAT))


def work_order_page(desk: Desk, request: Request, form: Form) -> Response:
    """The day's batches in run order: which combos are opened for which, and what carries over."""

    def done(planned: Planned) -> Response:
        order = work_order(planned.case, planned.plan, run_order)
        lines = order.lines
        columns = [name for name in _ORDER_COLUMNS if name in lines.columns]
        tables = [
            shown_of(
                own, columns, f"Batch {batch.number}: {product.name}, {of_product(batch)}",
                f"Clean before this batch: {batch.cleanup_before}." if batch.cleanup_before else "",
            )
            for batch in order.batches
            for product in (planned.case.product(batch.product_id),)
            for own in (lines[lines["batch"] == batch.number],)
        ]  # fmt: skip
        return page(
            desk,
            request,
            "grinder_work_order.html",
            tables=tables,
            title="Work order",
            summary=planned.summary,
            case=planned.case,
            orders=[(each.value, each.value) for each in RunOrder],
            run_order=run_order,
            of=planned.revision,
            workbook=address("/grinder/work-order.xlsx", request, stop=None),
            left={lot: lb for lot, lb in order.left_open_lb.items() if lb >= 0.5},
        )

    def of_product(batch: Batch) -> str:
        return f"no. {batch.of_product}, {batch.finished_lb:,.0f} lb finished"

    run_order = _run_order(request)
    title = "Work order"
    return _planned(desk, request, lambda job: working_or(desk, request, job, done, title=title))


_ORDER_COLUMNS = ("lot_id", "item", "supplier", "use_by", "planned_lb", "from_open_lb",
                  "combos_opened", "left_open_lb", *BLANKS)  # fmt: skip


def _plan_age(desk: Desk, request: Request) -> Mapping[str, Any]:
    """Whether the tables have changed since the plan of the page."""
    of = request.query_params.get("of", "")
    return {"revision": of, "has_changed": of != str(desk.book.revision)}


parts: dict[str, tuple[str, Part]] = {"plan-age": ("parts/plan_age.html", _plan_age)}

routes = [
    Route("/grinder/plan", view(plan_page)),
    Route("/grinder/plan/workbook", view(workbook)),
    Route("/grinder/batches", view(batches_page)),
    Route("/grinder/work-order.xlsx", view(work_order_file)),
    Route("/grinder/work-order", view(work_order_page)),
]
