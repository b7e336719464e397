"""The grinder's pages: the sheets with their live plan, and why a lot is used or not."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from blend.desk import (
    grinder_actuals,
    grinder_copies,
    grinder_correct,
    grinder_infeasible,
    grinder_plan,
    grinder_start,
    live,
)
from blend.desk.desk import EDITED_TABLES, Desk
from blend.desk.grinder_start import first_rows
from blend.desk.journal import OWN
from blend.desk.live import Compared
from blend.desk.loosening import CellEdit, as_read, gone, row_of, rows_by_id, type_cells
from blend.desk.pages import Form, page, text_of, view, whole_number
from blend.desk.tables import Part, fault_of, fresh_parts
from blend.domain.lots import Lot
from blend.errors import FileTrouble, InputRefused, Problem, did_you_mean
from blend.grinder.blend_chart import blends_chart
from blend.grinder.live import LivePlan, live_odds
from blend.grinder.lot import LotAnswer
from blend.grinder.odds import errors_of
from blend.grinder.why_lot import WhyLot, set_aside, why_lot
from blend.output.formats import printable
from blend.output.shown import shown_of
from blend.tables.cells import number_meant
from blend.tables.forms import shown_word
from blend.tables.uncertainty import read_spread
from blend.units import USD_PER_LB_BY_PRICE_UNIT

PIN = f"{OWN}pin"
"""The draft that keeps the figures to compare with."""
_MAX_RECIPE_ROWS = 150
OPEN_SHEETS = ("lots", "products")
OTHER_SHEETS = ("rules", "losses", "settings", "standards", "temperatures")


def grinder_page(desk: Desk, request: Request, form: Form) -> Response:
    plan = desk.state().plan
    return page(
        desk,
        request,
        "grinder.html",
        tables=[] if plan is None else live.live_tables(plan),
        title="Grinder",
        steps=[] if all(desk.table(name).order for name in OPEN_SHEETS) else first_rows(desk),
        sheets=OPEN_SHEETS,
        others=OTHER_SHEETS,
        abouts={name: EDITED_TABLES[name].about for name in OTHER_SHEETS},
        counts={name: len(desk.table(name).order) for name in OTHER_SHEETS},
    )


# The plan as it stands ---------------------------------------------------------------------------


def _live(desk: Desk, request: Request) -> Mapping[str, Any]:
    plan = desk.state().shown
    if plan is None:
        return {"spec": None, "table": None}
    return {"spec": blends_chart(plan), "table": live.live_tables(plan)[0]}


def _recipes(desk: Desk, request: Request) -> Mapping[str, Any]:
    """Lots by products, each lot with its row of the sheet to go to; the most used, where there
    are very many."""
    plan = desk.state().shown
    if plan is None:
        return {"matrix": None, "rows": [], "left_out": 0, "is_stale": False}
    matrix = live.recipe_matrix(plan, _MAX_RECIPE_ROWS)
    at = rows_by_id(desk.book, "lots")
    return {
        "matrix": matrix,
        "rows": [(each, at.get(each.lot_id)) for each in matrix.rows],
        "left_out": matrix.left_out,
        "is_stale": desk.state().plan is None,
    }


def _live_line(desk: Desk, request: Request) -> Mapping[str, Any]:
    """The figures that stay in sight; while there is no plan the last one's, marked as such."""
    state = desk.state()
    values = {"state": state, "against": "", "is_stale": state.plan is None, "first": None}
    if state.plan is not None:
        against, before, _ = _compared_with(desk)
        return values | {"cards": live.live_cards(state.plan, before), "against": against}
    cards = [] if state.last is None else live.live_cards(state.last, None)
    faults = (fault_of(desk, problem) for problem in state.problems)
    return values | {"cards": cards, "first": next(filter(None, faults), None)}


def _live_more(desk: Desk, request: Request) -> Mapping[str, Any]:
    """What takes longer than the plan itself: its odds, and the certificate in exact fractions."""
    plan = desk.state().plan
    if plan is None:
        return {"card": None}
    return {
        "card": _odds_card(desk, plan),
        "certificate": live.certificate_words(plan),
        "is_pinned": _compared_with(desk)[2],
    }


def _odds_card(desk: Desk, plan: LivePlan) -> live.Card:
    try:
        errors = errors_of(plan.case, read_spread(desk.source, plan.case))
    except (InputRefused, FileTrouble):
        return live.odds_card(())  # its table is wrong, which the lean pages report
    return live.odds_card(live_odds(plan, errors))


def _compared_with(desk: Desk) -> tuple[str, Compared | None, bool]:
    """What the plan is compared with, in words and figures, and whether a person chose it."""
    try:
        pinned = json.loads(desk.journal.drafts[PIN])
        return f"since {pinned.pop('at')}", Compared(**pinned), True
    except (KeyError, TypeError, ValueError):
        opened = desk.opened_with
        return "since opening", None if opened is None else live.compared(opened), False


def pin(desk: Desk, request: Request, form: Form) -> Response:
    """Keep the present figures as those to compare with."""
    plan = desk.state().plan
    if plan is not None:
        kept = {"at": f"{datetime.now():%H:%M}", **asdict(live.compared(plan))}
        with desk.lock:
            desk.journal.keep_draft(PIN, json.dumps(kept))
    return fresh_parts(desk, request, form)


def unpin(desk: Desk, request: Request, form: Form) -> Response:
    with desk.lock:
        desk.journal.keep_draft(PIN, "")
    return fresh_parts(desk, request, form)


# Trying ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Slide:
    """A number to drag: where it stands, its range, and how it is shown and typed.

    What is shown times `scale` is what the cell holds; `also` is a column that moves with it.
    """

    name: str
    unit: str
    table: str
    row_id: int
    column: str
    shown: float
    minimum: float
    maximum: float
    step: float
    scale: float = 1.0
    decimals: int = 2
    also: str = ""


def _try(desk: Desk, request: Request) -> Mapping[str, Any]:
    lots, products = desk.table("lots"), desk.table("products")
    lot, product = (
        _chosen(request, name, table.order)
        for name, table in (("lot", lots), ("product", products))
    )
    return {
        "lots": _choices(desk, "lots", ("lot_id", "item")),
        "products": _choices(desk, "products", ("product_id", "name")),
        "lot": lot,
        "product": product,
        "lot_id": "" if lot is None else as_read(_cells(desk, "lots", lot)["lot_id"]),
        "lot_slides": [] if lot is None else _lot_slides(desk, lot),
        "product_slides": [] if product is None else _product_slides(desk, product),
    }


def _chosen(request: Request, name: str, order: list[int]) -> int | None:
    asked = whole_number(request.query_params.get(name, ""))
    if asked in order:
        return asked
    return order[0] if order else None


def _choices(desk: Desk, table: str, columns: tuple[str, str]) -> list[tuple[int, str]]:
    typed = desk.table(table)
    places = [typed.columns.index(column) for column in columns]
    return [
        (row_id, ", ".join(filter(None, (typed.rows[row_id][place].strip() for place in places))))
        for row_id in typed.order
    ]


def _cells(desk: Desk, table: str, row_id: int) -> dict[str, str]:
    typed = desk.table(table)
    return dict(zip(typed.columns, typed.rows[row_id], strict=True))


def _numbers(desk: Desk, table: str, row_id: int) -> Callable[[str], float | None]:
    """What the cells of a row say or can only mean, by column; None where that is no number."""
    cells = _cells(desk, table, row_id)
    return lambda column: number_meant(EDITED_TABLES[table].column(column), cells[column])


def _lot_slides(desk: Desk, row_id: int) -> list[Slide]:
    number_of = _numbers(desk, "lots", row_id)
    slides = []
    price, quantity = number_of("price"), number_of("quantity_lb")
    if price:
        unit_typed = _cells(desk, "lots", row_id)["price_unit"]
        in_lb = unit_typed.strip().casefold() == "usd_per_lb"
        step, decimals = (0.0025, 4) if in_lb else (0.25, 2)
        minimum, maximum = (round(price * share / step) * step for share in (0.7, 1.3))
        unit = shown_word(unit_typed.strip().casefold() or "usd_per_lb")
        slides.append(
            Slide(
                "Price",
                unit,
                "lots",
                row_id,
                "price",
                price,
                minimum,
                maximum,
                step,
                decimals=decimals,
            )
        )
    if quantity is not None:
        step = number_of("container_lb") or 100.0
        maximum = max(2 * quantity, 10 * step)
        slides.append(
            Slide(
                "Quantity",
                "lb",
                "lots",
                row_id,
                "quantity_lb",
                quantity,
                0.0,
                maximum,
                step,
                decimals=0,
            )
        )
    return slides


def _product_slides(desk: Desk, row_id: int) -> list[Slide]:
    number_of = _numbers(desk, "products", row_id)
    slides = []
    for name, column in (
        ("Tolerance below", "tolerance_below_points"),
        ("Tolerance above", "tolerance_above_points"),
    ):
        points = number_of(column)
        if points is not None:
            slides.append(
                Slide(
                    name,
                    "lean points",
                    "products",
                    row_id,
                    column,
                    points,
                    0.0,
                    max(3.0, 2 * points),
                    0.05,
                    decimals=4,
                )
            )
    ordered, maximum = number_of("min_lb"), number_of("max_lb")
    if ordered is not None:
        is_exact = ordered == maximum
        highest = 2 * max(ordered, 500.0) if maximum is None or is_exact else maximum
        name = "Order, exactly" if is_exact else "Order, at least"
        slides.append(
            Slide(
                name,
                "lb",
                "products",
                row_id,
                "min_lb",
                ordered,
                0.0,
                highest,
                100.0,
                decimals=0,
                also="max_lb" if is_exact else "",
            )
        )
    return slides


parts: dict[str, tuple[str, Part]] = {
    "live-line": ("parts/live_line.html", _live_line),
    "live-more": ("parts/live_more.html", _live_more),
    "live": ("parts/live.html", _live),
    "recipes": ("parts/recipes.html", _recipes),
    "try": ("parts/try.html", _try),
    **grinder_plan.parts,
}
"""What is rebuilt after an edit: template, and its values."""


# One lot -----------------------------------------------------------------------------------------


def lot_page(desk: Desk, request: Request, form: Form) -> Response:
    lot_id = request.path_params["lot_id"]
    case = desk.case()
    known = [lot.lot_id for lot in case.lots]
    if lot_id not in known:
        read, hint = printable(lot_id)[:60], did_you_mean(lot_id[:60], known)
        raise InputRefused([Problem("lots", None, "lot_id", read, "a lot of the sheet", hint)])
    lot = case.lot(lot_id)
    answer = _answer(desk, lot)
    values: dict[str, Any] = {"title": f"Lot {lot_id}", "lot": lot, "revision": desk.book.revision}
    if answer is None:
        return page(desk, request, "grinder_lot.html", said="", price=None, **values)
    explained = LotAnswer(case, answer)
    return page(
        desk,
        request,
        "grinder_lot.html",
        tables=[
            shown_of(frame, title=_LOT_TITLES[name])
            for name, frame in explained.tables.items()
            if len(frame)
        ],
        said=explained.headline,
        price=_turning_price(desk, lot, answer),
        **values,
    )


_LOT_TITLES = {
    "products": "What the next pound is worth in each product",
    "parts": "Part by part",
    "barred": "Products it may not go into",
    "others": "Lots that it moves",
}


def _answer(desk: Desk, lot: Lot) -> WhyLot | None:
    """None where there is no plan to take it from."""
    with desk.warm() as warm:
        state = desk.state()
        if state.case is None:
            return None
        if lot.reason_unusable(state.case.settings.plan_on) is not None:
            return set_aside(state.case, lot.lot_id)
        if state.plan is None or warm.linear is None or warm.answer is None:
            return None
        return why_lot(state.case, lot.lot_id, warm.linear, warm.answer)


@dataclass(frozen=True, slots=True)
class TurningPrice:
    """A price to type into the sheet at which the lot just enters, or just leaves, the plan."""

    cell: CellEdit
    unit: str
    enters: bool


def _turning_price(desk: Desk, lot: Lot, answer: WhyLot) -> TurningPrice | None:
    """None where no price turns it, or the sheet cannot say it."""
    critical = answer.break_even_usd_per_lb
    row_id = row_of(desk.book, "lots", lot.lot_id)
    if critical is None or critical == float("inf") or row_id is None or lot.is_on_hand:
        return None  # the price of stock is paid
    unit = _cells(desk, "lots", row_id)["price_unit"].strip()
    if unit not in USD_PER_LB_BY_PRICE_UNIT:
        return None
    freight = lot.delivered_usd_per_lb - lot.price_usd_per_lb
    price = (critical - freight) / USD_PER_LB_BY_PRICE_UNIT[unit]
    # a step of the sheet beyond it, so that it does turn
    step = 0.0001 if unit == "usd_per_lb" else 0.01
    steps = round(price / step, 6)
    price = (steps // 1 + 1 if answer.is_used else -(-steps // 1) - 1) * step
    if price <= 0:
        return None
    text = f"{price:.4f}".rstrip("0").rstrip(".")
    return TurningPrice(CellEdit("lots", row_id, "price", text), unit, not answer.is_used)


def set_cell(desk: Desk, request: Request, form: Form) -> Response:
    """Type one cell from a button of a page, then show the page again."""
    table, row, column = (text_of(form, name) for name in ("table", "row", "column"))
    row_id = whole_number(row)
    if table not in EDITED_TABLES or row_id is None:
        raise gone(table)
    cell = CellEdit(table, row_id, column, text_of(form, "text")[:100])
    with desk.as_typed_in(text_of(form, "book")):
        type_cells(desk, [cell], name=text_of(form, "name"))
    lot_id = text_of(form, "lot")
    return RedirectResponse(f"/grinder/lot/{quote(lot_id, safe='')}" if lot_id else "/grinder", 303)


routes = [
    Route("/grinder", view(grinder_page)),
    Route("/grinder/pin", view(pin), methods=["POST"]),
    Route("/grinder/unpin", view(unpin), methods=["POST"]),
    Route("/grinder/set", view(set_cell), methods=["POST"]),
    Route("/grinder/lot/{lot_id:path}", view(lot_page)),
    *grinder_infeasible.routes,
    *grinder_plan.routes,
    *grinder_correct.routes,
    *grinder_actuals.routes,
    *grinder_copies.routes,
    *grinder_start.routes,
]
