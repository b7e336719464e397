"""The weekly report: a page to print, and its Markdown, slides and script to take away."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from blend.desk.asked import refused
from blend.desk.desk import Desk
from blend.desk.jobs import Job
from blend.desk.pages import Form, file_response, in_time, page, view, working_or
from blend.desk.reporter_store import Day, ask_of_store, day_of, no_items, of_store
from blend.domain.method import Method
from blend.output.shown import shown_of
from blend.reporter.weekly import Weekly, weekly
from blend.store import Store
from blend.store.calls import calls_of

_FILES: dict[str, tuple[str, Callable[[Weekly], str]]] = {
    "report.html": ("weekly.html", Weekly.html),
    "report.md": ("weekly.md", Weekly.markdown),
    "slides.html": ("weekly-slides.html", Weekly.slides),
    "script.txt": ("weekly-script.txt", Weekly.script),
}


def weekly_page(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    day = day_of(store, request)
    if not store.items():
        return no_items(desk, request, day)

    def done(report: Weekly) -> Response:
        tables = [shown_of(report.week, None, "The week"), shown_of(report.supply, None, "Volumes")]
        return page(
            desk,
            request,
            "reporter_weekly.html",
            [table for table in tables if table.rows],
            title="Weekly report",
            day=day,
            report=report,
            charts=report.charts(),
        )

    return working_or(
        desk, request, ask_weekly(desk, store, day_of(store, request)), done, title="Weekly report"
    )


def weekly_file(desk: Desk, store: Store, request: Request, form: Form) -> Response:
    asked = request.path_params["name"]
    if asked not in _FILES:
        raise refused("file", asked, " or ".join(_FILES))
    name, make = _FILES[asked]
    report: Weekly = in_time(request, ask_weekly(desk, store, day_of(store, request)))
    return file_response(name, make(report).encode())


def ask_weekly(desk: Desk, store: Store, of: Day) -> Job:
    day = of.day
    where, position = desk.store_place, store.position()

    def work(job: Job) -> Weekly:
        return _of_week(where, day, desk.method)

    return ask_of_store(
        desk, "weekly", position, day, len(calls_of(store)), about="Weekly report", work=work
    )


def _of_week(where: str, day: date, method: Method) -> Weekly:
    with Store.open(where) as store:
        return weekly(store, day, method)


routes = [
    Route("/reporter/weekly", view(of_store(weekly_page))),
    Route("/reporter/weekly/{name}", view(of_store(weekly_file))),
]
