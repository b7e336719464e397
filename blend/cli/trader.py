"""What the trader asks for: what lean, fat and each lot are worth, and to whom."""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.answers import answers
from blend.cli.common import (
    FOLDER,
    PICTURE,
    check_picture,
    draw,
    finite,
    read_folder,
    warn_at_end,
)
from blend.domain.selectors import EVERY_LOT, Selector, parse_selector
from blend.errors import InputRefused, Problem
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from blend.output.answer import Answer


def _number(ctx: click.Context, param: click.Parameter, number: float | None) -> float | None:
    if number is not None and math.isnan(number):
        raise click.BadParameter("must be a number.")
    return number


def _price_option(name: str, help_text: str) -> object:
    return click.option(
        name,
        type=click.FloatRange(0),
        callback=finite,
        metavar="USD/CWT",
        help=help_text,
    )


# Lean and fat ------------------------------------------------------------------------------------


@click.command(
    epilog="""\b
Examples:
  blend value demo_data
  blend value demo_data --species pork --history --chart pork.png"""
)
@FOLDER
@click.option("--species", help="Which species. Default: the one quoted most.")
@click.option(
    "--day",
    "on",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    help="Which day. Default: latest day quoted.",
)
@click.option(
    "--fit",
    type=click.Choice(["fresh", "frozen", "all"]),
    default="fresh",
    show_default=True,
    help="Items the line goes through; the others are compared with it.",
)
@click.option("--by-pounds", is_flag=True, help="Weight quotations by volume.")
@answers("history", "short-lean", "stats", chart=True)
def value(
    folder: Path, species: str | None, on: datetime | None, fit: str, by_pounds: bool
) -> Answer:
    """What lean and fat are worth, and which items are cheap or rich.

    FOLDER holds quotations, of one day or several. Prices may be in $/lb, $/cwt, cents/lb or
    $/kg.
    """
    from blend.tables.quotations import read_quotations
    from blend.trader import value as question

    read = read_quotations(folder)
    warn_at_end(read.warnings)
    return question.value(
        read.quotations,
        species=species,
        on=None if on is None else on.date(),
        fit=fit,
        by_pounds=by_pounds,
    )


# Replacement -------------------------------------------------------------------------------------


def selector(ctx: click.Context, param: click.Parameter, text: str | None) -> Selector:
    try:
        return EVERY_LOT if text is None else parse_selector(text)
    except ValueError as error:
        raise click.BadParameter(f"{error}.") from None


@click.command()
@FOLDER
@click.option(
    "--quotations",
    "of_quotations",
    is_flag=True,
    help="The last day's quotations instead of the lots of the case.",
)
@click.option(
    "--among",
    callback=selector,
    metavar="CONDITIONS",
    help='Lots that a mix may hold, such as "fresh_or_frozen=fresh; meat_class!=heart".',
)
@click.option(
    "--max-share",
    type=click.FloatRange(0, 1, min_open=True),
    callback=finite,
    default=1.0,
    metavar="SHARE",
    help="Most of a mix that one item may make; 0.5 is half.",
)
@click.option(
    "--any-program",
    "any_program",
    is_flag=True,
    help="A mix need not carry the programs of the item.",
)
def replace(
    folder: Path, of_quotations: bool, among: Selector, max_share: float, any_program: bool
) -> None:
    """Tell for every item the cheapest mix of the others at equal lean.

    FOLDER holds a case, or quotations. A mix is of the item's own species.
    """
    from blend.check.replacement import prove_replacements
    from blend.domain.replacement import ReplacementRules
    from blend.show.market import replacements_table
    from blend.show.proofs import must_be_proved, replacements_proof_line
    from blend.show.text import tables_text
    from blend.trader.replacement import lots_of, replacement_values

    if of_quotations:
        from blend.tables.quotations import read_quotations

        quotations = read_quotations(folder).quotations
        last = max(each.quoted_on for each in quotations)
        lots, losses = lots_of(each for each in quotations if each.quoted_on == last), ()
    else:
        case = read_folder(folder).case
        lots, losses = case.usable_lots(), case.losses
    rules = ReplacementRules(among, not any_program, max_share)
    found = replacement_values(lots, losses, rules)
    proof = prove_replacements(lots, losses, rules, found)
    must_be_proved(proof, "replacement of items")
    lot_by_id = {lot.lot_id: lot for lot in lots}
    click.echo(tables_text([replacements_table(found, lot_by_id, rules)]))
    click.echo(f"\n{replacements_proof_line(proof)}")


# Demand, supply, regions -------------------------------------------------------------------------


@click.command()
@FOLDER
@click.option("--lot", "lot_id", required=True, metavar="LOT", help="Which lot.")
@_price_option("--min-price", "Delivered price to begin at; 0 if not given.")
@_price_option("--max-price", "Delivered price to end at; without end if not given.")
@click.option(
    "--available",
    type=click.FloatRange(0),
    callback=_number,
    metavar="LB",
    help="As if so much were on offer; inf for no limit. As a rule what there is.",
)
@PICTURE
def demand(
    folder: Path,
    lot_id: str,
    min_price: float | None,
    max_price: float | None,
    available: float | None,
    picture: Path | None,
) -> None:
    """Tell how many pounds of a lot the plan takes at every price, exactly.

    FOLDER holds a case, as for `blend plan`. Prices are delivered, in USD per cwt.
    """
    check_picture(picture)
    minimum = None if min_price is None else min_price / LB_PER_CWT
    maximum = math.inf if max_price is None else max_price / LB_PER_CWT
    if maximum <= (minimum or 0.0):
        raise click.BadParameter("must be above --min-price.", param_hint="--max-price")
    case = read_folder(folder).case

    from blend.show.demand import demand_table
    from blend.show.proofs import curve_proof_line, must_be_proved
    from blend.show.text import tables_text
    from blend.trader.curves import demand_curve

    curve = demand_curve(
        case,
        lot_id,
        min_usd_per_lb=minimum,
        max_usd_per_lb=maximum,
        available_lb=available,
        certify=True,
    )
    proof = curve.prove(case, minimum, maximum)
    must_be_proved(proof, f"demand for {lot_id}")
    click.echo(tables_text([demand_table(curve, case.lot(lot_id))]))
    click.echo(f"\n{curve_proof_line(proof, 'price')}")
    if picture is not None:
        from blend.show.trade_pictures import demand_picture

        draw(demand_picture(curve, case.lot(lot_id)), picture)


@click.command()
@FOLDER
@click.option("--lot", "lot_id", required=True, metavar="LOT", help="Which lot.")
def supply(folder: Path, lot_id: str) -> None:
    """Tell what the plan costs with any pounds of a lot on offer, exactly.

    FOLDER holds a case, as for `blend plan`.
    """
    case = read_folder(folder).case

    from blend.show.demand import supply_table
    from blend.show.proofs import curve_proof_line, must_be_proved
    from blend.show.text import tables_text
    from blend.trader.curves import supply_curve

    curve = supply_curve(case, lot_id, certify=True)
    proof = curve.prove(case)
    must_be_proved(proof, f"supply of {lot_id}")
    click.echo(tables_text([supply_table(curve, case.lot(lot_id))]))
    click.echo(f"\n{curve_proof_line(proof, 'number of pounds')}")


@click.command()
@FOLDER
@click.option(
    "--lot", "lot_ids", multiple=True, required=True, metavar="LOT", help="Give it twice."
)
@click.option(
    "--around",
    type=click.FloatRange(0, 1, min_open=True),
    callback=finite,
    default=0.05,
    show_default=True,
    metavar="SHARE",
    help="How far either price goes to each side of its own.",
)
@PICTURE
def regions(folder: Path, lot_ids: tuple[str, ...], around: float, picture: Path | None) -> None:
    """Tell at which prices of two lots the plan takes which pounds of them, exactly.

    FOLDER holds a case, as for `blend plan`.
    """
    if len(lot_ids) != 2:
        raise click.BadParameter("give it twice, for two lots.", param_hint="--lot")
    check_picture(picture)
    case = read_folder(folder).case

    from blend.show.demand import regions_table
    from blend.show.proofs import map_proof_line, must_be_proved
    from blend.show.text import tables_text
    from blend.trader.curves import region_map
    from blend.trader.opening import check_lots

    check_lots(case, *lot_ids)
    lots = (case.lot(lot_ids[0]), case.lot(lot_ids[1]))
    own = [lot.delivered_usd_per_lb for lot in lots]
    found = region_map(
        case,
        (lot_ids[0], lot_ids[1]),
        min_usd_per_lb=(own[0] * (1 - around), own[1] * (1 - around)),
        max_usd_per_lb=(own[0] * (1 + around), own[1] * (1 + around)),
        certify=True,
    )
    proof = found.prove(case) if found.is_exact else None
    if proof is not None:
        must_be_proved(proof, f"regions of {lot_ids[0]} and {lot_ids[1]}")
    click.echo(tables_text([regions_table(found, lots)]))
    if proof is not None:
        click.echo(f"\n{map_proof_line(proof)}")
    if picture is not None:
        from blend.show.trade_pictures import regions_picture

        draw(regions_picture(found, lots), picture)


# What they share ---------------------------------------------------------------------------------


def _refuse(column: str, read: str, allowed: str) -> None:
    raise InputRefused([Problem("quotations", None, column, read, allowed)])
