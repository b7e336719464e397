"""Foreign offers landed, thawed and next to fresh, as they are typed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from blend.desk.asked import address, asked_text, refused
from blend.desk.desk import Desk
from blend.desk.pages import Form, page
from blend.domain.imports import BuildUp
from blend.errors import Caution, FileTrouble, InputRefused, Problem
from blend.output.formats import printable
from blend.output.shown import ShownTable, shown_of
from blend.tables.imports import read_imports
from blend.trader.landed import (
    CAUTION,
    Landed,
    build_up_frame,
    build_up_sentences,
    build_up_title,
    cautions,
    landed,
    waterfall,
)

PATH = "/trader/landed"


@dataclass(frozen=True, slots=True)
class Read:
    """Every offer that can be priced, what the others lack, and warnings."""

    landed: Landed
    warnings: tuple[Caution, ...]


def _landed(desk: Desk) -> Read:
    """Raise InputRefused where the tables themselves cannot be read."""
    if not any(cell.strip() for cells in desk.table("foreign_offers").cells() for cell in cells):
        raise InputRefused(
            [Problem("foreign_offers", None, None, "no rows", "offers, in the sheet below")]
        )
    read = read_imports(desk.source)
    found = landed(read.offers, read.rates, read.quotations)
    return Read(found, (*read.warnings, *cautions(found.built)))


def _chosen(request: Request, found: Landed) -> BuildUp:
    """The offer that is asked for, else the one cheapest against fresh."""
    asked, known = asked_text(request, "offer"), {b.offer.offer_id: b for b in found.built}
    if found.best is None:
        raise InputRefused(found.not_priced)
    if not asked:
        return found.best
    if asked not in known:
        raise refused("offer", asked, f"one of {', '.join(known)}")
    return known[asked]


def landed_page(desk: Desk, request: Request, form: Form) -> Response:
    tables = []
    if request.query_params.get("as"):
        found = _landed(desk).landed
        tables = [_offers_table(found), *map(_build_up_table, found.built)]
    return page(
        desk,
        request,
        "trader_landed.html",
        tables,
        title="Imports, landed",
        at=partial(address, PATH, request),
    )


def values(desk: Desk, request: Request) -> Mapping[str, Any]:
    """Of the part that follows every edit; what is wrong with the offers is shown in it."""
    values: dict[str, Any] = {"problems": (), "landed": None, "at": partial(address, PATH, request)}
    try:
        read = _landed(desk)
    except InputRefused as faulty:
        return values | {"problems": _words(faulty.problems)}
    except FileTrouble as trouble:
        return values | {"problems": [printable(str(trouble))]}
    found = read.landed
    values |= {"problems": _words(found.not_priced)}
    if found.best is None:
        return values
    try:
        chosen = _chosen(request, found)
    except InputRefused as unknown:
        chosen = found.built[0]
        values |= {"problems": [*values["problems"], *_words(unknown.problems)]}
    return values | {
        "landed": found,
        "warnings": _words(read.warnings),
        "parity": _offers_table(found),
        "offer_ids": [each.offer.offer_id for each in found.built],
        "chosen": chosen,
        "chart": waterfall(chosen),
    }


def _offers_table(found: Landed) -> ShownTable:
    return shown_of(
        found.tables["offers"],
        title="Imports against fresh",
        note=f"{found.fresh_words} {CAUTION}".strip(),
    )


def _build_up_table(built: BuildUp) -> ShownTable:
    note = " ".join(build_up_sentences(built))
    return shown_of(build_up_frame(built), title=build_up_title(built), note=note)


def build_values(desk: Desk, request: Request) -> Mapping[str, Any]:
    """Of the tables below, which are empty where the part above says what is wrong."""
    try:
        built = _landed(desk).landed.built
    except (InputRefused, FileTrouble):
        built = ()
    tables, at = [_build_up_table(each) for each in built], partial(address, PATH, request)
    return {"id": "trader-builds", "shown_tables": tables, "first": 1, "at": at}


def _words(problems: Sequence[Problem | Caution]) -> list[str]:
    return [printable(str(problem)) for problem in problems]
