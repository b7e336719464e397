"""Several days planned at once, and the day under what may come: the trader's long questions."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

from starlette.requests import Request
from starlette.responses import Response

from blend.desk.asked import address, asked_count, asked_flag
from blend.desk.desk import Desk
from blend.desk.jobs import Job
from blend.desk.pages import Form, in_time, page, working_or, written
from blend.domain.imports import ForeignOffer, ImportRate
from blend.errors import Caution, InputRefused, NoPlan, Problem
from blend.grinder.days import DaysAnswer, days, no_plan_lines
from blend.output.formats import printable
from blend.output.shown import ShownTable, shown_of
from blend.tables.columns import POSITION_TABLES, SCENARIOS, Table
from blend.tables.imports import read_imports
from blend.tables.positions import read_horizon
from blend.tables.quotations import read_quotations
from blend.tables.scenarios import read_scenarios
from blend.trader.scenarios import (
    BASIS,
    ScenarioJob,
    ScenarioResults,
    run_scenarios,
    weeks_followed,
)

POSITIONS_PATH, SCENARIOS_PATH = "/trader/positions", "/trader/scenarios"
MAX_DRAWS = 100_000
MAX_SEED = 10**9
_DRAWS = 500


def _lacking(desk: Desk, tables: Mapping[str, Table]) -> list[str]:
    """Tables that a question needs and nobody filled in."""
    return [name for name, each in tables.items() if each.required and not desk.table(name).order]


def since(desk: Desk, request: Request, form: Form) -> Response:
    """Whether the tables were edited since an answer was found; `?revision=` is the answer's."""
    revision = asked_count(request, "revision", 0, maximum=10**12)
    return page(desk, request, "trader_since.html", is_older=revision != desk.book.revision)


# Several days ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Days:
    """A plan of several days, or why there is none."""

    answer: DaysAnswer | None
    why_not: tuple[str, ...] = ()


_TITLES = {
    "days": "Day by day",
    "buy": "Buy",
    "not_bought": "Not bought, closest to break-even first",
    "make": "Make",
    "freeze": "Freeze",
    "sell": "Sell on",
    "lost": "Lost past its last day of use",
    "money": "What it costs",
    "orders": "Cost of one more cwt",
    "limits": "What one more cwt of a limit saves",
    "checks": "Over a limit: fix it, or clear it with label approval",
}


def _day_tables(answer: DaysAnswer) -> list[ShownTable]:
    notes = {"days": " ".join([answer.headline, *answer.warnings])}
    return [
        shown_of(
            frame,
            ["verdict", "day", "requirement"] if name == "checks" else None,
            title=_TITLES[name],
            note=notes.get(name, ""),
        )
        for name, frame in answer.tables.items()
        if name in _TITLES and len(frame)
    ]


def positions_page(desk: Desk, request: Request, form: Form) -> Response:
    tables = []
    if request.query_params.get("as"):
        tables = _day_tables(_found_days(desk, request))
    return page(
        desk,
        request,
        "trader_positions.html",
        tables,
        title="Several days",
        sheets=list(POSITION_TABLES),
        lacks=_lacking(desk, POSITION_TABLES),
        **_of_positions(request),
        is_run=asked_flag(request, "run"),
        answer_at=address(f"{POSITIONS_PATH}/answer", request),
    )


def _of_positions(request: Request) -> dict[str, bool]:
    return {
        "as_if_split": asked_flag(request, "as_if_split"),
        "no_break_even": asked_flag(request, "no_break_even"),
    }


def _positions_job(desk: Desk, request: Request) -> tuple[Job, tuple[Caution, ...]]:
    """The work, and the warnings of its tables."""
    asked = _of_positions(request)
    read = read_horizon(desk.source)
    horizon = read.horizon

    def work(job: Job) -> _Days:
        try:
            return _Days(
                days(
                    horizon,
                    divisible=asked["as_if_split"],
                    shadow_prices=not asked["no_break_even"],
                    progress=job.say,
                    stopped=job.is_stopped,
                )
            )
        except NoPlan as none:
            return _Days(None, tuple(no_plan_lines(none.infeasible, horizon)))

    about = "Planning all days"
    job = desk.ask("positions", *asked.values(), about=about, work=work, can_stop=True)
    return job, read.warnings


def positions(desk: Desk, request: Request, form: Form) -> Response:
    """The plan: a part of the page that loads itself."""
    revision = desk.book.revision
    job, warnings = _positions_job(desk, request)
    known = desk.state().warnings  # on the page already

    def done(found: _Days) -> Response:
        return page(
            desk,
            request,
            "trader_positions_answer.html",
            infeasible=found.why_not,
            shown_tables=[] if found.answer is None else _day_tables(found.answer),
            warnings=[printable(str(each)) for each in warnings if each not in known],
            at=partial(address, POSITIONS_PATH, request, stop=None),
            ledger_at=address(f"{POSITIONS_PATH}/ledger.csv", request, stop=None),
            chart=None if found.answer is None else found.answer.chart(),
            revision=revision,
        )

    return working_or(desk, request, job, done, title="Several days", part=True)


def _found_days(desk: Desk, request: Request) -> DaysAnswer:
    """For files: the plan; raise NotYet where it is long in coming."""
    found: _Days = in_time(request, _positions_job(desk, request)[0])
    if found.answer is None:
        read, *allowed = found.why_not
        raise InputRefused([Problem("orders", None, None, read, " ".join(allowed))])
    return found.answer


def ledger(desk: Desk, request: Request, form: Form) -> Response:
    """In and out of every lot on every day."""
    answer = _found_days(desk, request)
    return written("ledger.csv", lambda path: answer.to_csv(path, "ledger"))


# What may come -----------------------------------------------------------------------------------


_ONE_AT_A_TIME = threading.Lock()
"""Scenarios keep the last case warm for the whole process."""


def scenarios_page(desk: Desk, request: Request, form: Form) -> Response:
    files = []
    draws, seed = _draws_and_seed(request)
    if request.query_params.get("as"):
        files = _scenario_tables(in_time(request, _scenarios_job(desk, request)))
    return page(
        desk,
        request,
        "trader_scenarios.html",
        files,
        title="Scenarios",
        sheets=[SCENARIOS.name],
        lacks=_lacking(desk, {SCENARIOS.name: SCENARIOS}),
        draws=draws,
        seed=seed,
        max_draws=MAX_DRAWS,
        is_run=asked_flag(request, "run"),
        answer_at=address(f"{SCENARIOS_PATH}/answer", request),
    )


def _draws_and_seed(request: Request) -> tuple[int, int]:
    draws = asked_count(request, "draws", _DRAWS, maximum=MAX_DRAWS)
    return draws, asked_count(request, "seed", 0, maximum=MAX_SEED)


def _scenarios_job(desk: Desk, request: Request) -> Job:
    draws, seed = _draws_and_seed(request)
    case = desk.case()
    offers, rates = _imports(desk)
    rows = read_scenarios(desk.source, case, offers)
    past = None
    if draws:
        past = weeks_followed(rows, lambda: (read_quotations(desk.source).quotations, ()))
    asked = ScenarioJob(case, rows, draws, seed, offers, rates, past)

    def work(job: Job) -> ScenarioResults:
        job.say("waiting for other scenarios")
        with _ONE_AT_A_TIME:
            return run_scenarios(
                asked,
                progress=lambda done, of: job.say(f"scenario {done:,} of {of:,}"),
                stopped=job.is_stopped,
            )

    about = "Planning the day under what may come"
    return desk.ask("scenarios", draws, seed, about=about, work=work, can_stop=True)


def _imports(desk: Desk) -> tuple[tuple[ForeignOffer, ...], tuple[ImportRate, ...]]:
    """So that exchange rates can move prices; none where nothing is offered from abroad."""
    if not desk.table("foreign_offers").order:
        return (), ()
    read = read_imports(desk.source)
    return read.offers, read.rates


def scenarios(desk: Desk, request: Request, form: Form) -> Response:
    """The spread: a part of the page that loads itself."""
    revision = desk.book.revision
    job = _scenarios_job(desk, request)

    def done(found: ScenarioResults) -> Response:
        return page(
            desk,
            request,
            "trader_scenarios_answer.html",
            shown_tables=_scenario_tables(found),
            chart=found.chart() if found.job.draws and len(found.drawn("objective_usd")) else None,
            at=partial(address, SCENARIOS_PATH, request, stop=None),
            rows_at=address(f"{SCENARIOS_PATH}/rows.csv", request, stop=None),
            revision=revision,
        )

    return working_or(desk, request, job, done, title="Scenarios", part=True)


_SCENARIO_TABLES = {
    "named": "Scenarios",
    "totals": "Range of the totals, by share of draws",
    "products": "Cost of the next cwt, $, by share of draws",
    "lots": "Pounds used by lot, by share of draws",
}


def _scenario_tables(found: ScenarioResults) -> list[ShownTable]:
    drawn = f"{found.draws_done:,} draws, seed {found.job.seed}."
    notes = {"named": BASIS, "totals": drawn}
    return [
        shown_of(found.tables[name], title=title, note=notes.get(name, ""))
        for name, title in _SCENARIO_TABLES.items()
        if name in found.tables
    ]


def scenario_rows(desk: Desk, request: Request, form: Form) -> Response:
    """One row for each scenario."""
    found: ScenarioResults = in_time(request, _scenarios_job(desk, request))
    return written("scenarios_rows.csv", found.to_csv)
