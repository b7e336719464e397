"""Where the reporter's pages have the market's history from, and which day they look at."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from datetime import date
from functools import lru_cache, wraps
from pathlib import Path
from typing import Any, NoReturn
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from blend.desk.desk import Desk
from blend.desk.jobs import Job
from blend.desk.pages import Form, page
from blend.domain.method import Method
from blend.errors import FileTrouble, InputRefused, Problem
from blend.output.formats import printable
from blend.reporter.calendar import DayFigure
from blend.reporter.noting import days_of_store
from blend.reporter.quoting import Quoted, heard, quote, standings
from blend.reporter.tone import Standings
from blend.store import Store

FIRST_DAY, LAST_DAY = date(1950, 1, 1), date(2199, 12, 31)
STORE_NAME = "market.sqlite"
StoreView = Callable[[Desk, Store, Request, Form], Response]


def of_store(answer: StoreView) -> Callable[[Desk, Request, Form], Response]:
    """A view of the store, which it is handed open; where there is none, the page that offers
    to make one."""

    @wraps(answer)
    def answered(desk: Desk, request: Request, form: Form) -> Response:
        if desk.where_store is None:
            return _no_store(desk, request, "")
        try:
            opened = Store.open(desk.where_store)
        except FileTrouble as trouble:
            return _no_store(desk, request, printable(str(trouble)))
        with opened:
            return answer(desk, opened, request, form)

    return answered


def _no_store(desk: Desk, request: Request, trouble: str) -> Response:
    made = page(
        desk,
        request,
        "reporter_no_store.html",
        title="No store yet",
        trouble=trouble,
        place=new_store_place(desk),
        day=None,
    )
    made.status_code = 409 if trouble else 200
    return made


def new_store_place(desk: Desk) -> Path:
    """Where a store would be made: next to the tables."""
    return (desk.place if desk.place.is_dir() else desk.place.parent) / STORE_NAME


def make_store(desk: Desk, request: Request, form: Form) -> Response:
    """Make a store next to the tables, and use it from now on; one that is there is opened."""
    place = new_store_place(desk)
    with desk.lock:
        Store.create(place).close()
        desk.where_store = str(place)
    return RedirectResponse("/reporter", 303)


# The day -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Day:
    """The market day looked at, and the other days of the store."""

    day: date
    is_chosen: bool
    before: date | None
    after: date | None

    def __str__(self) -> str:
        return self.day.isoformat()


def day_of(store: Store, request: Request, form: Form | None = None) -> Day:
    """The day that the address or the form names; else the last on which anything was heard,
    today in an empty store. Raise InputRefused for what is no day."""
    text = (form or {}).get("day") or request.query_params.get("day", "")
    days = store.market_days()
    chosen = day_in(text, "day") if text else None
    day = chosen or (days[-1] if days else date.today())
    before = max((each for each in days if each < day), default=None)
    after = min((each for each in days if each > day), default=None)
    return Day(day, chosen is not None, before, after)


def day_in(text: object, column: str) -> date:
    try:
        day = date.fromisoformat(str(text))
    except ValueError:
        refuse(column, str(text), "a day, such as 2026-11-20")
    if not FIRST_DAY <= day <= LAST_DAY:
        refuse(column, str(text), f"{FIRST_DAY} to {LAST_DAY}")
    return day


def refuse(column: str, read: str, allowed: str) -> NoReturn:
    """Raise InputRefused for one value of an address or a form."""
    read = printable(read)[:60] or "nothing"
    raise InputRefused([Problem("page", None, column, read, allowed)])


# What several pages work out of a day ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class QuotedDay:
    """Every item of a day as quoted at one position of the store."""

    position: int
    quoted: tuple[Quoted, ...]
    together: Standings

    def of(self, item_id: str) -> Quoted:
        """Raise InputRefused for an item that the store does not have."""
        for each in self.quoted:
            if each.assessed.item.item_id == item_id:
                return each
        there = ", ".join(each.assessed.item.item_id for each in self.quoted)
        refuse("item", item_id, f"an item of the store: {there}")


def ask_of_store(desk: Desk, *key: Hashable, about: str, work: Callable[[Job], Any]) -> Job:
    """Long work that hangs on the store as it stands at one position, and on no table."""
    return desk.jobs.ask((desk.where_store, *key), about, work)


def ask_quoted(desk: Desk, store: Store, day: Day) -> Job:
    """The day's quotations as the store stands; asked twice, they are worked out once."""
    where, position = desk.store_place, store.position()
    return ask_of_store(
        desk,
        "quoted",
        position,
        day.day,
        about=f"Quotations of {day}",
        work=lambda job: quoted_day(where, position, day.day, desk.method),
    )


def quoted_day(where: str, position: int, day: date, method: Method) -> QuotedDay:
    with Store.open(where) as store:
        known = heard(store, day, method, position)
    return QuotedDay(
        position,
        tuple(quote(known, item_id, method) for item_id in known.items),
        standings(known, method),
    )


@lru_cache(maxsize=4)
def days_of(where: str, position: int, day: date, method: Method) -> dict[str, list[DayFigure]]:
    """Two years of quotations of every item: seconds of work that two pages need. At one
    position a store gives the same for ever."""
    with Store.open(where) as store:
        return days_of_store(store, heard(store, day, method, position), method)


def no_items(desk: Desk, request: Request, day: Day) -> Response:
    return page(desk, request, "reporter_no_store.html", title="No items yet", day=day, place=None)


def query_of(day: Day, **more: str) -> str:
    return urlencode({"day": str(day), **more})


def assessor_of(desk: Desk) -> str:
    return desk.journal.drafts.get("assessor", "")
