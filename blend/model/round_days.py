"""The optimum of a horizon as pounds under the trade's names."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from blend.domain.days import DayBlend, Freeze, LotDay, Purchase, Sale, Waste
from blend.domain.plan import Ingredient
from blend.model.horizon import HorizonAnswer

_MIN_LB = 1e-6
"""Less than this is floating-point noise."""


def purchases(
    solved: HorizonAnswer, value_usd_per_lb: Mapping[str, float] | None = None
) -> tuple[Purchase, ...]:
    """What is bought of every offer, with its break-even price where that was asked for."""
    days = solved.days
    return tuple(
        Purchase(
            offer_id=offer.offer_id,
            lot_id=offer.lot_id,
            day=days.days[offer.place],
            pounds_lb=_clean(pounds),
            price_usd_per_lb=offer.price_usd_per_lb,
            value_usd_per_lb=(value_usd_per_lb or {}).get(offer.offer_id),
        )
        for offer, pounds in zip(days.offers, solved.block("buy").tolist(), strict=True)
    )


def sales(
    solved: HorizonAnswer, value_usd_per_lb: Mapping[str, float] | None = None
) -> tuple[Sale, ...]:
    """What is sold to every bid, with its break-even price where that was asked for."""
    return tuple(
        Sale(
            price_id=bid.price_id,
            lot_id=bid.lot_id,
            day=bid.day,
            pounds_lb=_clean(pounds),
            price_usd_per_lb=bid.price_usd_per_lb,
            value_usd_per_lb=(value_usd_per_lb or {}).get(bid.price_id),
        )
        for bid, pounds in zip(
            solved.days.horizon.bids(), solved.block("sell").tolist(), strict=True
        )
    )


def freezes(solved: HorizonAnswer) -> tuple[Freeze, ...]:
    days = solved.days
    pounds = solved.block("freeze").reshape(len(days.freezable), len(days.days))
    return tuple(
        Freeze(
            lot_id=fresh.lot_id,
            frozen_lot_id=frozen.lot_id,
            day=day,
            fresh_lb=float(pounds[index, place]),
            frozen_lb=float(pounds[index, place]) * days.frozen_per_lb(fresh),
        )
        for index, (fresh, frozen) in enumerate(days.freezable)
        for place, day in enumerate(days.days)
        if pounds[index, place] > _MIN_LB
    )


def wastes(solved: HorizonAnswer) -> tuple[Waste, ...]:
    days = solved.days
    return tuple(
        Waste(lot.lot_id, day, float(lb))
        for lot, pounds in zip(days.lots, _by_lot(solved, "waste"), strict=True)
        for day, lb in zip(days.days, pounds, strict=True)
        if lb > _MIN_LB
    )


def blends(solved: HorizonAnswer) -> tuple[DayBlend, ...]:
    return tuple(
        blend for place in range(len(solved.days.days)) for blend in _of_day(solved, place)
    )


def _of_day(solved: HorizonAnswer, place: int) -> Iterator[DayBlend]:
    sets = solved.days.sets_list[place]
    use = solved.block(f"use {place}")
    may_fall_short = [
        p.product_id for p in sets.products if p.shortage_penalty_usd_per_lb is not None
    ]
    short = dict(zip(may_fall_short, solved.block(f"short {place}").tolist(), strict=True))
    for blend, product_index in enumerate(sets.blends.product):
        pairs = sets.pairs_of(blend)
        held = np.flatnonzero(use[pairs] > _MIN_LB) + pairs.start
        finished_lb = float(use[held] @ sets.kept_mass[held])
        lean_lb = float(use[held] @ sets.kept_lean[held])
        product_id = sets.products[product_index].product_id
        yield DayBlend(
            product_id=product_id,
            day=solved.days.days[place],
            ingredients=tuple(
                Ingredient(sets.lots[sets.pair_lot[pair]].lot_id, float(use[pair])) for pair in held
            ),
            finished_lb=finished_lb,
            lean=lean_lb / finished_lb if len(held) else None,
            short_lb=_clean(short.get(product_id, 0.0)),
        )


def ledger(solved: HorizonAnswer) -> tuple[LotDay, ...]:
    """In and out of every lot that is there, by lot and day."""
    days = solved.days
    shape = (len(days.lots), len(days.days))
    came_in, used, frozen, sold = (np.zeros(shape) for _ in range(4))
    bought = {row.offer_id: row.pounds_lb for row in purchases(solved)}
    for receipt in days.horizon.receipts:
        lb = bought[receipt.offer_id] if receipt.offer_id else receipt.max_lb
        came_in[days.lot_index[receipt.lot_id], receipt.place] += lb
    for freeze in freezes(solved):
        place = days.days.index(freeze.day)
        came_in[days.lot_index[freeze.frozen_lot_id], place] += freeze.frozen_lb
        frozen[days.lot_index[freeze.lot_id], place] += freeze.fresh_lb
    for sale in sales(solved):
        sold[days.lot_index[sale.lot_id], days.days.index(sale.day)] += sale.pounds_lb
    for blend in blends(solved):
        for part in blend.ingredients:
            used[days.lot_index[part.lot_id], days.days.index(blend.day)] += part.pounds_lb
    wasted, kept = _by_lot(solved, "waste"), _by_lot(solved, "stock")
    before = np.concatenate((np.zeros((shape[0], 1)), kept[:, :-1]), axis=1)
    rows = []
    for index, lot in enumerate(days.lots):
        for place, day in enumerate(days.days):
            cells = [
                _clean(float(amounts[index, place]))
                for amounts in (before, came_in, used, frozen, sold, wasted, kept)
            ]
            if any(cells):
                rows.append(LotDay(lot.lot_id, day, *cells))
    return tuple(rows)


def _by_lot(solved: HorizonAnswer, name: str) -> np.ndarray:
    return solved.block(name).reshape(len(solved.days.lots), len(solved.days.days))


def _clean(pounds: float) -> float:
    return pounds if pounds > _MIN_LB else 0.0
