"""What lean and fat are worth on the quotations as typed, today and through time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from blend.desk.asked import address, asked_choice, asked_day, asked_flag, asked_text
from blend.desk.desk import Desk
from blend.desk.jobs import Job
from blend.desk.pages import Form, in_time, page, working_or
from blend.domain.columns import SPECIES
from blend.domain.quotations import Quotation
from blend.errors import FileTrouble, InputRefused
from blend.output.formats import printable
from blend.output.shown import ShownTable, shown_of
from blend.tables.quotations import read_quotations
from blend.tables.tables import Overlaid, RawTable
from blend.trader.lean_fat import DayValue, judge_by_basis, value_days
from blend.trader.value import (
    FITS,
    Value,
    choose_species,
    history_chart,
    history_frame,
    items_chart,
    refused,
    standing_lines,
)

PATH = "/trader"
_PAST_DAYS = 60
"""Earlier days that frozen items are judged against."""


@dataclass(frozen=True, slots=True)
class Asked:
    """How the line is to be fitted, and of what; empty and None for the last there is."""

    fit: str
    by_pounds: bool
    species: str
    day: date | None

    @property
    def form(self) -> str | None:
        return None if self.fit == "all" else self.fit


def _asked(request: Request) -> Asked:
    return Asked(
        asked_choice(request, "fit", FITS, "fresh"),
        asked_flag(request, "by_pounds"),
        asked_choice(request, "species", SPECIES, "") if asked_text(request, "species") else "",
        asked_day(request, "day"),
    )


# Valuing -----------------------------------------------------------------------------------------


@lru_cache(maxsize=4_000)
def _valued(
    quotations: tuple[Quotation, ...], form: str | None, by_pounds: bool
) -> tuple[DayValue, ...]:
    """One day of one species: an edit changes one day, so the others are kept."""
    return value_days(quotations, fresh_or_frozen=form, by_pounds=by_pounds)


def _by_day(quotations: Iterable[Quotation]) -> dict[tuple[str, date], tuple[Quotation, ...]]:
    groups: dict[tuple[str, date], list[Quotation]] = {}
    for each in quotations:
        groups.setdefault((each.species, each.quoted_on), []).append(each)
    return {key: tuple(group) for key, group in groups.items()}


def _days_of(
    quotations: Iterable[Quotation], asked: Asked, species: str
) -> dict[date, tuple[Quotation, ...]]:
    """Quotations of the species by day, the last day first."""
    groups = _by_day(each for each in quotations if each.species == species)
    of_species = sorted(((day, group) for (_, day), group in groups.items()), reverse=True,
                        key=lambda each: each[0])  # fmt: skip
    if asked.by_pounds and any(q.pounds_lb is None for _, group in of_species for q in group):
        raise refused("pounds_lb", "blank in some rows: enter pounds in every row")
    return dict(of_species)


def _value(quotations: tuple[Quotation, ...], asked: Asked) -> DayValue:
    """The day asked for, else the last that has a line; raise InputRefused without any."""
    days = _days_of(quotations, asked, choose_species(quotations, asked.species))
    if asked.day is not None and asked.day not in days:
        known = ", ".join(map(str, list(days)[:6]))
        raise refused("quoted_on", str(asked.day), f"a day that is quoted: {known}")
    for day in days if asked.day is None else (asked.day,):
        found = _valued(days[day], asked.form, asked.by_pounds)
        if found:
            past = [each for each in reversed(days) if each < day][-_PAST_DAYS:]
            earlier = [_valued(days[each], asked.form, asked.by_pounds) for each in past]
            return judge_by_basis(found[0], [value for of_day in earlier for value in of_day])
    on = "any day" if asked.day is None else str(asked.day)
    raise refused("lean", f"no line of {asked.fit} items on {on}: enter two of different lean")


def _quotations(desk: Desk) -> tuple[Quotation, ...]:
    if not any(cell.strip() for cells in desk.table("quotations").cells() for cell in cells):
        raise refused("item", "no rows: enter quotations in the sheet below")
    return _read(desk.place, desk.table("quotations").raw("quotations"))


@lru_cache(maxsize=4)
def _read(place: Path, raw: RawTable) -> tuple[Quotation, ...]:
    """Several parts of a page ask for the same."""
    return tuple(read_quotations(Overlaid(place, {raw.file: raw})).quotations)


# The page ----------------------------------------------------------------------------------------


def value_page(desk: Desk, request: Request, form: Form) -> Response:
    asked = _asked(request)
    tables = []
    if request.query_params.get("as"):
        quotations = _quotations(desk)
        job = _through_job(desk, quotations, asked)
        tables = [*_tables(_value(quotations, asked)), _history_table(in_time(request, job))]
    return page(
        desk,
        request,
        "trader.html",
        tables,
        title="What lean and fat are worth",
        asked=asked,
        fits=FITS,
        at=partial(address, PATH, request),
        through_at=address("/trader/through", request),
        **_choices(desk),
    )


def _choices(desk: Desk) -> dict[str, Any]:
    """Species and days that can be asked for, of the rows as typed, sound or not."""
    typed = desk.table("quotations")
    columns = {name: place for place, name in enumerate(typed.columns)}

    def texts(name: str) -> set[str]:
        return {cells[columns[name]].strip() for cells in typed.cells()}

    days = []
    for text in texts("quoted_on"):
        try:
            days.append(date.fromisoformat(text))
        except ValueError:
            continue  # the sheet's own reader reports it
    return {
        "species": [each for each in SPECIES if each in texts("species")],
        "days": sorted(days, reverse=True),
    }


def values(desk: Desk, request: Request) -> Mapping[str, Any]:
    """Of the part that follows every edit; what is wrong with the quotations is shown in it."""
    values: dict[str, Any] = {"problems": (), "value": None, "at": partial(address, PATH, request)}
    try:
        value = _value(_quotations(desk), _asked(request))
    except InputRefused as faulty:
        return values | {"problems": [printable(str(problem)) for problem in faulty.problems]}
    except FileTrouble as trouble:
        return values | {"problems": [printable(str(trouble))]}
    return values | {
        "value": value,
        "cards": _cards(value),
        "lines": standing_lines(value),
        "chart": items_chart(value),
    }  # fmt: skip


def _tables(value: DayValue) -> list[ShownTable]:
    answer, of = Value(value, (value,)), f"{value.species}, {value.quoted_on}"
    titles = {
        "lean_and_fat": f"Lean and fat, two ways: {of}",
        "items": f"Items against the line: {of}",
        "basis": f"Items of another form against their own past: {of}",
        "short_lean": "What one lean point under spec is worth",
    }
    tables = answer.tables
    return [shown_of(tables[name], title=title) for name, title in titles.items()
            if len(tables[name])]  # fmt: skip


def _cards(value: DayValue) -> list[tuple[str, str]]:
    """Lean, fat, their difference and a lean point, each with its 95% limits."""
    figures = Value(value, (value,)).figures
    cards = []
    for name, title in (("lean", "Lean"), ("fat", "Fat"), ("spread", "Lean minus fat")):
        limit = figures[f"{name}_value_error_usd_per_cwt"]
        price = f"{figures[f'{name}_value_usd_per_cwt']:,.2f}"
        cards.append((f"{title}, $/cwt", price if limit is None else f"{price} ± {limit:,.2f}"))
    return [*cards, ("One lean point, $/cwt", f"{figures['lean_point_usd_per_cwt']:,.2f}")]


def table_values(desk: Desk, request: Request) -> Mapping[str, Any]:
    """Of the tables below, which are empty where the part above says what is wrong."""
    try:
        tables = _tables(_value(_quotations(desk), _asked(request)))
    except (InputRefused, FileTrouble):
        tables = []
    at = partial(address, PATH, request)
    return {"id": "trader-tables", "shown_tables": tables, "first": 0, "at": at}


# Through time ------------------------------------------------------------------------------------


def through(desk: Desk, request: Request, form: Form) -> Response:
    """Lean minus fat by day: a part of the page that loads itself, and says nothing where the
    part above it says what is wrong."""
    asked = _asked(request)
    try:
        job = _through_job(desk, _quotations(desk), asked)
    except (InputRefused, FileTrouble):
        return Response()

    def done(days: tuple[DayValue, ...]) -> Response:
        at = partial(address, PATH, request)
        return page(
            desk,
            request,
            "trader_through.html",
            table=_history_table(days),
            chart=history_chart(days) if len(days) > 1 else None,
            at=at,
        )

    return working_or(desk, request, job, done, title="Lean minus fat", part=True)


def _history_table(days: tuple[DayValue, ...]) -> ShownTable:
    return shown_of(history_frame(days), title="Lean and fat by day; ± is 95%")


def _through_job(desk: Desk, quotations: tuple[Quotation, ...], asked: Asked) -> Job:
    species = choose_species(quotations, asked.species)

    def work(job: Job) -> tuple[DayValue, ...]:
        days = _days_of(quotations, asked, species)
        found: list[DayValue] = []
        for number, group in enumerate(days.values(), 1):
            if job.is_stopped():
                break
            job.say(f"day {number} of {len(days)}, the last days first")
            found += _valued(group, asked.form, asked.by_pounds)
        return tuple(reversed(found))

    about = "Lean and fat by day"
    return desk.ask("through", asked, species, about=about, work=work, can_stop=True)
