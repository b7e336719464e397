"""Crash columns for a large linear program: the lots that an aggregated model uses.

Products that may hold the same lots differ mainly in lean and volume. Aggregated into one product
they give a small model whose optimal lots are usually those of the full model; its pairs of those
lots with each product start the restricted master problem. Column generation then confirms the
answer, so poor crash columns cost time but never change the optimum.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Iterable, Iterator
from dataclasses import replace
from datetime import date

import numpy as np

from blend.domain.case import Case
from blend.domain.horizon import Horizon, Order
from blend.domain.products import Product
from blend.domain.rules import Rule
from blend.model.arrays import RestrictedMaster
from blend.model.rules import definition_of
from blend.model.sets import IndexSets, index_sets

ACROSS = 3
"""Products of a pool, spread over its range of lean, that each of its lots is paired with."""
NEAR = 3
"""Further products, those that rank in lean among products as the lot does among lots.

Both by measurement: fewer leave the restricted master infeasible, more make it slow."""

_STRIDE = 7
"""Lots next to each other in lean go to products this far apart, so that each product starts with
lots over the whole range of lean. Any number prime to the pool's size would do."""


def aggregate_products(case: Case) -> tuple[Case, list[list[int]]]:
    """The case with like products aggregated, and the products (by index) of each pool."""
    alike: dict[Hashable, list[int]] = defaultdict(list)
    for index, product in enumerate(case.products):
        alike[_likeness(case, product)].append(index)
    # a pool takes the id of its first product, and a case orders its products by id
    pools = list(alike.values())
    members = [[case.products[index] for index in pool] for pool in pools]
    pooled = tuple(_aggregated(products) for products in members)
    rules = [_aggregated_rule(rule, pooled, members) for rule in case.rules]
    kept = tuple(rule for rule in rules if rule is not None)
    return replace(case, products=pooled, rules=kept, constraints=()), pools


def aggregate_horizon(horizon: Horizon) -> tuple[Horizon, dict[str, list[str]]]:
    """The horizon with like products and their orders aggregated, and the products (by id) of
    each pool, by the pool's id."""
    case = horizon.case
    ordered: dict[str, list[Order]] = defaultdict(list)
    for order in horizon.orders:
        ordered[order.product_id].append(order)
    asked = [
        replace(product, min_lb=sum(order.min_lb for order in ordered[product.product_id]))
        for product in case.products
    ]
    pooled, pools = aggregate_products(replace(case, products=tuple(asked)))
    members = {
        product.product_id: [case.products[index].product_id for index in pool]
        for product, pool in zip(pooled.products, pools, strict=True)
    }
    orders = tuple(
        order
        for day in horizon.days
        for pool, product_ids in members.items()
        for order in _pooled_order(horizon, day, pool, product_ids)
    )
    return replace(horizon, case=pooled, orders=orders), members


def _pooled_order(
    horizon: Horizon, day: date, pool: str, product_ids: list[str]
) -> Iterator[Order]:
    """What the day orders of the pool's products as one order, if it orders any."""
    placed = [
        order.placed_on(horizon.case.product(order.product_id))
        for order in horizon.orders_on(day)
        if order.product_id in product_ids
    ]
    if placed:
        product = _aggregated(placed)
        yield Order(
            f"{pool} {day}",
            pool,
            day,
            product.min_lb,
            product.max_lb,
            product.shortage_penalty_usd_per_lb,
            product.sale_usd_per_lb,
        )


def restricted_master(
    column_count: int, dealt: Iterable[tuple[slice, IndexSets, np.ndarray]]
) -> RestrictedMaster:
    """All columns that are not pounds used, and the crash columns of those that are.

    `dealt` holds for each index set the columns of its pairs, and its crash pairs by index.
    """
    is_first = np.ones(column_count, bool)
    blend, lot = np.full((2, column_count), -1)
    for use, sets, pairs in dealt:
        is_first[use] = False
        is_first[use.start + pairs] = True
        blend[use] = blend.max() + 1 + sets.pair_blend
        lot[use] = lot.max() + 1 + sets.pair_lot
    return RestrictedMaster(np.flatnonzero(is_first), blend, lot)


def crash_columns(
    sets: IndexSets, pools: list[list[int]], small: IndexSets, pounds_of_pair: np.ndarray
) -> np.ndarray:
    """Pairs to start with: the lots that the aggregated model uses in each pool, spread over the
    pool's products.

    `pools` holds the products (by index) of each product of the aggregated model.
    """
    pair_at = np.full((len(sets.lots), len(sets.blends)), -1)
    pair_at[sets.pair_lot, sets.pair_blend] = np.arange(len(sets.pair_lot))
    lean = np.array([lot.lean for lot in sets.lots])
    target = np.array([product.target_lean for product in sets.products])
    volume = np.array([_volume_lb(product) for product in sets.products])
    begin = np.zeros(len(sets.pair_lot), bool)
    for blend, pool in enumerate(pools):
        used = np.flatnonzero((pounds_of_pair > 0) & (small.pair_blend == blend))
        used = used[np.argsort(lean[small.pair_lot[used]], kind="stable")]
        lots, pounds = small.pair_lot[used], pounds_of_pair[used]
        members = np.array(pool)[np.argsort(target[pool], kind="stable")]
        for turn in _turns(pounds, volume[members]):
            pairs = pair_at[lots, members[turn]]
            begin[pairs[pairs >= 0]] = True
    return np.flatnonzero(begin)


def _turns(pounds: np.ndarray, volume: np.ndarray) -> Iterator[np.ndarray]:
    """For lots and products in the order of their lean: which product each lot goes to, turn by
    turn."""
    count = len(volume)
    across = min(ACROSS, count)
    for turn in range(across):
        yield (np.arange(len(pounds)) * _STRIDE + turn * max(1, count // across)) % count
    lies_at = (np.cumsum(pounds) - pounds / 2) / pounds.sum()
    level = np.searchsorted(np.cumsum(volume) / volume.sum(), lies_at)
    for step in range(-(NEAR // 2), NEAR - NEAR // 2):
        yield np.clip(level + step, 0, count - 1)


def _volume_lb(product: Product) -> float:
    return product.min_lb or product.max_lb or 1.0


def _likeness(case: Case, product: Product) -> Hashable:
    """What decides which lots a product may hold and what they keep. Pools are few and large,
    so that the aggregated model is small: rules on single products are left to column
    generation."""
    return (
        product.species,
        product.label_claims,
        tuple(
            loss.loss_id
            for loss in case.losses
            if not loss.products or product.product_id in loss.products
        ),
    )


def _aggregated(products: list[Product]) -> Product:
    """One product of the volume of all, at the lean of all."""
    volume = np.array([_volume_lb(product) for product in products])
    weight = volume / volume.sum()
    minimum = float(weight @ [product.min_lean for product in products])
    maximum = float(weight @ [product.max_lean for product in products])
    penalties = [
        p.shortage_penalty_usd_per_lb for p in products if p.shortage_penalty_usd_per_lb is not None
    ]
    limited = all(product.max_lb is not None for product in products)
    first = products[0]
    return replace(
        first,
        target_lean=minimum,
        tolerance_below_share=0.0,
        tolerance_above_share=maximum - minimum,
        min_lb=sum(product.min_lb for product in products),
        max_lb=sum(product.max_lb_or_infinite for product in products) if limited else None,
        standards=tuple(
            standard
            for standard in first.standards
            if all(standard in product.standards for product in products)
        ),
        shortage_penalty_usd_per_lb=max(penalties, default=None),
        sale_usd_per_lb=float(weight @ [product.sale_usd_per_lb for product in products]),
    )


def _aggregated_rule(
    rule: Rule, pooled: tuple[Product, ...], members: list[list[Product]]
) -> Rule | None:
    """A rule on the pools whose every product it governs; None where there are none.

    What must be used may go into any product that the rule names, so one is enough for it.
    """
    enough = any if definition_of(rule.kind).spans_products else all
    ids = tuple(
        pool.product_id
        for pool, products in zip(pooled, members, strict=True)
        if enough(rule.governs(product) for product in products)
    )
    return replace(rule, products=ids) if ids else None


def aggregated_sets(case: Case) -> tuple[IndexSets, list[list[int]]]:
    pooled, pools = aggregate_products(case)
    return index_sets(pooled), pools
