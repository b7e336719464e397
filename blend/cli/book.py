"""`blend book`: the trader's positions, marks, profit and loss."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.answers import answers
from blend.cli.common import seed_option
from blend.cli.params import DAY, Share
from blend.errors import FileTrouble

if TYPE_CHECKING:
    from blend.domain.book import Deal
    from blend.domain.quotations import Quotation
    from blend.trader.book_day import BookDay
    from blend.trader.book_risk import BookRisk

FOLDER = click.argument("folder", type=click.Path(path_type=Path), required=False)
BOOK = click.option("--book", "where", metavar="PATH|URL", help="The book. Default: $BLEND_BOOK.")


@click.group()
def book() -> None:
    """Positions, marks, profit and loss; the book keeps every deal and every correction.

    FOLDER holds deals and quotations as tables. With --book the deals are kept in a database of
    their own, append-only; it never sees the canvass.
    """


@book.command(epilog="Examples:  blend book show demo_data/book   blend book show --method average")
@FOLDER
@BOOK
@click.option("--quotations", type=click.Path(path_type=Path), help="Quotations to mark at.")
@click.option("--day", "on", type=DAY, help="Default: the day last quoted.")
@click.option("--since", "before", type=DAY, help="Explain the move since. Default: day before.")
@click.option("--method", type=click.Choice(["fifo", "average"]), default="fifo", help="Cost.")
@answers("explain", "lean", "months", "counterparties", chart=True)
def show(
    folder: Path | None,
    where: str | None,
    quotations: Path | None,
    on: date | None,
    before: date | None,
    method: str,
) -> BookDay:
    """The book on a day: position, cost, mark, realized and unrealized, and what moved it."""
    from blend.trader.book import CostMethod, NoMark
    from blend.trader.book_day import book_day

    deals = _deals(folder, where)
    quoted = _quotations(quotations or folder)
    try:
        return book_day(deals, quoted, on, before=before, method=CostMethod(method))
    except NoMark as error:
        raise FileTrouble(f"{error}. Add its quotation, or choose another day.") from error


@book.command(epilog="Examples:  blend book risk demo_data/book --hedge-with 90s   "
                     "blend book risk --weeks 4")  # fmt: skip
@FOLDER
@BOOK
@click.option("--quotations", type=click.Path(path_type=Path), help="History of quotations.")
@click.option("--day", "on", type=DAY, help="Default: the day last quoted.")
@click.option("--confidence", type=Share(0.5, 0.999), default="95%", show_default=True)
@click.option("--weeks", type=click.IntRange(1, 26), default=1, show_default=True, help="Ahead.")
@click.option("--hedge-with", multiple=True, metavar="ITEM", help="Size a hedge; may be repeated.")
@click.option("--stress", "stress_file", type=click.Path(path_type=Path), help="Moves by hand.")
@seed_option()
@answers("history", chart=True)
def risk(
    folder: Path | None,
    where: str | None,
    quotations: Path | None,
    on: date | None,
    confidence: float,
    weeks: int,
    hedge_with: tuple[str, ...],
    stress_file: Path | None,
    seed: int,
) -> BookRisk:
    """What the book, held as it is, can lose: value at risk, shortfall, hedge, stress.

    Percent changes of past weeks' quotations are applied to today's position. FOLDER may hold
    stress.csv: moves by hand.
    """
    from blend.tables.book import read_stress
    from blend.trader.book_risk import book_risk

    stress_source = stress_file or folder
    return book_risk(
        _deals(folder, where),
        _quotations(quotations or folder),
        on,
        confidence=confidence,
        weeks_ahead=weeks,
        hedge_with=hedge_with,
        stress=() if stress_source is None else read_stress(stress_source),
        seed=seed,
    )


@book.command("import", epilog="Example:  blend book import demo_data/book --book book.sqlite")
@click.argument("folder", type=click.Path(path_type=Path))
@BOOK
def import_(folder: Path, where: str | None) -> None:
    """Add the deals of a table to the book, all of them or none."""
    from blend.store.book import BookStore
    from blend.tables.book import read_deals

    deals, warnings = read_deals(folder)
    with BookStore.open(_place(where)) as opened:
        added = opened.add(deals)
    click.echo(f"Added {added} of {len(deals)} deals; the others were there already.")
    for each in warnings:
        click.echo(f"warning: {each}", err=True)


def _place(where: str | None) -> str:
    where = where or os.environ.get("BLEND_BOOK")
    if not where:
        raise click.UsageError("Name the book: --book PATH|URL, or set BLEND_BOOK.")
    return where


def _deals(folder: Path | None, where: str | None) -> Sequence[Deal]:
    if folder is not None and where is None:
        from blend.tables.book import read_deals

        return read_deals(folder)[0]
    from blend.store.book import BookStore

    with BookStore.open(_place(where)) as opened:
        return opened.deals()


def _quotations(source: Path | None) -> Sequence[Quotation]:
    if source is None:
        raise click.UsageError("Name the quotations to mark at: --quotations FILE or FOLDER.")
    from blend.tables.quotations import read_quotations

    return read_quotations(source).quotations
