"""Which pounds can be chosen: lots, blends, the pairs of them that are allowed, and where
each kind of choice stands in the column order."""

from __future__ import annotations

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

    @cached_property
    def ample_lb(self) -> float:
        """More than any plan uses of one lot or makes of one product, where neither a seller
        nor an order states a limit: ten times all that is stated."""
        held = sum(lot.quantity_lb or lot.least_purchase_lb for lot in self.lots)
        asked = sum(product.least_lb + product.blender_most_lb for product in self.products)
        return 10 * (held + asked)

    @cached_property
    def most_use_lb(self) -> np.ndarray:
        """A sure upper limit on the pounds of each pair: the lot's, or what fills the blend."""
        with np.errstate(divide="ignore"):
            fills = self._most_asked_lb[self.pair_blend] / self.kept_mass
        return np.minimum(np.minimum(self.lot_most_lb[self.pair_lot], fills), self.ample_lb)

    @cached_property
    def most_blend_lb(self) -> np.ndarray:
        """A sure upper limit on the finished pounds of each blend: the order's, the blender's
        or the supply's, whichever is least."""
        of_supply = np.bincount(
            self.pair_blend, self.kept_mass * self.most_use_lb, len(self.blends)
        )
        return np.minimum(self._most_asked_lb, of_supply)

    @cached_property
    def _most_asked_lb(self) -> np.ndarray:
        most = np.array([product.most_lb_or_infinite for product in self.products])
        blender = np.array([product.blender_most_lb for product in self.products])
        alone = self.blends.batch > 0
        product = self.blends.product
        return np.where(alone, np.minimum(most, blender)[product], most[product])


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


def _blends(case: Case) -> Blends:
    if case.settings.whole_containers is not WholeContainers.PER_BATCH:
        product = np.arange(len(case.products))
        return Blends(product, np.zeros(len(product), int))
    batches = [range(1, product.batches_ahead + 1) for product in case.products]
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
