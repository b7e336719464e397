"""`blend book`: the trader's positions, marks, profit and loss."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from blend.cli.answers import FILE, answers, examples
from blend.cli.common import (
    JOINT,
    KEEP,
    SCHEDULER,
    WORKERS,
    kept_in,
    note_at_end,
    progress_line,
    quotations_at,
    seed_option,
    warn_at_end,
)
from blend.cli.params import DAY, POUNDS, Share, Whole
from blend.cli.records import record_options
from blend.domain.book import BidOffer, Book, Deal
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from blend.domain.horizon import Cooler
    from blend.domain.quotations import Quotation
    from blend.trader.book_day import BookDay
    from blend.trader.book_plan import BookPlan
    from blend.trader.book_risk import BookRisk
    from blend.trader.customers import CustomerDemand
    from blend.trader.deal_papers import Settlement
    from blend.trader.forward import ForwardCurve

SECTIONS = (
    "explain", "lean", "points", "months", "origins", "counterparties", "limits", "quotes",
    "open-prices", "afloat",
)  # fmt: skip
FOLDER = click.argument("folder", type=click.Path(path_type=Path), required=False)
BOOK = click.option(
    "--book",
    "book_at",
    metavar="PATH|URL",
    help="The book. Default: the deals of FOLDER, else $BLEND_BOOK.",
)
QUOTATIONS = click.option(
    "--quotations",
    metavar="FILE|STORE",
    help="Quotations to mark at, or a store's published ones. Default: those of FOLDER.",
)


@dataclass(frozen=True, slots=True)
class Quoted:
    """A book and the quotations that mark it, of the folder that was named, if one was."""

    folder: Path | None
    book_at: str | None
    book: Book
    quotations: Sequence[Quotation]


def of_quoted_book(command: Callable) -> Callable:
    """FOLDER, --book and --quotations: the command gets what they hold as `quoted`."""

    @wraps(command)
    def run(folder: Path | None, book_at: str | None, quotations: str | None, **given: Any) -> Any:
        quoted = Quoted(folder, book_at, _book(folder, book_at), _quotations(quotations or folder))
        return command(quoted=quoted, **given)

    return FOLDER(BOOK(QUOTATIONS(run)))


@click.group()
def book() -> None:
    """Positions, marks, profit and loss; the book keeps every deal and every correction.

    FOLDER holds the tables deals, bids_offers, book_rates, limits and quotations. With --book
    deals, bids and offers are kept in a database of their own, append-only; it never sees the
    canvass.
    """


@book.command(
    epilog=examples(
        "blend book show demo_data/book",
        "blend book show demo_data/book --method average",
    )
)
@of_quoted_book
@click.option("--day", "on", type=DAY, help="Default: the day last quoted.")
@click.option("--since", "before", type=DAY, help="Explain the move since. Default: day before.")
@click.option(
    "--method", type=click.Choice(["fifo", "average"]), default="fifo", help="Cost of what is sold."
)
@click.option(
    "--mark-at",
    type=click.Choice(["quotation", "exit"]),
    default="quotation",
    show_default=True,
    help="exit: bids for a long position, offers for a short one, as far as they go.",
)
@answers(*SECTIONS, chart=True)
def show(
    quoted: Quoted,
    on: date | None,
    before: date | None,
    method: str,
    mark_at: str,
) -> BookDay:
    """Position, cost, mark, limits, profit and loss.

    Of a day, with what moved it since the day before.
    """
    from blend.trader.book import CostMethod, MarkAt
    from blend.trader.book_day import book_day

    return book_day(
        quoted.book,
        quoted.quotations,
        on,
        before=before,
        method=CostMethod(method),
        mark_at=MarkAt(mark_at),
    )


@book.command(
    epilog=examples(
        "blend book risk demo_data/book --hedge-with 90s",
        "blend book risk demo_data/book --weeks 4",
    )
)
@of_quoted_book
@click.option("--day", "on", type=DAY, help="Default: the day last quoted.")
@click.option("--confidence", type=Share(0.5, 0.999), default="95%", show_default=True)
@click.option("--weeks", type=Whole(1, 26), default=1, show_default=True, help="Weeks ahead.")
@click.option("--hedge-with", multiple=True, metavar="ITEM", help="Size a hedge; repeatable.")
@click.option("--stress", "stress_file", type=click.Path(path_type=Path), help="Moves of your own.")
@click.option(
    "--stress-week", "stress_weeks", type=DAY, multiple=True, help="A day in it; repeatable."
)
@click.option("--draws", type=Whole(0, 1_000_000), default=0, help="Joint draws to add.")
@JOINT
@click.option(
    "--correlations",
    "correlations_file",
    type=click.Path(path_type=Path),
    help="With --joint covariance: correlations of your own.",
)
@click.option("--replan", is_flag=True, help="With --draws: also plan again in each draw.")
@click.option(
    "--market",
    type=Share(0.01, 1.0),
    default="98%",
    show_default=True,
    help="With --replan: sell what you have at this share of its quotation.",
)
@WORKERS
@SCHEDULER
@KEEP
@seed_option()
@answers("history", "correlations-used", chart=True)
def risk(
    quoted: Quoted,
    on: date | None,
    confidence: float,
    weeks: int,
    hedge_with: tuple[str, ...],
    stress_file: Path | None,
    stress_weeks: tuple[date, ...],
    draws: int,
    joint: str,
    correlations_file: Path | None,
    replan: bool,
    market: float,
    workers: int,
    scheduler: str | None,
    keep: Path | None,
    seed: int,
) -> BookRisk:
    """What the book can lose: value at risk, hedges, stress.

    Percent changes of past weeks' quotations, exchange and freight rates are applied to what the
    book holds today. FOLDER may hold stress.csv: moves of your own. --table draws with --csv saves
    each draw, its prices and what the book makes in it.
    """
    from blend.tables.book import read_correlations, read_stress
    from blend.trader.book_plan import book_horizon
    from blend.trader.book_risk import book_risk
    from blend.trader.chunks import Work
    from blend.trader.risk import Joint

    if correlations_file is not None and (joint != "covariance" or not draws):
        raise click.UsageError("--correlations needs --draws and --joint covariance.")

    if replan and not draws:
        raise click.UsageError("--replan needs --draws.")
    plan = None
    if replan:
        coolers, demands = _means(quoted)
        last = on or max(each.quoted_on for each in quoted.quotations)
        plan, _ = book_horizon(
            quoted.book, quoted.quotations, coolers, last, demands=demands, market_share=market
        )
    stress_source = stress_file or quoted.folder
    return book_risk(
        quoted.book,
        quoted.quotations,
        on,
        confidence=confidence,
        weeks_ahead=weeks,
        hedge_with=hedge_with,
        stress=() if stress_source is None else read_stress(stress_source),
        stress_weeks=stress_weeks,
        draws=draws,
        joint=Joint(joint),
        correlations=None if correlations_file is None else read_correlations(correlations_file),
        seed=seed,
        plan=plan,
        work=Work(workers, scheduler, keep=None if keep is None else kept_in(keep)),
    )


@book.command(
    epilog=examples(
        "blend book forward demo_data/book",
        "blend book forward demo_data/book --item 90s --chart forward.png",
    )
)
@of_quoted_book
@click.option("--day", "on", type=DAY, help="Default: the day last quoted.")
@click.option("--item", "items", multiple=True, help="Only this item; repeatable.")
@answers("evidence", chart=True)
def forward(quoted: Quoted, on: date | None, items: tuple[str, ...]) -> ForwardCurve:
    """Prices for later months: bids, offers, contracts.

    Month by month, over or under the spot quotation, with what each rests on. A month without
    any has no price.
    """
    from blend.trader.forward import forward_curve

    return forward_curve(quoted.book, quoted.quotations, on, items=items)


@book.command(
    "plan",
    epilog=examples(
        "blend book plan demo_data/book",
        "blend book plan demo_data/book --whole-loads --market 98%",
    ),
)
@of_quoted_book
@click.option("--day", "on", type=DAY, help="Default: the day last quoted.")
@click.option("--whole-loads", is_flag=True, help="Buy and sell in loads of 40,000 lb.")
@click.option(
    "--market",
    type=Share(0.01, 1.0),
    help="Also sell what you have at this share of the last quotation, such as 98%.",
)
@click.option("--no-customers", is_flag=True, help="Leave out customers.csv.")
@answers("actions", "not-bought", "not-sold", "money", chart=True)
def plan_(
    quoted: Quoted, on: date | None, whole_loads: bool, market: float | None, no_customers: bool
) -> BookPlan:
    """What to buy, freeze, hold, sell and roll.

    From stock, what is afloat and what was agreed, at the bids and offers that are good today,
    prompt and forward. FOLDER holds coolers too: what it costs to freeze and hold, how much and
    how long; and customers, whose demand counts load by load.
    """
    from blend.trader.book_plan import book_plan

    coolers, demands = _means(quoted, no_customers)
    with progress_line() as progress:
        return book_plan(
            quoted.book,
            quoted.quotations,
            coolers,
            on,
            demands=demands,
            whole_loads=whole_loads,
            market_share=market,
            progress=progress,
        )


def _means(
    quoted: Quoted, no_customers: bool = False
) -> tuple[Sequence[Cooler], Mapping[str, Sequence[CustomerDemand]]]:
    """What the folder says of holding and freezing, and what its customers pay."""
    from blend.tables.positions import read_coolers

    if quoted.folder is None:
        raise click.UsageError("Name the FOLDER with coolers: what holding and freezing cost.")
    coolers, warnings = read_coolers(quoted.folder)
    warn_at_end(warnings)
    if not coolers:
        raise click.UsageError(
            f"{quoted.folder} has no coolers. Enter a row in coolers.csv for each place that holds "
            "or freezes meat."
        )
    return coolers, {} if no_customers else _demands(quoted)


def _demands(quoted: Quoted) -> dict[str, tuple[CustomerDemand, ...]]:
    """By item, what the customers of the folder pay; none where it has no customers."""
    from blend.cli.customers import cases_of
    from blend.tables.customers import read_customers
    from blend.tables.tables import holds_table
    from blend.trader.customers import customer_demands

    if quoted.folder is None or not holds_table(quoted.folder, "customers"):
        return {}
    rows, warnings = read_customers(quoted.folder)
    warn_at_end(warnings)
    last = {each.item: each.usd_per_lb * LB_PER_CWT for each in quoted.quotations}
    return {
        item_id: customer_demands(
            rows, item_id, last[item_id], cases_of(quoted.folder), quoted.quotations
        )
        for item_id in sorted({each.item_id for each in rows} & set(last))
    }


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
    """Add the deals, bids and offers of your tables.

    All of them or none.
    """
    from blend.store.book import BookStore
    from blend.tables.book import read_book

    read, warnings = read_book(folder)
    entries = read.entries
    with BookStore.open(_place(book_at)) as opened:
        added = opened.add(entries)
    rest = "; the others were there already" if added < len(entries) else ""
    click.echo(f"Added {added} of {len(entries)} entries{rest}.")
    warn_at_end(warnings)


_OWN = ("corrects", "withdrawn", "recorded_on")
"""Columns that the commands fill in."""


@book.command(
    epilog=examples(
        "blend book add --deal-id D-114 --side sell --item-id 90s "
        "--pounds-lb '2 loads' --price 352.50",
        "blend book add --deal-id D-115 --side buy --item-id '90 CL' --pounds-lb '1 load' "
        "--pricing basis --priced-off 90s --price=-22",
    )
)
@record_options(Deal, skip=_OWN, own=("traded_on",))
@BOOK
def add(book_at: str | None, **words: str) -> None:
    """Add one deal, agreed today unless you say otherwise."""
    from blend.tables.book import deal_of_words

    _add(book_at, deal_of_words(_today("traded_on") | _filled(words) | _today("recorded_on")))


@book.command(
    epilog=examples(
        "blend book post --quote-id Q-31 --side bid --item-id 90s --pounds-lb '2 loads' "
        "--price-usd-per-cwt 347.50 --good-until 11/27/2026",
        "blend book post --quote-id Q-32 --side offer --item-id 50s --pounds-lb '1 load' "
        "--price-usd-per-cwt 92 --good-until 11/27/2026 --is-ours",
    )
)
@record_options(BidOffer, skip=_OWN, own=("given_on",))
@BOOK
def post(book_at: str | None, **words: str) -> None:
    """Add one bid or offer, given today unless you say otherwise."""
    from blend.tables.book import bid_offer_of_words

    _add(book_at, bid_offer_of_words(_today("given_on") | _filled(words) | _today("recorded_on")))


def _add(book_at: str | None, entry: Deal | BidOffer) -> None:
    from blend.store.book import BookStore

    with BookStore.open(_place(book_at)) as opened:
        opened.add([entry])
    click.echo(f"Added {entry.entry_id}: {_words(entry)}")


@book.command(
    epilog=examples(
        "blend book correct D-109 --deal-id D-112 --pounds-lb 38500",
        "blend book correct D-109 --deal-id D-113 --price 352.25",
    )
)
@click.argument("deal", metavar="DEAL")
@record_options(Deal, skip=_OWN, required=False)
@BOOK
def correct(book_at: str | None, deal: str, **words: str) -> None:
    """Correct a deal.

    What you give replaces what it says; the old one stays on file.
    """
    new = _take_the_place_of(book_at, deal, "c", words)
    click.echo(f"{new.entry_id} replaces {deal}: {_words(new)}")


@book.command(
    epilog=examples(
        "blend book withdraw D-109",
        "blend book withdraw Q-31 --book book.sqlite",
    )
)
@click.argument("entry", metavar="DEAL|QUOTE")
@BOOK
def withdraw(book_at: str | None, entry: str) -> None:
    """Withdraw a deal, a bid or an offer.

    It stays on file and no longer counts.
    """
    new = _take_the_place_of(book_at, entry, "w", {"withdrawn": "yes"})
    click.echo(f"{new.entry_id} withdrew {entry}")


def _take_the_place_of(
    book_at: str | None, entry_id: str, mark: str, words: Mapping[str, str]
) -> Deal | BidOffer:
    from blend.store.book import BookStore
    from blend.tables.book import corrected
    from blend.trader.deal_papers import find_entry

    with BookStore.open(_place(book_at)) as opened:
        last = find_entry(opened.book().entries, entry_id)
        new = corrected(last, f"{entry_id}{mark}", _filled(words) | _today("recorded_on"))
        opened.add([new])
    return new


def _today(column: str) -> dict[str, str]:
    return {column: date.today().isoformat()}


def _filled(words: Mapping[str, str]) -> dict[str, str]:
    return {name: text for name, text in words.items() if text}


def _words(entry: Deal | BidOffer) -> str:
    what = f"{entry.side} {entry.pounds_lb:,.0f} lb of {entry.item_id}"
    if isinstance(entry, BidOffer):
        return f"{what}, {entry.price_usd_per_cwt:,.2f}/cwt, good until {entry.good_until}"
    sign = "" if entry.pricing == "fixed" else "basis "
    return f"{what}, {sign}{entry.price:,.2f}/cwt"


@book.command(
    epilog=examples(
        "blend book confirm D-104 demo_data/book",
        "blend book confirm D-104 demo_data/book --house 'Our Company'",
    )
)
@click.argument("deal", metavar="DEAL")
@of_quoted_book
@click.option("--house", default="", help="Your company's name.")
@click.option("--text", "text_file", type=FILE, metavar="FILE", help="Save it as text.")
def confirm(
    deal: str,
    quoted: Quoted,
    house: str,
    text_file: Path | None,
) -> None:
    """A deal's contract confirmation, to send.

    Blanks are for what the deal does not say.
    """
    from blend.files import check_place, write_bytes
    from blend.trader.deal_papers import confirmation, find_entry

    if text_file is not None:
        check_place(text_file)
    found = find_entry(quoted.book.deals, deal)
    text = confirmation(found, quoted.quotations, house)
    if text_file is not None:
        write_bytes(text_file, f"{text}\n".encode())
    click.echo(text)


@book.command(
    epilog=examples(
        "blend book settle D-106 demo_data/book --tested 83.5",
        "blend book settle D-104 demo_data/book --delivered 39,640",
    )
)
@click.argument("deal", metavar="DEAL")
@of_quoted_book
@click.option("--delivered", type=POUNDS, help="Pounds delivered. Default: as agreed.")
@click.option("--tested", type=Share(0.01), help="Lean found, such as 88.5. Default: not tested.")
@click.option("--day", "on", type=DAY, help="Whose lean and fat. Default: the day of its price.")
@click.option("--record", is_flag=True, help="Correct the deal in the book to what was settled.")
@answers()
def settle(
    deal: str,
    quoted: Quoted,
    delivered: float | None,
    tested: float | None,
    on: date | None,
    record: bool,
) -> Settlement:
    """What is due for a deal: pounds delivered, less a lean claim.

    A lean shortage is shown both ways contracts settle it: pro rata, and by the value of lean and
    fat.
    """
    from blend.trader.deal_papers import find_entry, settlement

    found = find_entry(quoted.book.deals, deal)
    made = settlement(found, quoted.quotations, tested, on, quoted.book.rates, delivered)
    if record:
        new = _take_the_place_of(quoted.book_at, deal, "s", made.settled)
        note_at_end(f"{new.entry_id} replaces {deal}: {_words(new)}")
    return made


def _place(book_at: str | None) -> str:
    book_at = book_at or os.environ.get("BLEND_BOOK")
    if not book_at:
        raise click.UsageError("Name the book: --book PATH|URL, or set BLEND_BOOK.")
    return book_at


def _book(folder: Path | None, book_at: str | None) -> Book:
    """The book of a folder; with a database, its deals, bids and offers, and the folder's rest.
    A folder with deals of its own takes precedence over $BLEND_BOOK."""
    from blend.tables.book import read_book
    from blend.tables.tables import holds_table

    in_folder = (
        folder is not None
        and book_at is None
        and (not os.environ.get("BLEND_BOOK") or holds_table(folder, "deals"))
    )
    read = Book(())
    if folder is not None:
        read, warnings = read_book(folder, entries=in_folder)
        warn_at_end(warnings)
    if in_folder:
        return read
    from blend.store.book import BookStore

    with BookStore.open(_place(book_at)) as opened:
        return replace(opened.book(), rates=read.rates, limits=read.limits)


def _quotations(place: str | Path | None) -> Sequence[Quotation]:
    if place is None:
        raise click.UsageError("Name the quotations to mark at: --quotations FILE or FOLDER.")
    return quotations_at(str(place))
