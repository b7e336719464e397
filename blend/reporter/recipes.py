"""The change of a plan's cost split inside its recipes, into prices and substitution.

Prices count at the mean recipe, and the change of recipe, which is substitution, at mean prices
(T. L. Bennet, 1920); then come volume, what is left over, short and sold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blend.domain.case import Case
from blend.domain.certificates import NEXT_POUND
from blend.model.solver import Answer, WarmLinear
from blend.reporter.split import bennet

_MIN_LB = 1e-6


@dataclass(frozen=True, slots=True)
class LotShift:
    """One lot's part in the change of recipe, in lb per finished lb and USD."""

    lot_id: str
    before_lb_per_lb: float
    after_lb_per_lb: float
    price_usd: float
    recipe_usd: float


@dataclass(frozen=True, slots=True)
class RecipeSplit:
    """The change of the cost inside the recipes, USD; the terms add up to it.

    Where several recipes cost the same, the recipe is the one that the solver reached; prices
    and recipe together do not hang on it, each alone may.
    """

    prices_usd: float
    """Prices of meat, at the mean recipe and volume."""
    recipe_usd: float
    """Substitution: another recipe, at mean prices and volume."""
    volume_usd: float
    """More or fewer finished pounds, at the mean cost of a pound."""
    left_over_usd: float
    shortage_penalty_usd: float
    sales_usd: float
    lots: tuple[LotShift, ...]

    @property
    def total_usd(self) -> float:
        meat = self.prices_usd + self.recipe_usd + self.volume_usd
        return meat + self.left_over_usd + self.shortage_penalty_usd + self.sales_usd


@dataclass(frozen=True)
class Bill:
    """What a plan buys, leaves over, falls short of and sells: price and quantity of each."""

    bought: dict[str, tuple[float, float]]
    """By lot: delivered price and pounds taken."""
    left_over: dict[str, tuple[float, float]]
    short: dict[str, tuple[float, float]]
    """By product: penalty and pounds short."""
    sold: dict[str, tuple[float, float]]


def bill_of(linear: WarmLinear, case: Case, answer: Answer) -> Bill:
    model, sets = linear.model, linear.model.sets
    taken = answer.x[model.take]
    used = np.bincount(sets.pair_lot, answer.x[model.use], len(sets.lots))
    bought, left_over = {}, {}
    for index, lot_id in enumerate(lot.lot_id for lot in sets.lots):
        if lot_id.endswith(NEXT_POUND):
            continue
        lot = case.lot(lot_id)
        bought[lot_id] = lot.delivered_usd_per_lb, float(taken[index])
        left_over[lot_id] = lot.salvage_value_usd_per_lb, float(taken[index] - used[index])
    finished = answer.x[model.names["finished"]]
    may_fall_short = [p for p in sets.products if p.shortage_penalty_usd_per_lb is not None]
    short = answer.x[model.names["short"]]
    return Bill(
        bought=bought,
        left_over=left_over,
        short={
            product.product_id: (product.shortage_penalty_usd_per_lb or 0.0, float(lb))
            for product, lb in zip(may_fall_short, short, strict=True)
        },
        sold={
            product.product_id: (product.sale_usd_per_lb, float(lb))
            for product, lb in zip(sets.products, finished, strict=True)
        },
    )


def recipe_split(before: Bill, after: Bill) -> RecipeSplit:
    """Split the change of cost between two plans inside their recipes.

    Meat is volume × Σ price × pounds per finished pound, split by Bennet twice over.
    """
    volumes = [sum(lb for _, lb in bill.sold.values()) for bill in (before, after)]
    spent = [sum(price * lb for price, lb in bill.bought.values()) for bill in (before, after)]
    shifts: tuple[LotShift, ...] = ()
    if min(volumes) <= _MIN_LB:
        volume_usd = spent[1] - spent[0]
    else:
        shifts = _shifts(_paired(before.bought, after.bought), volumes)
        unit = [usd / lb for usd, lb in zip(spent, volumes, strict=True)]
        volume_usd = sum(unit) / 2 * (volumes[1] - volumes[0])
    return RecipeSplit(
        prices_usd=sum(shift.price_usd for shift in shifts),
        recipe_usd=sum(shift.recipe_usd for shift in shifts),
        volume_usd=volume_usd,
        left_over_usd=-_change(before.left_over, after.left_over),
        shortage_penalty_usd=_change(before.short, after.short),
        sales_usd=-_change(before.sold, after.sold),
        lots=shifts,
    )


_Pair = tuple[tuple[float, float], tuple[float, float]]


def _paired(
    before: dict[str, tuple[float, float]], after: dict[str, tuple[float, float]]
) -> dict[str, _Pair]:
    """Price and quantity on both sides; nothing at the other side's price where one is out."""
    return {
        name: (
            before.get(name, (after.get(name, (0.0, 0.0))[0], 0.0)),
            after.get(name, (before.get(name, (0.0, 0.0))[0], 0.0)),
        )
        for name in sorted(before.keys() | after.keys())
    }


def _shifts(rows: dict[str, _Pair], volumes: list[float]) -> tuple[LotShift, ...]:
    """The lots that either plan buys."""
    rows = {lot_id: pair for lot_id, pair in rows.items() if max(pair[0][1], pair[1][1]) > 0}
    price = [[pair[side][0] for pair in rows.values()] for side in (0, 1)]
    share = [[pair[side][1] / volumes[side] for pair in rows.values()] for side in (0, 1)]
    parts = bennet(price[0], share[0], price[1], share[1])
    mean_volume = sum(volumes) / 2
    return tuple(
        LotShift(lot_id, before, after, mean_volume * by_price, mean_volume * by_share)
        for lot_id, before, after, by_price, by_share in zip(
            rows, *share, parts.price, parts.quantity, strict=True
        )
    )


def _change(before: dict[str, tuple[float, float]], after: dict[str, tuple[float, float]]) -> float:
    return sum(p1 * x1 - p0 * x0 for (p0, x0), (p1, x1) in _paired(before, after).values())
