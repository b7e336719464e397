"""Where a large linear programme begins: the lots that its pooled twin uses.

Products made under the same rules differ only in lean and volume. Pooled into one product
they give a small programme whose optimal lots are, as a rule, those of the whole one; what
remains is to deal them out among the products. Pricing afterwards proves the answer, so a
poor guess costs time and never truth.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable
from dataclasses import replace

import numpy as np

from blend.core.layout import Layout, lay_out
from blend.domain.case import Case
from blend.domain.products import Product

DEALT_TO = 6
"""Products of a pool that each of its lots is dealt to at the start."""

_STRIDE = 7
"""Lots next to each other in lean are dealt to products this far apart: each product begins
with lots over the whole range of lean. Any number prime to the pool's size would do."""


def pool_products(case: Case) -> tuple[Case, list[list[int]]]:
    """The case with like products pooled, and the products (by index) of each pool."""
    alike: dict[Hashable, list[int]] = defaultdict(list)
    for index, product in enumerate(case.products):
        alike[_likeness(case, product)].append(index)
    pools = list(alike.values())
    pooled = [_pooled([case.products[index] for index in pool]) for pool in pools]
    # a case orders its products by id, so the pools must be put in that order too
    order = sorted(range(len(pools)), key=lambda pool: pooled[pool].product_id)
    return replace(case, products=tuple(pooled)), [pools[pool] for pool in order]


def deal_out(layout: Layout, pools: list[list[int]], lots_of_pool: list[np.ndarray]) -> np.ndarray:
    """Pairs to begin with: each pool's lots dealt among the pool's products."""
    pair_at = np.full((len(layout.lots), len(layout.blends)), -1)
    pair_at[layout.pair_lot, layout.pair_blend] = np.arange(len(layout.pair_lot))
    lean = np.array([lot.lean_share for lot in layout.lots])
    begin = np.zeros(len(layout.pair_lot), bool)
    for pool, lots in zip(pools, lots_of_pool, strict=True):
        lots = lots[np.argsort(lean[lots], kind="stable")]
        members = np.array(pool)
        hands = min(DEALT_TO, len(members))
        for hand in range(hands):
            turn = np.arange(len(lots)) * _STRIDE + hand * max(1, len(members) // hands)
            pairs = pair_at[lots, members[turn % len(members)]]
            begin[pairs[pairs >= 0]] = True
    return np.flatnonzero(begin)


def _likeness(case: Case, product: Product) -> Hashable:
    return (
        product.species,
        product.programmes,
        product.standards,
        product.sale_usd_per_lb,
        product.shortfall_usd_per_lb,
        product.most_lb is None,
        tuple(rule.rule_id for rule in case.rules if rule.governs(product)),
        tuple(
            loss.loss_id
            for loss in case.losses
            if not loss.products or product.product_id in loss.products
        ),
    )


def _pooled(products: list[Product]) -> Product:
    volume = np.array([product.least_lb or product.most_lb or 1.0 for product in products])
    weight = volume / volume.sum()
    least = float(weight @ [product.least_lean_share for product in products])
    most = float(weight @ [product.most_lean_share for product in products])
    first = products[0]
    return replace(
        first,
        target_lean_share=least,
        tolerance_below_share=0.0,
        tolerance_above_share=most - least,
        least_lb=sum(product.least_lb for product in products),
        most_lb=None if first.most_lb is None else sum(product.most_lb for product in products),
    )


def pooled_layout(case: Case) -> tuple[Layout, list[list[int]]]:
    pooled, pools = pool_products(case)
    return lay_out(pooled), pools
