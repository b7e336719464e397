"""Every lot and what it is worth; of one lot the demand, the supply and where buyers switch."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from blend.desk.asked import address, asked_flag, asked_number, asked_text, refused
from blend.desk.desk import Desk
from blend.desk.jobs import Job
from blend.desk.pages import SOON_SECONDS, Form, in_time, page, render_part, working_or
from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.replacement import Replacement, ReplacementRules
from blend.domain.selectors import EVERY_LOT, parse_selector
from blend.grinder.live import LivePlan
from blend.grinder.lot import lot_line
from blend.grinder.offered import offered, offered_note
from blend.output.shown import ShownTable, shown_of
from blend.trader.breakeven import (
    BreakEven,
    BreakEvenByPounds,
    BreakEvenOfTwo,
    breakeven,
    breakeven_by_pounds,
    breakeven_of_two,
    certificate_line,
    map_certificate_line,
    with_price_line,
)
from blend.trader.opening import check_lots
from blend.trader.substitute import substitute
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

LOTS_PATH = "/trader/lots"
MAX_USD_PER_CWT = 100_000.0
"""No meat is as dear: what is more is a slip."""
_AROUND_PERCENT = 5.0
_PARTS = ("/trader/demand", "/trader/supply", "/trader/regions")


# Every lot ---------------------------------------------------------------------------------------


def lots_page(desk: Desk, request: Request, form: Form) -> Response:
    rules, tables = _rules(request), []
    if request.query_params.get("as"):
        replaced = in_time(request, _replacements(desk, desk.case(), rules))
        tables = [_offered(_plan(desk), replaced)]
    return page(
        desk,
        request,
        "trader_lots.html",
        tables,
        title="Lots and what they are worth",
        among=asked_text(request, "among"),
    )


def lots_part(desk: Desk, request: Request, form: Form) -> Response:
    """The table again, once what lots are replaced for is known."""
    return HTMLResponse(render_part(desk, request, "trader-lots"))


def values(desk: Desk, request: Request) -> Mapping[str, Any]:
    """Of the part that follows every edit; replacements come later where they take longer."""
    at = partial(address, LOTS_PATH, request)
    state = desk.state()
    if state.case is None or state.plan is None:
        return {"table": None, "at": at, "is_refused": state.case is None}
    job = _replacements(desk, state.case, _rules(request))
    is_known = job.wait(SOON_SECONDS if request.method == "GET" else 0.0)
    table = _offered(state.plan, job.result() if is_known else None)
    return {
        "table": table,
        "links": [lot_path(str(row[0])) for row in table.rows],
        "at": at,
        "is_known": is_known,
        "again": address("/trader/lots/table", request),
    }


def _offered(plan: LivePlan, replaced: Mapping[str, Replacement] | None) -> ShownTable:
    title = "Lots and what they are worth"
    return shown_of(offered(plan, replaced), title=title, note=offered_note(replaced))


def _plan(desk: Desk) -> LivePlan:
    desk.case()  # refused where the tables are
    plan = desk.state().plan
    if plan is None:
        raise refused("lots", "tables that no plan can be made of", "tables that have a plan")
    return plan


def _rules(request: Request) -> ReplacementRules:
    """`?among=fresh_or_frozen=fresh; meat_class!=heart`: lots that a mix may hold."""
    asked = asked_text(request, "among")
    try:
        return ReplacementRules(parse_selector(asked) if asked else EVERY_LOT, any_meat_class=False)
    except ValueError as error:
        raise refused("among", asked, f"conditions on lots ({error})") from None


def _replacements(desk: Desk, case: Case, rules: ReplacementRules) -> Job:
    def work(job: Job) -> Mapping[str, Replacement]:
        return substitute(case, rules=rules).by_lot

    about = "Substitutes for lots"
    return desk.ask("replacements", str(rules.among), about=about, work=work)


def lot_path(lot_id: str) -> str:
    return f"/trader/lot/{quote(lot_id, safe='')}"


# One lot -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Asked:
    """What is asked about a lot; prices are delivered, None where no end is named."""

    case: Case
    lot: Lot
    min_usd_per_cwt: float | None
    max_usd_per_cwt: float | None
    without_limit: bool
    other: Lot | None
    around_percent: float

    @property
    def min_usd_per_lb(self) -> float | None:
        return None if self.min_usd_per_cwt is None else self.min_usd_per_cwt / LB_PER_CWT

    @property
    def max_usd_per_lb(self) -> float:
        return math.inf if self.max_usd_per_cwt is None else self.max_usd_per_cwt / LB_PER_CWT

    @property
    def available_lb(self) -> float | None:
        return math.inf if self.without_limit else None


def _asked(desk: Desk, request: Request, lot_id: str) -> Asked:
    case = desk.case()
    check_lots(case, lot_id)
    minimum = asked_number(request, "from", None, maximum=MAX_USD_PER_CWT)
    maximum = asked_number(request, "to", None, maximum=MAX_USD_PER_CWT)
    if maximum is not None and maximum <= (minimum or 0.0):
        raise refused("to", f"{maximum:g}", f"a price above {minimum or 0:g}")
    other_id, other = asked_text(request, "with"), None
    if other_id:
        check_lots(case, other_id)
        if other_id == lot_id:
            raise refused("with", f"{other_id} twice", "two lots")
        other = case.lot(other_id)
    around = asked_number(request, "around", _AROUND_PERCENT, maximum=POINTS_PER_SHARE, above=True)
    without_limit = asked_flag(request, "without_limit")
    return Asked(
        case, case.lot(lot_id), minimum, maximum, without_limit, other, around or _AROUND_PERCENT
    )


def _asked_of(desk: Desk, request: Request) -> Asked:
    """In the parts of a lot's page its name is in the query."""
    return _asked(desk, request, asked_text(request, "lot"))


def lot_page(desk: Desk, request: Request, form: Form) -> Response:
    lot_id = request.path_params["lot_id"]
    asked = _asked(desk, request, lot_id)
    tables = []
    if request.query_params.get("as"):
        jobs = [_demand_job(desk, asked), _supply_job(desk, asked)]
        jobs += [] if asked.other is None else [_regions_job(desk, asked)]
        curve, supplied, *found = (in_time(request, job) for job in jobs)
        tables = [*_demand_tables(curve), _supply_table(supplied), *map(_regions_table, found)]
    usable = asked.case.usable_lots()
    return page(
        desk,
        request,
        "trader_lot.html",
        tables,
        title=f"{lot_id}, {asked.lot.item}",
        about=lot_line(asked.lot),
        asked=asked,
        others=[lot for lot in usable if lot.lot_id != lot_id],
        part_at=lambda path: address(path, request, lot=lot_id),
        part_paths=_PARTS if asked.other is not None else _PARTS[:2],
        number=lambda number: "" if number is None else f"{number:g}",
        at_path=lot_path(lot_id),
        at=partial(address, lot_path(lot_id), request),
    )


# Its curves --------------------------------------------------------------------------------------


def _demand_job(desk: Desk, asked: Asked) -> Job:
    minimum, maximum = asked.min_usd_per_lb, asked.max_usd_per_lb

    def work(job: Job) -> BreakEven:
        return breakeven(
            asked.case,
            asked.lot.lot_id,
            min_usd_per_lb=minimum,
            max_usd_per_lb=maximum,
            available_lb=asked.available_lb,
        )

    hangs_on = (asked.lot.lot_id, minimum, maximum, asked.without_limit)
    return desk.ask("demand", *hangs_on, about=f"Break-even of {asked.lot.lot_id}", work=work)


def _demand_tables(found: BreakEven) -> list[ShownTable]:
    lot_id = found.lot.lot_id
    return [
        shown_of(found.tables["switches"], title=f"Where you switch to {lot_id}"),
        shown_of(found.tables["steps"], title=f"Break-even of {lot_id}: what you would use"),
    ]


def demand(desk: Desk, request: Request, form: Form) -> Response:
    asked = _asked_of(desk, request)

    def done(found: BreakEven) -> Response:
        spec = with_price_line(found)
        return page(
            desk,
            request,
            "trader_demand.html",
            shown_tables=_demand_tables(found),
            basis=spec["title"]["subtitle"],
            certificate=certificate_line(found.certificate, "price"),
            spec=spec,
            **_lot_values(request, asked),
        )

    job = _demand_job(desk, asked)
    title = f"Break-even of {asked.lot.lot_id}"
    return working_or(desk, request, job, done, title=title, part=True)


def _supply_job(desk: Desk, asked: Asked) -> Job:
    def work(job: Job) -> BreakEvenByPounds:
        return breakeven_by_pounds(asked.case, asked.lot.lot_id)

    about = f"Break-even of {asked.lot.lot_id} by pounds"
    return desk.ask("supply", asked.lot.lot_id, about=about, work=work)


def _supply_table(found: BreakEvenByPounds) -> ShownTable:
    title = f"Break-even of {found.lot.lot_id} by pounds on offer"
    return shown_of(found.tables["steps"], title=title)


def supply(desk: Desk, request: Request, form: Form) -> Response:
    asked = _asked_of(desk, request)

    def done(found: BreakEvenByPounds) -> Response:
        return page(
            desk,
            request,
            "trader_supply.html",
            table=_supply_table(found),
            certificate=certificate_line(found.certificate, "number of pounds"),
            **_lot_values(request, asked),
        )

    job = _supply_job(desk, asked)
    title = f"Break-even of {asked.lot.lot_id} by pounds"
    return working_or(desk, request, job, done, title=title, part=True)


# Two lots ----------------------------------------------------------------------------------------


def _regions_job(desk: Desk, asked: Asked) -> Job:
    lot_ids = (asked.lot.lot_id, _other(asked).lot_id)
    around = asked.around_percent / POINTS_PER_SHARE

    def work(job: Job) -> BreakEvenOfTwo:
        return breakeven_of_two(asked.case, lot_ids, around_share=around)

    about = f"Who buys what: {lot_ids[0]} and {lot_ids[1]}"
    return desk.ask("regions", *lot_ids, around, about=about, work=work)


def _regions_table(found: BreakEvenOfTwo) -> ShownTable:
    first, second = (lot.lot_id for lot in found.lots)
    title = f"Who buys what: first {first}, second {second}"
    return shown_of(found.tables["regions"], title=title)


def _other(asked: Asked) -> Lot:
    """The second lot asked about; raise InputRefused where there is none that has a price."""
    if asked.other is None:
        raise refused("with", "nothing", "a second lot")
    for lot in (asked.lot, asked.other):
        if lot.delivered_usd_per_lb <= 0:
            raise refused("with", f"{lot.lot_id} at no price", "two lots with a price above 0")
    return asked.other


def regions(desk: Desk, request: Request, form: Form) -> Response:
    asked = _asked_of(desk, request)

    def done(found: BreakEvenOfTwo) -> Response:
        spec = found.chart()
        return page(
            desk,
            request,
            "trader_regions.html",
            table=_regions_table(found),
            basis=spec["title"]["subtitle"],
            spec=spec,
            certificate=(
                None if found.certificate is None else map_certificate_line(found.certificate)
            ),
            **_lot_values(request, asked),
        )

    job = _regions_job(desk, asked)
    return working_or(desk, request, job, done, title="Who buys what", part=True)


# What the parts of a lot's page share ------------------------------------------------------------


def _lot_values(request: Request, asked: Asked) -> dict[str, Any]:
    query = dict.fromkeys(("lot", "stop"))
    return {
        "asked": asked,
        "at": partial(address, lot_path(asked.lot.lot_id), request, **query),
    }
