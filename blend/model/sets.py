"""Which pounds can be chosen: lots, blends, the pairs of them that are allowed, and where
each kind of choice stands in the column order."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import RuleKind, WholeContainers
from blend.domain.selectors import NUMBER_ATTRIBUTES, WORD_ATTRIBUTES, Selector
from blend.errors import InputRefused, Problem

MAX_BATCHES = 1_000
"""In all, where each has a recipe of its own: no search in whole numbers gets through more, and
memory would end before time does."""


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


class LotMasks:
    """Which lots each selector means, found once.

    Many lots share a supplier, an origin or a form: a condition is held against one lot of
    each value.
    """

    def __init__(self, lots: tuple[Lot, ...]) -> None:
        self._lots = lots
        self._masks: dict[Selector, np.ndarray] = {}
        self._values: dict[str, tuple[list[Lot], np.ndarray]] = {}

    def of(self, selector: Selector) -> np.ndarray:
        """Boolean mask over lots."""
        if selector not in self._masks:
            mask = np.ones(len(self._lots), bool)
            for condition in selector.conditions:
                stand_for, value_of_lot = self._by_value(condition.attribute)
                holds = np.array([condition.holds(lot) for lot in stand_for], bool)
                mask &= holds[value_of_lot]
            self._masks[selector] = mask
        return self._masks[selector]

    def _by_value(self, attribute: str) -> tuple[list[Lot], np.ndarray]:
        """A lot of each value of an attribute, and which of them each lot is like."""
        if attribute not in self._values:
            read = {**WORD_ATTRIBUTES, **NUMBER_ATTRIBUTES}[attribute]
            first: dict[Hashable, Lot] = {}
            for lot in self._lots:
                first.setdefault(read(lot), lot)
            number = {value: index for index, value in enumerate(first)}
            value_of_lot = np.array([number[read(lot)] for lot in self._lots], int)
            self._values[attribute] = list(first.values()), value_of_lot
        return self._values[attribute]


@dataclass(frozen=True)
class IndexSets:
    """The choices of one case as arrays.

    Pairs are (lot, blend) combinations that species, programs and use-or-not rules
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
    masks: LotMasks
    limits_give: bool = False
    """Whether limits on supply and orders may give way, so that what is sure now must stay
    sure beyond them."""
    room: float = 1.0
    """How many times what is stated a lot and an order are taken to be at most."""

    def retained(self) -> tuple[np.ndarray, np.ndarray]:
        """Of each pound of lean and of fat, what the losses leave; lots × products."""
        whole = np.ones((len(self.lots), len(self.products)))
        return _after_losses(self.case, self.products, self.masks, whole, whole.copy())

    def pairs_of(self, blend: int) -> slice:
        return slice(int(self.pair_start[blend]), int(self.pair_start[blend + 1]))

    def blends_of(self, product: int) -> np.ndarray:
        return np.flatnonzero(self.blends.product == product)

    def chosen(self, selector: Selector) -> np.ndarray:
        """Boolean mask over lots of those that the selector means."""
        return self.masks.of(selector)

    @cached_property
    def lot_index(self) -> dict[str, int]:
        return {lot.lot_id: index for index, lot in enumerate(self.lots)}

    @cached_property
    def lot_max_lb(self) -> np.ndarray:
        return np.array([lot.max_lb for lot in self.lots]) * self.room

    @cached_property
    def ample_lb(self) -> float:
        """More than any plan uses of one lot or makes of one product, where neither a seller
        nor an order states a limit: ten times all that is stated, containers among it, since one
        may be taken for a single pound."""
        stated = ((lot.quantity_lb or lot.min_purchase_lb, lot.container_lb) for lot in self.lots)
        held = sum(max(quantity_lb, container_lb or 0.0) for quantity_lb, container_lb in stated)
        return 10 * (held + self._asked_lb)

    @cached_property
    def max_take_lb(self) -> np.ndarray:
        """A sure upper limit on the pounds of each lot."""
        if self.limits_give:
            container_lb = np.array([lot.container_lb or 0.0 for lot in self.lots])
            return np.minimum(self.lot_max_lb + container_lb + self._asked_lb, self.ample_lb)
        return np.minimum(self.lot_max_lb, self.ample_lb)

    @cached_property
    def max_use_lb(self) -> np.ndarray:
        """A sure upper limit on the pounds of each pair: the lot's, or what fills the blend."""
        max_take = self.max_take_lb[self.pair_lot]
        if self.limits_give:
            return max_take
        with np.errstate(divide="ignore"):
            fills = self._max_asked_lb[self.pair_blend] / self.kept_mass
        return np.minimum(max_take, fills)

    @cached_property
    def max_blend_lb(self) -> np.ndarray:
        """A sure upper limit on the finished pounds of each blend: the order's, the blender's
        or the supply's, whichever is least."""
        of_supply = np.bincount(self.pair_blend, self.kept_mass * self.max_use_lb, len(self.blends))
        return of_supply if self.limits_give else np.minimum(self._max_asked_lb, of_supply)

    @cached_property
    def _asked_lb(self) -> float:
        return sum(product.min_lb + product.blender_max_lb for product in self.products)

    @cached_property
    def _max_asked_lb(self) -> np.ndarray:
        maximum = np.array([product.max_lb_or_infinite for product in self.products]) * self.room
        blender = np.array([product.blender_max_lb for product in self.products])
        alone = self.blends.batch > 0
        product = self.blends.product
        return np.where(alone, np.minimum(maximum, blender)[product], maximum[product])


def lay_out(case: Case) -> IndexSets:
    """Find the pairs that are allowed and what a pound of each of them keeps.

    Raises InputRefused for more than MAX_BATCHES batches that may differ.
    """
    lots, products = case.usable_lots(), case.products
    masks = LotMasks(lots)
    allowed = _allowed(case, lots, products, masks)
    blends = _blends(case)
    in_blend = allowed.T[blends.product]
    pair_blend, pair_lot = np.nonzero(in_blend)
    lean, mass = _kept(case, lots, products, masks)
    pair_product = blends.product[pair_blend]
    return IndexSets(
        case=case,
        lots=lots,
        products=products,
        blends=blends,
        pair_lot=pair_lot,
        pair_blend=pair_blend,
        kept_lean=lean[pair_lot, pair_product],
        kept_mass=mass[pair_lot, pair_product],
        pair_start=np.concatenate(([0], np.cumsum(in_blend.sum(axis=1)))).astype(int),
        masks=masks,
    )


def _blends(case: Case) -> Blends:
    if case.settings.whole_containers is not WholeContainers.PER_BATCH:
        product = np.arange(len(case.products))
        return Blends(product, np.zeros(len(product), int))
    _refuse_too_many_batches(case.products)
    batches = [range(1, product.batches_ahead + 1) for product in case.products]
    return Blends(
        np.repeat(np.arange(len(batches)), [len(numbers) for numbers in batches]),
        np.array([number for numbers in batches for number in numbers], int),
    )


def _refuse_too_many_batches(products: tuple[Product, ...]) -> None:
    total = sum(product.batches_ahead for product in products)
    if total <= MAX_BATCHES:
        return
    maximum = max(products, key=lambda product: product.batches_ahead)
    raise InputRefused(
        [
            Problem(
                "products",
                None,
                "batch_lb",
                f"{total:,} batches, {maximum.batches_ahead:,} of them of {maximum.product_id}",
                f"{MAX_BATCHES:,} in all, where each receives whole containers of its own",
                "Ask for whole containers per_product, for larger batches or a smaller max_lb.",
            )
        ]
    )


def _allowed(
    case: Case, lots: tuple[Lot, ...], products: tuple[Product, ...], masks: LotMasks
) -> np.ndarray:
    """Boolean lots × products."""
    allowed = np.empty((len(lots), len(products)), bool)
    fit: dict[Hashable, list[bool]] = {}
    for column, product in enumerate(products):
        asked = product.species, product.label_claims
        if asked not in fit:
            species, label_claims = asked
            fit[asked] = [
                lot.species in species and label_claims <= lot.label_claims for lot in lots
            ]
        allowed[:, column] = fit[asked]
    for rule in case.binding_rules():
        if rule.kind is RuleKind.MUST_NOT_USE:
            governed = np.array([rule.governs(product) for product in products], bool)
            allowed &= ~np.outer(masks.of(rule.lots), governed)
    return allowed


def _kept(
    case: Case, lots: tuple[Lot, ...], products: tuple[Product, ...], masks: LotMasks
) -> tuple[np.ndarray, np.ndarray]:
    """Finished lean and finished mass, lb per lb, lots × products.

    The same arithmetic as `blend.domain.rules.kept_per_lb`, for all pairs at once.
    """
    lean = np.repeat(np.array([lot.lean for lot in lots])[:, None], len(products), axis=1)
    lean, fat = _after_losses(case, products, masks, lean, 1 - lean)
    return lean, lean + fat


def _after_losses(
    case: Case,
    products: tuple[Product, ...],
    masks: LotMasks,
    lean: np.ndarray,
    fat: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """What the losses leave of lean and of fat, lots × products; both are written over."""
    for loss in case.losses:
        governed = [not loss.products or p.product_id in loss.products for p in products]
        concerned = np.outer(masks.of(loss.lots), np.array(governed, bool))
        lean[concerned] *= 1 - loss.lean_loss_share
        fat[concerned] *= 1 - loss.fat_loss_share
    return lean, fat
