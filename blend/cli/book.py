"""`blend book`: the trader's positions, marks, profit and loss."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.answers import FILE, answers, examples
from blend.cli.common import seed_option
from blend.cli.params import DAY, Share
from blend.cli.records import record_options
from blend.domain.book import Deal
from blend.errors import FileTrouble

if TYPE_CHECKING:
    from blend.domain.quotations import Quotation
    from blend.trader.book_day import BookDay
    from blend.trader.book_risk import BookRisk
    from blend.trader.deal_papers import DealClaim

FOLDER = click.argument("folder", type=click.Path(path_type=Path), required=False)
BOOK = click.option("--book", "book_at", metavar="PATH|URL", help="The book. Default: $BLEND_BOOK.")


@click.group()
def book() -> None:
    """Positions, marks, profit and loss; the book keeps every deal and every correction.

    FOLDER holds deals and quotations as tables. With --book the deals are kept in a database of
    their own, append-only; it never sees the canvass.
    """


@book.command(
    epilog=examples(
        "blend book show demo_data/book",
        "blend book show demo_data/book --method average",
    )
)
@FOLDER
@BOOK
@click.option("--quotations", type=click.Path(path_type=Path), help="Quotations to mark at.")
@click.option("--day", "on", type=DAY, help="Default: the day last quoted.")
@click.option("--since", "before", type=DAY, help="Explain the move since. Default: day before.")
@click.option("--method", type=click.Choice(["fifo", "average"]), default="fifo", help="Cost.")
@answers("explain", "lean", "months", "counterparties", chart=True)
def show(
    folder: Path | None,
    book_at: str | None,
    quotations: Path | None,
    on: date | None,
    before: date | None,
    method: str,
) -> BookDay:
    """The book on a day: position, cost, mark, realized and unrealized, and what moved it."""
    from blend.trader.book import CostMethod, NoMark
    from blend.trader.book_day import book_day

    deals = _deals(folder, book_at)
    quoted = _quotations(quotations or folder)
    try:
        return book_day(deals, quoted, on, before=before, method=CostMethod(method))
    except NoMark as error:
        raise FileTrouble(f"{error}. Add its quotation, or choose another day.") from error


@book.command(
    epilog=examples(
        "blend book risk demo_data/book --hedge-with 90s",
        "blend book risk demo_data/book --weeks 4",
    )
)
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
    book_at: str | None,
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
        _deals(folder, book_at),
        _quotations(quotations or folder),
        on,
        confidence=confidence,
        weeks_ahead=weeks,
        hedge_with=hedge_with,
        stress=() if stress_source is None else read_stress(stress_source),
        seed=seed,
    )


@book.command(
    "import",
    epilog=examples(
        "blend book import demo_data/book --book book.sqlite",
        "blend book import deals.csv --book book.sqlite",
    ),
)
@click.argument("folder", type=click.Path(path_type=Path))
@BOOK
def import_(folder: Path, book_at: str | None) -> None:
    """Add the deals of a table to the book, all of them or none."""
    from blend.store.book import BookStore
    from blend.tables.book import read_deals

    deals, warnings = read_deals(folder)
    with BookStore.open(_place(book_at)) as opened:
        added = opened.add(deals)
    click.echo(f"Added {added} of {len(deals)} deals; the others were there already.")
    for each in warnings:
        click.echo(f"warning: {each}", err=True)


@book.command(
    epilog=examples(
        "blend book add --deal-id D-114 --side sell --item-id 90s "
        "--pounds-lb '2 loads' --price 352.50",
        "blend book add --help",
    )
)
@record_options(Deal, skip=("corrects", "withdrawn", "recorded_on"), own=("traded_on",))
@BOOK
def add(book_at: str | None, **words: str) -> None:
    """Add one deal, agreed today unless you say otherwise."""
    from blend.store.book import BookStore
    from blend.tables.book import deal_of_words

    today = date.today().isoformat()
    deal = deal_of_words({"traded_on": today, **_filled(words), "recorded_on": today})
    with BookStore.open(_place(book_at)) as opened:
        opened.add([deal])
    click.echo(f"Added {deal.deal_id}: {_deal_words(deal)}")


@book.command(
    epilog=examples(
        "blend book correct D-109 --deal-id D-112 --pounds-lb 38500",
        "blend book correct D-109 --deal-id D-113 --price 352.25",
    )
)
@click.argument("deal", metavar="DEAL")
@record_options(Deal, skip=("corrects", "withdrawn", "recorded_on"), required=False)
@BOOK
def correct(book_at: str | None, deal: str, **words: str) -> None:
    """Correct a deal: what you give replaces what it says; the old one stays on file."""
    _take_the_place_of(book_at, deal, "c", words)


@book.command(
    epilog=examples(
        "blend book withdraw D-109",
        "blend book withdraw D-109 --book book.sqlite",
    )
)
@click.argument("deal", metavar="DEAL")
@BOOK
def withdraw(book_at: str | None, deal: str) -> None:
    """Withdraw a deal: it stays on file and no longer counts."""
    _take_the_place_of(book_at, deal, "w", {"withdrawn": "yes"})


def _take_the_place_of(book_at: str | None, deal_id: str, mark: str, words: dict[str, str]) -> None:
    from blend.store.book import BookStore
    from blend.tables.book import corrected
    from blend.trader.deal_papers import find_deal

    with BookStore.open(_place(book_at)) as opened:
        last = find_deal(opened.deals(), deal_id)
        today = {"recorded_on": date.today().isoformat()}
        new = corrected(last, f"{deal_id}{mark}", _filled(words) | today)
        opened.add([new])
    what = "withdrew" if new.withdrawn else f"took the place of {deal_id}: {_deal_words(new)}"
    click.echo(f"{new.deal_id} {what if not new.withdrawn else f'{what} {deal_id}'}")


def _filled(words: dict[str, str]) -> dict[str, str]:
    return {name: text for name, text in words.items() if text}


def _deal_words(deal: Deal) -> str:
    sign = "basis " if deal.pricing == "formula" else ""
    return f"{deal.side} {deal.pounds_lb:,.0f} lb of {deal.item_id}, {sign}{deal.price:,.2f}/cwt"


@book.command(
    epilog=examples(
        "blend book confirm D-104 demo_data/book",
        "blend book confirm D-104 demo_data/book --house 'Our Company'",
    )
)
@click.argument("deal", metavar="DEAL")
@FOLDER
@BOOK
@click.option("--quotations", type=click.Path(path_type=Path), help="For the item's lean and form.")
@click.option("--house", default="", help="Your company's name.")
@click.option("--text", "text_file", type=FILE, metavar="FILE", help="Save it as text.")
def confirm(
    deal: str,
    folder: Path | None,
    book_at: str | None,
    quotations: Path | None,
    house: str,
    text_file: Path | None,
) -> None:
    """The contract confirmation of a deal, to send; blanks are for what the deal does not say."""
    from blend.files import check_place, write_bytes
    from blend.trader.deal_papers import confirmation, find_deal

    if text_file is not None:
        check_place(text_file)
    found = find_deal(_deals(folder, book_at), deal)
    text = confirmation(found, _quotations(quotations or folder), house)
    if text_file is not None:
        write_bytes(text_file, f"{text}\n".encode())
    click.echo(text)


@book.command(
    epilog=examples(
        "blend book claim D-106 demo_data/book --tested 83.5",
        "blend book claim D-106 demo_data/book --tested 83.5%",
    )
)
@click.argument("deal", metavar="DEAL")
@FOLDER
@BOOK
@click.option("--quotations", type=click.Path(path_type=Path), help="Quotations of the day.")
@click.option("--tested", type=Share(0.01), required=True, help="Lean found, such as 88.5.")
@click.option("--day", "on", type=DAY, help="Whose lean and fat. Default: the day of its price.")
@answers()
def claim(
    deal: str,
    folder: Path | None,
    book_at: str | None,
    quotations: Path | None,
    tested: float,
    on: date | None,
) -> DealClaim:
    """What a lean test takes off a deal's price, pro rata and by lean and fat."""
    from blend.trader.book import NoMark
    from blend.trader.deal_papers import deal_claim, find_deal

    found = find_deal(_deals(folder, book_at), deal)
    try:
        return deal_claim(found, _quotations(quotations or folder), tested, on)
    except NoMark as error:
        raise FileTrouble(f"{error}. Add its quotation, or choose another day.") from error


def _place(book_at: str | None) -> str:
    book_at = book_at or os.environ.get("BLEND_BOOK")
    if not book_at:
        raise click.UsageError("Name the book: --book PATH|URL, or set BLEND_BOOK.")
    return book_at


def _deals(folder: Path | None, book_at: str | None) -> Sequence[Deal]:
    if folder is not None and book_at is None:
        from blend.tables.book import read_deals

        return read_deals(folder)[0]
    from blend.store.book import BookStore

    with BookStore.open(_place(book_at)) as opened:
        return opened.deals()


def _quotations(source: Path | None) -> Sequence[Quotation]:
    if source is None:
        raise click.UsageError("Name the quotations to mark at: --quotations FILE or FOLDER.")
    from blend.tables.quotations import read_quotations

    return read_quotations(source).quotations
