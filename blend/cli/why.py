"""blend why: why an item's price and a plan's cost moved, and the prices that clear a market."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from blend.cli.answers import FILE, answers, examples
from blend.cli.common import read_folder, read_market_folder, seed_option
from blend.cli.params import CHANGE, USD_PER_CWT, USD_PER_LB, Share
from blend.domain.selectors import Selector, parse_selector
from blend.errors import FileTrouble
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from blend.domain.case import Case
    from blend.domain.clearing import Market
    from blend.output.answer import Answer
    from blend.reporter.draws import Priors
    from blend.reporter.explained import Observed
    from blend.reporter.mixed import Driver

_DRIVERS = (
    "own-price",
    "other-prices",
    "own-supply",
    "fresh-supply",
    "imported-supply",
    "orders",
    "rules",
)
"""As in `blend.reporter.mixed`, which `blend why --help` must not wait for."""
_FOLDER = click.Path(path_type=Path)


def _where(ctx: click.Context, param: click.Parameter, text: str | None) -> Selector | None:
    try:
        return None if text is None else parse_selector(text)
    except ValueError as error:
        raise click.BadParameter(f"{error}.") from None


def _error(name: str, metavar: str, of: str) -> Callable[[Any], Any]:
    return click.option(
        name,
        type=Share() if metavar == "PERCENT" else USD_PER_CWT,
        metavar=metavar,
        help=f"For markets: standard error of {of}.",
    )


@click.command(
    epilog=examples(
        "blend why demo_data/week_before demo_data --where lot=B90-1 "
        "--quote-change 5 --quote-error 1",
        "blend why demo_data/market --market",
    )
)
@click.argument("before", type=_FOLDER)
@click.argument("after", type=_FOLDER, required=False)
@click.option(
    "--where",
    callback=_where,
    metavar="CONDITION",
    help='Lots of the item, such as lot=B90-1 or "item=fresh 90s".',
)
@click.option(
    "--quote-change",
    type=CHANGE,
    metavar="$/CWT",
    help="Change in the item's quote. Default for markets: that of their prices.",
)
@click.option("--quote-error", type=USD_PER_CWT, metavar="$/CWT", help="Its standard error.")
@click.option(
    "--shortage",
    type=USD_PER_LB,
    metavar="$/LB",
    help="Let every product fall short at this penalty.",
)
@click.option(
    "--year-ago", type=_FOLDER, metavar="FOLDER", help="For markets: compare its pounds too."
)
@click.option("--market", "is_market", is_flag=True, help="Clearing prices of one market folder.")
@click.option("--move", type=FILE, metavar="FILE", help="With --market: changes to make, a table.")
@_error("--price-error", "$/CWT", "a quoted price")
@_error("--supply-error", "PERCENT", "pounds and orders; default from the method table")
@_error("--elasticity-error", "PERCENT", "all elasticities; default from the method table")
@seed_option()
@click.option(
    "--undo",
    type=click.Choice(_DRIVERS),
    help="Save AFTER with only this driver set back to BEFORE; needs --write.",
)
@click.option(
    "--write",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Where to write it: a new folder.",
)
@answers("by-lot", "parts", "changes", "ground", "fit", "certificate", chart=True)
def why(
    before: Path,
    after: Path | None,
    where: Selector | None,
    quote_change: float | None,
    quote_error: float | None,
    shortage: float | None,
    year_ago: Path | None,
    is_market: bool,
    move: Path | None,
    price_error: float | None,
    supply_error: float | None,
    elasticity_error: float | None,
    seed: int,
    undo: str | None,
    write: Path | None,
) -> Answer:
    """Why an item's price and a plan's cost moved between two folders.

    BEFORE and AFTER hold a plan each, or a market each (with product_demand). Parts are what
    the model gives, in exact shares that add up. A cause is named only where the quote moved
    beyond its error and the model explains it.

    With --market, the prices that clear the market in BEFORE alone, and what --move changes.
    """
    if is_market:
        if after is not None or where is not None:
            raise click.UsageError("--market takes one folder and no --where.")
        return _clearing_prices(before, move)
    if after is None or where is None or move is not None:
        raise click.UsageError("Give BEFORE, AFTER and --where; or one folder with --market.")
    if (undo is None) != (write is None):
        raise click.UsageError("--undo and --write go together.")
    errors = (price_error, supply_error, elasticity_error)
    if quote_error is not None and quote_change is None:
        raise click.UsageError("--quote-error needs --quote-change.")
    if write is not None and write.exists():
        raise FileTrouble(f"{write} is already there. Name a new folder.")
    from blend.tables.clearing import holds_market

    are_markets = [holds_market(folder) for folder in (before, after)]
    if any(are_markets) and not all(are_markets):
        raise click.UsageError("one folder holds product_demand, the other does not.")
    seen = _observed(quote_change, quote_error)
    driver = _driver(undo, are_markets=all(are_markets))
    if all(are_markets):
        if shortage is not None:
            raise click.UsageError("--shortage is for plans; volumes of a market are open.")
        was, now = (read_market_folder(each, names_folder=True) for each in (before, after))
        ago = None if year_ago is None else read_market_folder(year_ago, names_folder=True)
        return _of_markets(was, now, ago, where, seen, _priors(errors, seed), driver, write)
    if year_ago is not None:
        raise click.UsageError("--year-ago is for markets.")
    if any(errors):
        raise click.UsageError("Errors are for markets; tables of a plan count as exact.")
    then, after_case = (_planned(each, must_plan=shortage is None) for each in (before, after))
    from blend.reporter.explain import explain_plan

    made = explain_plan(then, after_case, where, observed=seen, shortage_usd_per_lb=shortage)
    if driver is not None and write is not None:
        _write_case(then, after_case, where, driver, write, after)
    return made


def _clearing_prices(folder: Path, move: Path | None) -> Answer:
    from blend.reporter.market_prices import market_prices
    from blend.tables.clearing import read_moves

    market = read_market_folder(folder)
    return market_prices(market, () if move is None else read_moves(move, market))


def _observed(move: float | None, error: float | None) -> Observed | None:
    if move is None:
        return None
    from blend.reporter.explained import Observed

    return Observed(move / LB_PER_CWT, None if error is None else error / LB_PER_CWT)


def _priors(errors: tuple[float | None, ...], seed: int) -> Priors:
    """Those of the method table, but for the errors given."""
    from blend.reporter.draws import priors_of
    from blend.tables.method import read_method

    price, supply, elasticity = errors
    found = replace(priors_of(read_method().method, supply), seed=seed)
    if price is not None:
        found = replace(found, quotation_usd_per_lb=price / LB_PER_CWT)
    return found if elasticity is None else replace(found, elasticity_share=elasticity)


def _planned(folder: Path, *, must_plan: bool) -> Case:
    """A case that has a plan; where it has none, that is said in its own words."""
    from blend.trader.opening import open_case

    case = read_folder(folder, names_folder=True).case
    if must_plan:
        open_case(case)
    return case


def _of_markets(
    before: Market,
    after: Market,
    year_ago: Market | None,
    where: Selector,
    observed: Observed | None,
    priors: Priors,
    driver: Driver | None,
    folder: Path | None,
) -> Answer:
    from blend.reporter.clearing import market_put_back
    from blend.reporter.explain import explain_market
    from blend.tables.clearing import write_market

    made = explain_market(before, after, where, observed=observed, priors=priors, year_ago=year_ago)
    if driver is not None and folder is not None:
        write_market(market_put_back(before, after, where, driver), folder)
    return made


def _driver(name: str | None, *, are_markets: bool) -> Driver | None:
    if name is None:
        return None
    from blend.reporter.mixed import MARKET_DRIVERS, PLAN_DRIVERS, Driver

    driver = Driver[name.replace("-", "_").upper()]
    among = MARKET_DRIVERS if are_markets else PLAN_DRIVERS
    if driver not in among:
        there = ", ".join(each.name.lower().replace("_", "-") for each in among)
        raise click.BadParameter(f"must be one of {there}.", param_hint="--undo")
    return driver


def _write_case(
    before: Case, after_case: Case, where: Selector, driver: Driver, folder: Path, after: Path
) -> None:
    from blend.files import filling
    from blend.reporter.why import put_back
    from blend.tables.write import write_case

    with filling(folder) as place:
        write_case(put_back(before, after_case, where, driver), place)
        # The heat in temperature rules comes from the temperatures next to a plan.
        for path in after.glob("temperatures.*") if after.is_dir() else ():
            shutil.copy(path, place)
