"""The trader's book: positions, marks, profit and loss of a day, and what moved it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from blend.desk.asked import asked_choice, asked_day
from blend.desk.desk import Desk
from blend.desk.pages import Form, page
from blend.domain.book import Book
from blend.domain.quotations import Quotation
from blend.errors import BlendError, InputRefused, Problem
from blend.output.shown import shown_of
from blend.tables.book import read_book
from blend.tables.quotations import read_quotations
from blend.tables.tables import READABLE
from blend.trader.book import CostMethod
from blend.trader.book_day import BookDay, book_day
from blend.trader.book_risk import book_risk, spread_chart

_TITLES = {
    "positions": ("Positions", "Short positions are below zero."),
    "explained": ("What moved profit and loss, by item", "The parts add up exactly."),
    "limits": ("Limits", ""),
    "quotes": ("Bids and offers that are good", ""),
    "open_prices": ("Not priced yet", "Each moves with the quotation it is priced off."),
    "afloat": ("Afloat, at landed parity", "The mark less duty, fees and freight still to pay."),
    "by_lean": ("By lean point", ""),
    "by_origin": ("By origin", ""),
    "by_month": ("By month of delivery", ""),
    "counterparties": ("Open with counterparties", "At the day's marks; not netted."),
}


def book_folder(desk: Desk) -> Path | None:
    """The folder with deals and quotations: the plan's own, or its folder `book`; else None."""
    return next(
        (
            folder
            for folder in (desk.place, desk.place / "book")
            if all(
                any((folder / f"{name}{ending}").is_file() for ending in READABLE)
                for name in ("deals", "quotations")
            )
        ),
        None,
    )


def book_page(desk: Desk, request: Request, form: Form) -> Response:
    folder = book_folder(desk)
    methods = [(each.value, words) for each, words in _METHODS.items()]
    if folder is None:
        return page(desk, request, "trader_book.html", title="Book", book=None, place=desk.place)

    kept, quoted = _read(folder)
    book = _marked(kept, quoted, request)
    tables = [
        shown_of(frame, None, *_TITLES[name])
        for name, frame in book.tables.items()
        if name in _TITLES and len(frame)
    ]
    return page(
        desk,
        request,
        "trader_book.html",
        tables,
        title="Book",
        book=book,
        summary=book.summary,
        watch=list(book.watch()),
        spec=book.chart() if book.moved else None,
        spread=_spread(kept, quoted, book.on),
        methods=methods,
    )


def _read(folder: Path) -> tuple[Book, Sequence[Quotation]]:
    quoted = read_quotations(folder).quotations
    if not quoted:
        raise InputRefused(
            [Problem("quotations", None, None, "no rows", "prices to mark deals at")]
        )
    return read_book(folder)[0], quoted


def _marked(book: Book, quoted: Sequence[Quotation], request: Request) -> BookDay:
    method = CostMethod(asked_choice(request, "method", CostMethod, CostMethod.FIFO))
    on, before = asked_day(request, "day"), asked_day(request, "since")
    return book_day(book, quoted, on, before=before, method=method)


def _spread(book: Book, quoted: Sequence[Quotation], on: date) -> dict[str, Any] | None:
    """What past weeks would make or lose on the book; None where the history is too short."""
    try:
        found = book_risk(book, quoted, on)
    except BlendError:
        return None
    return spread_chart(found) if len(found.week_ends) > 1 else None


_METHODS = {CostMethod.FIFO: "first in, first out", CostMethod.AVERAGE: "average"}
