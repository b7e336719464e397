"""What the reporter asks of a move: why it happened in the model, and what would clear."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.common import (
    FILE,
    FOLDER,
    check_picture,
    draw,
    finite,
    picture_option,
    read_folder,
    read_market_folder,
    seed_option,
)
from blend.cli.trader import selector
from blend.domain.selectors import Selector
from blend.errors import FileTrouble
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from blend.domain.case import Case
    from blend.domain.clearing import Market
    from blend.reporter.clearing import Doubt
    from blend.reporter.explained import Observed
    from blend.reporter.mixed import Driver

_DRIVERS = (
    "own-price",
    "other-prices",
    "own-availability",
    "fresh-availability",
    "imported-availability",
    "orders",
    "rules",
)
"""As in `blend.reporter.mixed`, which `blend why --help` must not wait for."""


@click.command()
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@click.option(
    "--item",
    required=True,
    callback=selector,
    metavar="CONDITIONS",
    help='Lots of the item, such as "lot=B90-1" or "item=fresh 90s".',
)
@click.option(
    "--quote-change",
    "observed",
    type=float,
    callback=finite,
    metavar="USD/CWT",
    help="Move of the item's quotation; of markets as a rule that of their prices.",
)
@click.option(
    "--error",
    type=click.FloatRange(0),
    callback=finite,
    metavar="USD/CWT",
    help="Standard error of that move.",
)
@click.option(
    "--shortage",
    type=click.FloatRange(0),
    callback=finite,
    metavar="USD/LB",
    help="Let products fall short at this penalty that may not otherwise.",
)
@click.option(
    "--draws",
    type=click.IntRange(2, 10_000),
    help="Of markets: draw what is in doubt so often, for errors of the parts.",
)
@click.option(
    "--quotation-error",
    type=click.FloatRange(0),
    callback=finite,
    metavar="USD/CWT",
    help="Standard error of a quotation, for --draws.",
)
@click.option(
    "--availability-error",
    type=click.FloatRange(0, 1),
    callback=finite,
    metavar="SHARE",
    help="Standard error of an item's pounds, as a share of them, for --draws.",
)
@click.option(
    "--elasticity-error",
    type=click.FloatRange(0, 1),
    callback=finite,
    metavar="SHARE",
    help="Standard error of an elasticity, as a share of it, for --draws.",
)
@seed_option()
@click.option(
    "--counterfactual",
    type=click.Choice(_DRIVERS),
    help="Write the case after with this driver alone as before; needs --write.",
)
@click.option(
    "--write",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Where to write it; a folder that is not there yet.",
)
@picture_option("Draw the parts too")
def why(
    before: Path,
    after: Path,
    item: Selector,
    observed: float | None,
    error: float | None,
    shortage: float | None,
    draws: int | None,
    quotation_error: float | None,
    availability_error: float | None,
    elasticity_error: float | None,
    seed: int,
    counterfactual: str | None,
    write: Path | None,
    picture: Path | None,
) -> None:
    """Tell why a plan's cost, and what an item is worth, moved between two cases.

    BEFORE and AFTER hold a case each, lots and products matched by their ids; or a market each
    (with product_demand), whose clearing prices are then explained. Every part is what the
    model gives with the drivers put back, in exact shares that add up; none is a cause.

    A headline names a driver only where the quotation moved beyond its own error and the
    model explains the move; otherwise the first line says why none is named.
    """
    check_picture(picture)
    if (counterfactual is None) != (write is None):
        raise click.UsageError("--counterfactual and --write go together.")
    errors = (quotation_error, availability_error, elasticity_error)
    if (draws is None) != (not any(errors)):
        raise click.UsageError("--draws goes with an error above 0 of what is in doubt.")
    if error is not None and observed is None:
        raise click.UsageError("--error is of --quote-change, which is missing.")
    if write is not None and write.exists():
        raise FileTrouble(f"{write}: is there already, and nothing is overwritten")
    from blend.tables.clearing import holds_market

    are_markets = [holds_market(folder) for folder in (before, after)]
    if any(are_markets) and not all(are_markets):
        raise click.UsageError("one of the two holds product_demand, the other does not.")
    seen = _observed(observed, error)
    driver = _driver(counterfactual, are_markets=all(are_markets))
    if all(are_markets):
        if shortage is not None:
            raise click.UsageError("--shortage is for cases; the volumes of a market are open.")
        markets = tuple(read_market_folder(each, beside_another=True) for each in (before, after))
        _why_of_markets(markets, item, seen, _doubt(draws, errors, seed), picture)
        _write_market(markets, item, driver, write)
        return
    if draws is not None:
        raise click.UsageError("--draws is for markets; the tables of a case are taken as exact.")
    cases = tuple(_planned(folder, must_plan=shortage is None) for folder in (before, after))
    _why_of_cases(cases, item, seen, shortage, picture)
    _write_case(cases, item, driver, write, after)


def _observed(move: float | None, error: float | None) -> Observed | None:
    if move is None:
        return None
    from blend.reporter.explained import Observed

    return Observed(move / LB_PER_CWT, None if error is None else error / LB_PER_CWT)


def _doubt(draws: int | None, errors: tuple[float | None, ...], seed: int) -> Doubt | None:
    if draws is None:
        return None
    from blend.reporter.clearing import Doubt

    quotation, availability, elasticity = (error or 0.0 for error in errors)
    return Doubt(draws, quotation / LB_PER_CWT, availability, elasticity, seed)


def _planned(folder: Path, *, must_plan: bool) -> Case:
    """A case that has a plan; where it has none, that is told in its own words."""
    from blend.trader.opening import open_case

    case = read_folder(folder, beside_another=True).case
    if must_plan:
        open_case(case)
    return case


def _why_of_cases(
    cases: tuple[Case, Case],
    item: Selector,
    observed: Observed | None,
    shortage: float | None,
    picture: Path | None,
) -> None:
    from blend.reporter.why import may_fall_short, why_plan_moved
    from blend.show.certificates import why_certificate_line
    from blend.show.text import tables_text
    from blend.show.why import headline_line, plan_why_lines, plan_why_tables

    if shortage is not None:
        cases = tuple(may_fall_short(case, shortage) for case in cases)
    found = why_plan_moved(*cases, item, observed=observed, certify=True)
    certified = found.certified()
    certified.must_be_valid(f"split of {item}")
    _say([headline_line(found.value, found.reference.item)])
    click.echo()
    click.echo(tables_text(plan_why_tables(found)))
    click.echo()
    _say([*plan_why_lines(found), why_certificate_line(certified)])
    if picture is not None:
        from blend.show.why_picture import waterfall_picture

        title = f"What a pound like {found.reference.lot_id} is worth"
        subtitle = "the next pound, to the grinder; contributions of this model, not proof of cause"
        draw(waterfall_picture(found.value, title, subtitle), picture)


def _why_of_markets(
    markets: tuple[Market, Market],
    item: Selector,
    observed: Observed | None,
    doubt: Doubt | None,
    picture: Path | None,
) -> None:
    from blend.reporter.clearing import why_market_moved
    from blend.show.certificates import market_why_certificate_line
    from blend.show.text import tables_text
    from blend.show.why import headline_line, lots_words, market_why_lines, market_why_tables

    found = why_market_moved(*markets, item, observed=observed, doubt=doubt)
    certified = found.certified()
    certified.must_be_valid(f"split of {item}")
    _say([headline_line(found.price, lots_words(found))])
    click.echo()
    click.echo(tables_text(market_why_tables(found)))
    click.echo()
    _say([*market_why_lines(found), market_why_certificate_line(certified)])
    if picture is not None:
        from blend.show.why_picture import waterfall_picture

        title = f"At which price {', '.join(found.weights)} clears"
        subtitle = "contributions of this model, not proof of cause"
        draw(waterfall_picture(found.price, title, subtitle), picture)


def _driver(name: str | None, *, are_markets: bool) -> Driver | None:
    if name is None:
        return None
    from blend.reporter.mixed import MARKET_DRIVERS, PLAN_DRIVERS, Driver

    driver, among = Driver(name.replace("-", " ")), MARKET_DRIVERS if are_markets else PLAN_DRIVERS
    if driver not in among:
        there = ", ".join(each.replace(" ", "-") for each in among)
        raise click.BadParameter(f"here there are {there}.", param_hint="--counterfactual")
    return driver


def _write_case(
    cases: tuple[Case, Case],
    item: Selector,
    driver: Driver | None,
    folder: Path | None,
    after: Path,
) -> None:
    if driver is None:
        return
    from blend.files import filling
    from blend.reporter.why import put_back
    from blend.tables.write import write_case

    with filling(folder) as place:
        write_case(put_back(*cases, item, driver), place)
        # the heat of warmth rules is reckoned from the temperatures that lie beside a case
        for path in after.glob("temperatures.*") if after.is_dir() else ():
            shutil.copy(path, place)
    click.echo(f"\nCounterfactual: {folder} (run blend plan {folder})")


def _write_market(
    markets: tuple[Market, Market], item: Selector, driver: Driver | None, folder: Path | None
) -> None:
    if driver is None:
        return
    from blend.reporter.clearing import market_put_back
    from blend.tables.clearing import write_market

    write_market(market_put_back(*markets, item, driver), folder)
    click.echo(f"\nCounterfactual: {folder}")


@click.command()
@FOLDER
@click.option(
    "--move",
    type=FILE,
    metavar="TABLE.csv",
    help="Changes to make, as blend columns market_moves tells.",
)
def clear(folder: Path, move: Path | None) -> None:
    """Tell at which prices a whole market clears, and what a change of it would move.

    FOLDER holds a case whose lots are the market's items, quoted at their prices, and
    product_demand. The market is fitted to the quotations first; the fit is shown.
    """
    from blend.check.clearing import certify_clearing
    from blend.reporter.clearing import calibrate, clear_market, moved_market, ready
    from blend.show.certificates import market_certificate_line
    from blend.show.clearing import fit_tables, prices_table, volumes_table
    from blend.show.text import tables_text
    from blend.tables.clearing import read_moves

    market = read_market_folder(folder)
    moves = () if move is None else read_moves(move, market)
    fitted = calibrate(market)
    last = moved_market(market, moves)
    cleared = clear_market(fitted)
    then = clear_market(fitted, last) if moves else None
    tables = [*fit_tables(fitted), prices_table(fitted, cleared, then)]
    if then is not None:
        tables.append(volumes_table(fitted, cleared, then))
    for at, clearing in [(market, cleared), *([(last, then)] if then is not None else [])]:
        taken = ready(fitted, at)
        parts = taken.case, taken.curves, taken.adjustment_usd_per_lb
        certified = certify_clearing(*parts, clearing)
        certified.must_be_valid("prices that clear the market")
    click.echo(tables_text(tables))
    click.echo()
    _say(
        [
            market_certificate_line(certified),
            "Implied by the model and its stated elasticities, all else as stated; no forecast.",
        ]
    )


def _say(lines: list[str]) -> None:
    import textwrap

    from blend.show.text import WIDTH

    for line in lines:
        click.echo(textwrap.fill(line, WIDTH))
