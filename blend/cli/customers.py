"""`blend customers`: who should get how many loads of an item, and an offer to send."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.answers import FILE, answers
from blend.cli.common import warn_at_end
from blend.cli.params import DAY, PRICE, Whole
from blend.errors import did_you_mean
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from blend.domain.case import Case
    from blend.domain.quotations import Quotation
    from blend.trader.customers import Customers


@click.command(
    epilog="""\b
Examples:
  blend customers demo_data/book "90 CL" --loads 5 --cost 314
  blend customers demo_data/book "90 CL" --loads 5 --cost 314
    --offer-sheet offer.html --customer "Grinder H" --valid-until 12/1/2026"""
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("item")
@click.option("--loads", type=Whole(1, 500), required=True, help="Loads you have.")
@click.option("--cost", type=PRICE, required=True, help="Your cost FOB, such as 314 ($/cwt).")
@click.option("--no-whole", is_flag=True, help="Skip the plans in whole boxes.")
@click.option("--offer-sheet", type=FILE, metavar="FILE.html", help="An offer to one customer.")
@click.option("--customer", metavar="NAME", help="With --offer-sheet: the customer.")
@click.option("--valid-until", type=DAY, help="With --offer-sheet: last day it is good.")
@click.option("--house", default="", help="With --offer-sheet: your company's name.")
@answers("prices", "every-load", chart=True)
def customers(
    folder: Path,
    item: str,
    loads: int,
    cost: float,
    no_whole: bool,
    offer_sheet: Path | None,
    customer: str | None,
    valid_until: date | None,
    house: str,
) -> Customers:
    """Who should get how many loads of an item, and at what price.

    FOLDER holds customers: for each a plan folder it shares, a product it makes, or what it
    pays. Demand is summed over customers, freight taken off.
    """
    if (offer_sheet is None) != (customer is None):
        raise click.UsageError("--offer-sheet and --customer go together.")
    if offer_sheet is not None:
        from blend.files import check_place

        if offer_sheet.suffix.lower() != ".html":
            raise click.BadParameter("ends in .html.", param_hint="--offer-sheet")
        check_place(offer_sheet)
    from blend.tables.customers import read_customers
    from blend.trader import customers as question

    rows, warnings = read_customers(folder)
    warn_at_end(warnings)
    place = folder if folder.is_dir() else folder.parent
    names = list(dict.fromkeys(each.customer for each in rows if each.item_id == item))
    if customer is not None and customer not in names:
        hint = did_you_mean(customer, names) or f"There are {', '.join(names)}."
        raise click.BadParameter(f"no customer {customer!r}. {hint}", param_hint="--customer")
    found = question.customers(
        rows,
        item,
        loads,
        cost * LB_PER_CWT,
        cases_of(place),
        quotations=_quotations(place),
        whole=not no_whole,
    )
    if offer_sheet is not None and customer is not None:
        _write_offer(found, customer, offer_sheet, valid_until, house)
    return found


def cases_of(place: Path) -> Callable[[str], Case]:
    """Reads the plan folders that customers next to them name, each once."""
    from blend.reading import read_ready_case

    @cache
    def case_of(plan_folder: str) -> Case:
        return read_ready_case(place / plan_folder).case

    return case_of


def _quotations(place: Path) -> tuple[Quotation, ...]:
    """Those next to the customers; none where there is no such table."""
    from blend.tables.quotations import read_quotations
    from blend.tables.tables import holds_table

    return read_quotations(place).quotations if holds_table(place, "quotations") else ()


def _write_offer(
    found: Customers, customer: str, path: Path, valid_until: date | None, house: str
) -> None:
    from blend.files import write_bytes
    from blend.trader.offer_sheet import offer_sheet

    price, loads = found.delivered_usd_per_cwt(customer), found.shown[customer]
    if price is None or not loads:
        raise click.UsageError(f"{customer} takes no load at the price shown: nothing to offer.")
    page = offer_sheet(found.item_id, customer, loads, price, valid_until=valid_until, house=house)
    write_bytes(path, page.encode())
