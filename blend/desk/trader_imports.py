"""Foreign offers landed, thawed and next to fresh, as they are typed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from blend.desk.asked import address, asked_text, refused
from blend.desk.desk import Desk
from blend.desk.drawn import picture_file
from blend.desk.pages import Form, page
from blend.domain.imports import BuildUp
from blend.errors import Caution, FileTrouble, InputRefused, Problem
from blend.show.amounts import printable
from blend.show.imports import build_up_table, parity_table, waterfall_words
from blend.tables.imports import read_imports
from blend.trader.import_parity import cautions, land

PATH = "/trader/landed"


@dataclass(frozen=True, slots=True)
class Landed:
    """Every offer that can be landed, and what the others lack."""

    built: tuple[BuildUp, ...]
    problems: tuple[Problem, ...]
    warnings: tuple[Caution, ...]


def _landed(desk: Desk) -> Landed:
    """Raise InputRefused where the tables themselves cannot be read."""
    if not any(cell.strip() for cells in desk.table("foreign_offers").cells() for cell in cells):
        raise InputRefused(
            [Problem("foreign_offers", None, None, "no rows", "offers, in the sheet below")]
        )
    read = read_imports(desk.source)
    built, problems = [], []
    for offer in read.offers:
        try:
            built.append(land(offer, read.rates))
        except InputRefused as lacking:
            problems += lacking.problems
    return Landed(tuple(built), tuple(problems), (*read.warnings, *cautions(built)))


def _chosen(request: Request, landed: Landed) -> BuildUp:
    """The offer that is asked for, else the one that is cheapest next to fresh."""
    asked, known = asked_text(request, "offer"), {b.offer.offer_id: b for b in landed.built}
    if not landed.built:
        raise InputRefused(landed.problems)
    if not asked:
        return min(landed.built, key=lambda each: each.dearer_usd_per_lb)
    if asked not in known:
        raise refused("offer", asked, f"one of {', '.join(known)}")
    return known[asked]


def landed_page(desk: Desk, request: Request, form: Form) -> Response:
    tables = []
    if request.query_params.get("as"):
        built = _landed(desk).built
        tables = [parity_table(built), *map(build_up_table, built)]
    return page(
        desk,
        request,
        "trader_landed.html",
        tables,
        title="Imports, landed",
        at=partial(address, PATH, request),
    )


def values(desk: Desk, request: Request) -> Mapping[str, Any]:
    """Of the part that follows every edit; what is wrong with the offers is told in it."""
    told: dict[str, Any] = {"problems": (), "landed": None, "at": partial(address, PATH, request)}
    try:
        landed = _landed(desk)
    except InputRefused as faulty:
        return told | {"problems": _words(faulty.problems)}
    except FileTrouble as trouble:
        return told | {"problems": [printable(str(trouble))]}
    told |= {"problems": _words(landed.problems)}
    if not landed.built:
        return told
    try:
        chosen = _chosen(request, landed)
    except InputRefused as unknown:
        chosen = landed.built[0]
        told |= {"problems": [*told["problems"], *_words(unknown.problems)]}
    return told | {
        "landed": landed,
        "warnings": _words(landed.warnings),
        "parity": parity_table(landed.built),
        "offer_ids": [each.offer.offer_id for each in landed.built],
        "chosen": chosen,
        "pictured": partial(
            address, request=request, offer=chosen.offer.offer_id, revision=desk.book.revision
        ),
        "words": waterfall_words(chosen),
    }


def build_values(desk: Desk, request: Request) -> Mapping[str, Any]:
    """Of the tables below, which say nothing where the part above tells what is wrong."""
    try:
        built = _landed(desk).built
    except (InputRefused, FileTrouble):
        built = ()
    tables, at = [build_up_table(each) for each in built], partial(address, PATH, request)
    return {"id": "trader-builds", "shown_tables": tables, "first": 1, "at": at}


def _words(problems: tuple[Problem, ...]) -> list[str]:
    return [printable(str(problem)) for problem in problems]


def landed_picture(desk: Desk, request: Request, form: Form) -> Response:
    from blend.show.imports_picture import waterfall_picture

    chosen = _chosen(request, _landed(desk))
    ending = request.path_params["ending"]
    return picture_file(
        f"landed_{chosen.offer.offer_id}", ending, lambda: waterfall_picture(chosen)
    )
