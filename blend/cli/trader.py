"""What the trader asks for: what lean, fat and each lot are worth, and to whom."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.answers import FILE, answers
from blend.cli.common import (
    FOLDER,
    JOINT,
    KEEP,
    SCHEDULER,
    WORKERS,
    kept_in,
    note_at_end,
    progress_line,
    seed_option,
    warn_at_end,
)
from blend.cli.params import DAY, PRICE, WEIGHT, Share, Whole
from blend.domain.selectors import EVERY_LOT, Selector, parse_selector
from blend.errors import did_you_mean

if TYPE_CHECKING:
    from blend.domain.book import BookRate
    from blend.domain.case import Case
    from blend.domain.imports import ForeignOffer, ImportRate
    from blend.domain.quotations import Quotation
    from blend.domain.rules import Loss
    from blend.output.answer import Answer
    from blend.trader.landed import Landed

_PART = Share(1e-6)

# Lean and fat ------------------------------------------------------------------------------------


@click.command(
    epilog="""\b
Examples:
  blend value demo_data
  blend value demo_data --species pork --history --chart pork.png"""
)
@FOLDER
@click.option("--species", help="Which species. Default: the one quoted most.")
@click.option("--day", "on", type=DAY, help="Which day. Default: latest day quoted.")
@click.option(
    "--fit",
    type=click.Choice(["fresh", "frozen", "all"]),
    default="fresh",
    show_default=True,
    help="Items the line goes through; the others are compared with it.",
)
@click.option("--by-pounds", is_flag=True, help="Weight quotations by volume.")
@answers("history", "short-lean", "stats", chart=True)
def value(folder: Path, species: str | None, on: date | None, fit: str, by_pounds: bool) -> Answer:
    """What lean and fat are worth, and which items are cheap or rich.

    FOLDER holds quotations, of one day or several. Prices may be in $/lb, $/cwt, cents/lb or
    $/kg.
    """
    from blend.tables.quotations import read_quotations
    from blend.trader import value as question

    read = read_quotations(folder)
    warn_at_end(read.warnings)
    return question.value(read.quotations, species=species, on=on, fit=fit, by_pounds=by_pounds)


# Substitutes -------------------------------------------------------------------------------------


def read_offers(folder: Path) -> Case:
    """The case of a trade question; of its warnings only those about lots concern the trader."""
    from blend.reading import read_ready_case

    read = read_ready_case(folder)
    warn_at_end([each for each in read.warnings if Path(each.file).stem == "lots"])
    click.get_current_context().find_root().obj = read.case
    return read.case


def selector(ctx: click.Context, param: click.Parameter, text: str | None) -> Selector:
    try:
        return EVERY_LOT if text is None else parse_selector(text)
    except ValueError as error:
        raise click.BadParameter(f"{error}.") from None


@click.command(
    epilog="""\b
Examples:
  blend substitute demo_data --product GB80
  blend substitute demo_data --quotations"""
)
@FOLDER
@click.option("--product", "product_id", metavar="ID", help="Only in this product.")
@click.option(
    "--quotations",
    "of_quotations",
    is_flag=True,
    help="Latest day's quotations instead of your lots.",
)
@click.option(
    "--among",
    callback=selector,
    metavar="CONDITIONS",
    help='Lots a mix may use, such as "fresh_or_frozen=fresh; origin=domestic".',
)
@click.option(
    "--max-share", type=_PART, default=1.0, metavar="PERCENT", help="Largest share from one item."
)
@click.option("--any-program", is_flag=True, help="Quotations: a mix may lack the item's claims.")
@click.option("--any-meat", is_flag=True, help="May also use head, cheek and the like.")
@answers("every", chart=True)
def substitute(
    folder: Path,
    product_id: str | None,
    of_quotations: bool,
    among: Selector,
    max_share: float,
    any_program: bool,
    any_meat: bool,
) -> Answer:
    """The cheapest mix that does what an item does, in each product.

    FOLDER holds your sheet, or quotations. A mix has the item's lean and weight after losses, is
    of its species, and has only meat that the product's rules allow.
    """
    from blend.domain.replacement import ReplacementRules
    from blend.trader import substitute as question

    rules = ReplacementRules(among, not any_program, max_share, any_meat)
    if not of_quotations:
        return question.substitute(read_offers(folder), product_id=product_id, rules=rules)
    if product_id is not None:
        raise click.UsageError("--product goes with lots, not with --quotations.")
    from blend.tables.quotations import read_quotations

    read = read_quotations(folder)
    warn_at_end(read.warnings)
    return question.substitute_quoted(read.quotations, losses_of(folder), rules)


def losses_of(folder: Path) -> tuple[Loss, ...]:
    """Losses of the folder's sheet; none where it has no lots, but quotations only."""
    if folder.is_dir() and not any(each.stem.casefold() == "lots" for each in folder.iterdir()):
        return ()
    return read_offers(folder).losses


# Break-even --------------------------------------------------------------------------------------


@click.command(
    epilog="""\b
Examples:
  blend breakeven demo_data I90-1
  blend breakeven demo_data B90-1 --second B90-2 --chart map.png"""
)
@FOLDER
@click.argument("lot_id", metavar="LOT")
@click.option("--by-pounds", is_flag=True, help="By pounds on offer instead of by price.")
@click.option("--second", metavar="LOT", help="Who buys what: both lots' prices at once.")
@click.option(
    "--around",
    type=_PART,
    default=0.05,
    show_default="5%",
    help="With --second: how far each price goes up and down.",
)
@click.option("--min-price", type=PRICE, help="Lowest delivered price. Default: 0.")
@click.option("--max-price", type=PRICE, help="Highest delivered price. Default: no limit.")
@click.option("--available", type=WEIGHT, help="As if this much were on offer; any for no limit.")
@answers("steps", "switches", "certificate", chart=True)
def breakeven(
    folder: Path,
    lot_id: str,
    by_pounds: bool,
    second: str | None,
    around: float,
    min_price: float | None,
    max_price: float | None,
    available: float | None,
) -> Answer:
    """What a lot is worth to you: how much you would use at every price.

    FOLDER holds your sheet, as for `blend plan`. Prices are delivered: 324.50 is $/cwt; 3.245/lb,
    324.5 cents/lb and 7.15/kg work too. Exact, by parametric linear programming, as if combos
    and batches could be split.
    """
    by_price = (min_price, max_price, available) != (None, None, None)
    if (by_pounds and second is not None) or (by_price and (by_pounds or second is not None)):
        raise click.UsageError(
            "Use one: --by-pounds, --second, or prices (--min-price, --max-price, --available)."
        )
    if max_price is not None and max_price <= (min_price or 0.0):
        raise click.BadParameter("must be above --min-price.", param_hint="--max-price")
    case = read_offers(folder)

    from blend.trader import breakeven as question

    if by_pounds:
        return question.breakeven_by_pounds(case, lot_id)
    if second is not None:
        return question.breakeven_of_two(case, (lot_id, second), around_share=around)
    return question.breakeven(
        case,
        lot_id,
        min_usd_per_lb=min_price,
        max_usd_per_lb=math.inf if max_price is None else max_price,
        available_lb=available,
    )


# Imports -----------------------------------------------------------------------------------------


@click.command(
    epilog="""\b
Examples:
  blend landed demo_data
  blend landed demo_data --offer NZ90 --into lots_landed.csv"""
)
@FOLDER
@click.option("--offer", "offer_id", metavar="OFFER", help="Only this offer, line by line.")
@click.option(
    "--into",
    type=FILE,
    metavar="FILE.csv",
    help="Save a copy of your lots with these landed prices; a new file only.",
)
@answers("build-up", "rates", chart=True)
def landed(folder: Path, offer_id: str | None, into: Path | None) -> Answer:
    """Imports at your dock: landed, thawed and at fresh lean, against fresh meat.

    FOLDER holds foreign_offers, and import_rates where a rate is newer than the built-in ones or
    not among them. An offer without a rate is listed, and the others are priced. Where an offer
    leaves the fresh price blank, it is that of the day last quoted.
    """
    from blend.tables.imports import read_imports
    from blend.trader import landed as question

    read = read_imports(folder)
    known = [offer.offer_id for offer in read.offers]
    if offer_id is not None and offer_id not in known:
        hint = did_you_mean(offer_id, known) or f"There are {', '.join(known)}."
        raise click.BadParameter(f"no offer {offer_id!r}. {hint}", param_hint="--offer")
    warn_at_end(read.warnings)
    wanted = [offer for offer in read.offers if offer_id in (None, offer.offer_id)]
    found = question.landed(wanted, read.rates, read.quotations)
    if into is not None:
        _write_lots(folder, found, into)
    return found


def _write_lots(folder: Path, found: Landed, into: Path) -> None:
    """Save a copy of the lots at landed prices, and say what changed."""
    from blend.files import check_place
    from blend.reading import read_ready_case
    from blend.tables.columns import TABLES
    from blend.tables.write import records_table, write_csv
    from blend.trader.landed_into import lots_at_landed

    if into.suffix.lower() != ".csv" or into.exists():
        raise click.BadParameter("name a new .csv file; none is changed.", param_hint="--into")
    check_place(into)
    lots, changed = lots_at_landed(read_ready_case(folder).case.lots, found.built)
    if not changed:
        raise click.UsageError("No priced offer names a lot: enter lot_id in foreign_offers.")
    write_csv(into, *records_table(TABLES["lots"], lots))
    lines = [
        f"{each.lot_id}: ${each.before_usd_per_cwt:,.2f} -> ${each.after_usd_per_cwt:,.2f}/cwt "
        f"delivered, from {each.offer_id}"
        for each in changed
    ]
    saved = f"Saved lots: {into}. Use it in place of lots.csv when you mean to."
    note_at_end("\n".join([*lines, saved]))


# Scenarios ---------------------------------------------------------------------------------------


@click.command(
    epilog="""\b
Examples:
  blend scenarios demo_data
  blend scenarios demo_data --draws 2000 --workers 2 --chart cost.png"""
)
@FOLDER
@click.option("--draws", type=Whole(0, 1_000_000), default=0, help="How many to draw.")
@seed_option()
@WORKERS
@SCHEDULER
@KEEP
@click.option(
    "--history",
    metavar="FOLDER|STORE",
    help="Past quotations and rates of rows that follow them. Default: FOLDER.",
)
@click.option("--weeks", type=Whole(1, 26), default=1, show_default=True, help="Weeks ahead.")
@JOINT
@click.option("--correlations", type=FILE, metavar="FILE", help="Between rows: one, other.")
@answers("products", "lots", "correlations-used", chart=True)
def scenarios(
    folder: Path,
    draws: int,
    seed: int,
    workers: int,
    scheduler: str | None,
    keep: Path | None,
    history: str | None,
    weeks: int,
    joint: str,
    correlations: Path | None,
) -> Answer:
    """The day under many prices, supplies and orders: the range of cost.

    FOLDER holds your sheet and scenarios, and foreign_offers where exchange rates move prices.
    --csv saves one row for each scenario, with --table draws what was drawn. Results are the same
    for any number of workers. Ctrl-C stops and shows the scenarios done so far; with --keep the
    same command goes on from there.
    Rows of distribution history move by past weeks of the quotations and rates they follow.
    """
    chart_file = click.get_current_context().params.get("chart_file")
    if chart_file is not None and not draws:
        raise click.UsageError("--chart shows the range of cost, so it needs --draws.")
    from blend.tables.book import read_correlations
    from blend.tables.imports import holds_offers, read_imports
    from blend.tables.scenarios import read_scenarios
    from blend.trader import scenarios as question
    from blend.trader.risk import Joint

    case = read_offers(folder)
    offers: tuple[ForeignOffer, ...] = ()
    rates: tuple[ImportRate, ...] = ()
    if holds_offers(folder):
        imports = read_imports(folder)
        offers, rates = imports.offers, imports.rates
    rows = read_scenarios(folder, case, offers)
    pairs = {} if correlations is None else read_correlations(correlations)
    job = question.ScenarioJob(
        case,
        rows,
        draws,
        seed,
        offers,
        rates,
        past=question.weeks_followed(rows, partial(_history, history or str(folder)))
        if draws
        else None,
        weeks_ahead=weeks,
        joint=Joint(joint),
        correlations=tuple((min(pair), max(pair), value) for pair, value in pairs.items()),
    )
    with progress_line() as say:
        return question.run_scenarios(
            job,
            workers=workers,
            scheduler=scheduler,
            keep=None if keep is None else kept_in(keep),
            progress=None if say is None else lambda done, of: say(f"scenario {done:,} of {of:,}"),
        )


def _history(place: str) -> tuple[Sequence[Quotation], Sequence[BookRate]]:
    from blend.cli.common import quotations_at
    from blend.tables.book import read_book
    from blend.tables.tables import holds_table

    has_rates = Path(place).is_dir() and holds_table(Path(place), "book_rates")
    rates = read_book(Path(place), entries=False)[0].rates if has_rates else ()
    return quotations_at(place), rates
