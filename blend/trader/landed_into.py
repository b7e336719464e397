"""Landed prices into the lots that they belong to: a copy of the lots, and what changed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from blend.domain.imports import BuildUp
from blend.domain.lots import Lot
from blend.errors import InputRefused, Problem
from blend.units import LB_PER_CWT


@dataclass(frozen=True, slots=True)
class LotPriced:
    """One lot's delivered price before and after."""

    lot_id: str
    offer_id: str
    before_usd_per_cwt: float
    after_usd_per_cwt: float


def lots_at_landed(
    lots: Sequence[Lot], built: Iterable[BuildUp]
) -> tuple[tuple[Lot, ...], tuple[LotPriced, ...]]:
    """The lots with delivered prices as landed where an offer names them; the others as they were.

    Raises InputRefused for a lot that is not there, or that two offers price.
    """
    offers: dict[str, BuildUp] = {}
    problems = []
    known = {each.lot_id for each in lots}
    for each in built:
        lot_id = each.offer.lot_id
        if not lot_id:
            continue
        if lot_id not in known:
            problems.append(_problem(lot_id, "a lot of lots"))
        elif lot_id in offers:
            other = offers[lot_id].offer.offer_id
            problems.append(_problem(lot_id, f"a lot that {other} does not price"))
        offers[lot_id] = each
    if problems:
        raise InputRefused(problems)
    changed = []
    made = []
    for lot in lots:
        built_up = offers.get(lot.lot_id)
        if built_up is None:
            made.append(lot)
            continue
        price = round(built_up.landed_usd_per_lb, 6)
        changed.append(
            LotPriced(
                lot.lot_id, built_up.offer.offer_id,
                lot.delivered_usd_per_lb * LB_PER_CWT, price * LB_PER_CWT,
            )
        )  # fmt: skip
        made.append(
            replace(lot, price_usd_per_lb=price, price_basis="delivered", freight_usd_per_lb=0.0)
        )
    return tuple(made), tuple(changed)


def _problem(lot_id: str, required: str) -> Problem:
    return Problem("foreign_offers", None, "lot_id", lot_id, required)
