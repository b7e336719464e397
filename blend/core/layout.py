"""Which pounds can be chosen: lots, blends, the pairs of them that are allowed, and where
each kind of choice stands in the column order."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import RuleKind, WholeContainers
from blend.domain.selectors import Selector


@dataclass(frozen=True)
class Blends:
    """What is blended as one: a whole product, or a single batch where batches may differ.

    Arrays run over blends.
    """

    product: np.ndarray
    """Index into the products."""
    batch: np.ndarray
    """Number of the batch, 0 where the blend is the whole product."""

    def __len__(self) -> int:
        return len(self.product)


@dataclass(frozen=True)
class Layout:
    """The choices of one case as arrays.

    Pairs are (lot, blend) combinations that species, programmes and use-or-not rules
    allow; they are ordered by blend, then lot, so that the pairs of a blend lie together.
    """

    case: Case
    lots: tuple[Lot, ...]
    products: tuple[Product, ...]
    blends: Blends
    pair_lot: np.ndarray
    pair_blend: np.ndarray
    kept_lean: np.ndarray
    """Finished lean, lb per lb of the pair."""
    kept_mass: np.ndarray
    """Finished lean and fat, lb per lb of the pair."""
    pair_start: np.ndarray
    """First pair of each blend, and one past the last."""

    def pairs_of(self, blend: int) -> slice:
        return slice(int(self.pair_start[blend]), int(self.pair_start[blend + 1]))

    def blends_of(self, product: int) -> np.ndarray:
        return np.flatnonzero(self.blends.product == product)

    def chosen(self, selector: Selector) -> np.ndarray:
        """Boolean mask over lots of those that the selector means."""
        mask = self._masks.get(selector)
        if mask is None:
            mask = np.fromiter((selector.holds(lot) for lot in self.lots), bool, len(self.lots))
            self._masks[selector] = mask
        return mask

    @cached_property
    def _masks(self) -> dict[Selector, np.ndarray]:
        return {}

    @cached_property
    def lot_index(self) -> dict[str, int]:
        return {lot.lot_id: index for index, lot in enumerate(self.lots)}

    @cached_property
    def lot_most_lb(self) -> np.ndarray:
        return np.array([lot.most_lb for lot in self.lots])

    def most_blend_lb(self, blend: int) -> float:
        """A sure upper limit on the finished pounds of a blend: the order's, the blender's
        or the supply's, whichever is least; infinite when none is stated."""
        product = self.products[self.blends.product[blend]]
        pairs = self.pairs_of(blend)
        supply = self.kept_mass[pairs] @ self.lot_most_lb[self.pair_lot[pairs]]
        own = product.blender_most_lb if self.blends.batch[blend] else math.inf
        return min(product.most_lb_or_infinite, own, supply)


def lay_out(case: Case) -> Layout:
    """Find the pairs that are allowed and what a pound of each of them keeps."""
    lots, products = case.usable_lots(), case.products
    allowed = _allowed(case, lots, products)
    blends = _blends(case)
    in_blend = allowed.T[blends.product]
    pair_blend, pair_lot = np.nonzero(in_blend)
    lean, mass = _kept(case, lots, products)
    pair_product = blends.product[pair_blend]
    return Layout(
        case=case,
        lots=lots,
        products=products,
        blends=blends,
        pair_lot=pair_lot,
        pair_blend=pair_blend,
        kept_lean=lean[pair_lot, pair_product],
        kept_mass=mass[pair_lot, pair_product],
        pair_start=np.concatenate(([0], np.cumsum(in_blend.sum(axis=1)))).astype(int),
    )


def batches_ahead(product: Product) -> int:
    """How many batches to lay out when each may have its own recipe: the number nearest to
    the usual batch, yet enough for the blender to hold the order."""
    volume_lb = product.least_lb or product.most_lb or 0.0
    usual = math.floor(volume_lb / product.batch_lb + 0.5)
    return max(math.ceil(volume_lb / product.blender_most_lb - 1e-9), usual)


def _blends(case: Case) -> Blends:
    if case.settings.whole_containers is not WholeContainers.PER_BATCH:
        product = np.arange(len(case.products))
        return Blends(product, np.zeros(len(product), int))
    batches = [range(1, batches_ahead(product) + 1) for product in case.products]
    return Blends(
        np.repeat(np.arange(len(batches)), [len(numbers) for numbers in batches]),
        np.array([number for numbers in batches for number in numbers], int),
    )


def _allowed(case: Case, lots: tuple[Lot, ...], products: tuple[Product, ...]) -> np.ndarray:
    """Boolean lots × products."""
    allowed = np.empty((len(lots), len(products)), bool)
    for column, product in enumerate(products):
        allowed[:, column] = [
            lot.species in product.species and product.programmes <= lot.programmes for lot in lots
        ]
    for rule in case.binding_rules():
        if rule.kind is RuleKind.MUST_NOT_USE:
            banned = np.array([rule.lots.holds(lot) for lot in lots], bool)
            governed = np.array([rule.governs(product) for product in products], bool)
            allowed &= ~np.outer(banned, governed)
    return allowed


def _kept(
    case: Case, lots: tuple[Lot, ...], products: tuple[Product, ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Finished lean and finished mass, lb per lb, lots × products.

    The same arithmetic as `blend.domain.rules.kept_per_lb`, for all pairs at once.
    """
    lean_share = np.array([lot.lean_share for lot in lots])
    lean = np.repeat(lean_share[:, None], len(products), axis=1)
    fat = 1 - lean
    for loss in case.losses:
        chosen = np.array([loss.lots.holds(lot) for lot in lots], bool)
        governed = np.array(
            [not loss.products or product.product_id in loss.products for product in products], bool
        )
        concerned = np.outer(chosen, governed)
        lean[concerned] *= 1 - loss.lean_loss_share
        fat[concerned] *= 1 - loss.fat_loss_share
    return lean, lean + fat
