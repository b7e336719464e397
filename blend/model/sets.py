"""Index sets of a case: lots, blends, and the pairs of lot and blend that are allowed."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blend.domain.analyses import ANALYSES, LEAN
from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Loss, Rule, WholeContainers
from blend.domain.selectors import NUMBER_ATTRIBUTES, WORD_ATTRIBUTES, Selector
from blend.errors import refusal
from blend.model.rules import definition_of

MAX_BATCHES = 1_000
"""In all, where each has its own recipe: a mixed-integer search of more would not end, and
would run out of memory before time."""


@dataclass(frozen=True)
class Blends:
    """What is blended to one recipe: a product, or a single batch where batches may differ.

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

    Many lots share a supplier or an origin, so a condition is tested on one lot of each value.
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
                examples, value_of_lot = self._by_value(condition.attribute)
                holds = np.array([condition.holds(lot) for lot in examples], bool)
                mask &= holds[value_of_lot]
            self._masks[selector] = mask
        return self._masks[selector]

    def _by_value(self, attribute: str) -> tuple[list[Lot], np.ndarray]:
        """One lot of each value of an attribute, and for every lot which value it has."""
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
    """The index sets of one case as arrays.

    Pairs are (lot, blend) combinations that species, programs and use-or-not rules
    allow; they are ordered by blend, then lot, so that the pairs of a blend lie together.
    """

    case: Case
    lots: tuple[Lot, ...]
    products: tuple[Product, ...]
    blends: Blends
    pair_lot: np.ndarray
    pair_blend: np.ndarray
    kept: dict[str, np.ndarray]
    """By analysis: what the losses leave of it, lb per lb of the pair."""
    kept_mass: np.ndarray
    """Finished lean and fat, lb per lb of the pair."""
    pair_start: np.ndarray
    """First pair of each blend, and one past the last."""
    masks: LotMasks
    limits_give: bool = False
    """Whether limits on supply and orders may be relaxed, so that every big-M must stay valid
    beyond them."""
    room: float = 1.0
    """Big-M values are this many times what the tables state."""

    @property
    def kept_lean(self) -> np.ndarray:
        """Finished lean, lb per lb of the pair."""
        return self.kept[LEAN.name]

    def retained(self) -> tuple[np.ndarray, np.ndarray]:
        """Of each pound of lean and of fat, what the losses leave; lots × products."""
        case, products, masks, whole = self.case, self.products, self.masks, np.ones(len(self.lots))
        return (
            _after_losses(case, products, masks, whole, LEAN.lost),
            _after_losses(case, products, masks, whole, lambda loss: loss.fat_loss_share),
        )

    def blend_products(self) -> list[tuple[int, Product]]:
        """Every blend with the product that it is made for."""
        return [(b, self.products[p]) for b, p in enumerate(self.blends.product.tolist())]

    def blends_under(self, rule: Rule) -> list[tuple[int, Product]]:
        """The blends that a rule governs, with their products."""
        return [each for each in self.blend_products() if rule.governs(each[1])]

    def pairs_with(self, selector: Selector, blend: int) -> np.ndarray:
        """The pairs of a blend whose lots the selector means."""
        pairs = self.pairs_of(blend)
        return np.flatnonzero(self.chosen(selector)[self.pair_lot[pairs]]) + pairs.start

    def lots_of(self, pairs: np.ndarray | slice) -> list[Lot]:
        return [self.lots[lot] for lot in self.pair_lot[pairs].tolist()]

    def products_of(self, pairs: np.ndarray) -> list[Product]:
        product = self.blends.product[self.pair_blend[pairs]]
        return [self.products[index] for index in product.tolist()]

    def lot_keys(self, lots: np.ndarray) -> list[tuple[str, ...]]:
        return [(self.lots[lot].lot_id,) for lot in lots.tolist()]

    def blend_keys(self) -> list[tuple[str, ...]]:
        return [
            (product.product_id, *([str(batch)] if batch else []))
            for (_, product), batch in zip(
                self.blend_products(), self.blends.batch.tolist(), strict=True
            )
        ]

    def pair_keys(self, pairs: np.ndarray) -> list[tuple[str, ...]]:
        blends = self.blend_keys()
        return [
            (lot.lot_id, *blends[blend])
            for lot, blend in zip(self.lots_of(pairs), self.pair_blend[pairs].tolist(), strict=True)
        ]

    def pairs_of(self, blend: int) -> slice:
        return slice(int(self.pair_start[blend]), int(self.pair_start[blend + 1]))

    def blends_of(self, product: int) -> np.ndarray:
        return np.flatnonzero(self.blends.product == product)

    def chosen(self, selector: Selector) -> np.ndarray:
        """Boolean mask over lots: those that the selector means."""
        return self.masks.of(selector)

    @cached_property
    def lot_index(self) -> dict[str, int]:
        return {lot.lot_id: index for index, lot in enumerate(self.lots)}

    @cached_property
    def product_index(self) -> dict[str, int]:
        return {product.product_id: index for index, product in enumerate(self.products)}

    @cached_property
    def container_lb(self) -> np.ndarray:
        """By lot, 0 for loose meat."""
        return np.array([lot.container_lb or 0.0 for lot in self.lots])

    @cached_property
    def lot_max_lb(self) -> np.ndarray:
        return np.array([lot.max_lb for lot in self.lots]) * self.room

    @cached_property
    def ample_lb(self) -> float:
        """More than any plan uses of one lot or makes of one product, where neither a seller nor
        an order sets a limit: ten times everything stated, containers included, since one may
        be taken for a single pound."""
        stated = ((lot.quantity_lb or lot.min_purchase_lb, lot.container_lb) for lot in self.lots)
        held = sum(max(quantity_lb, container_lb or 0.0) for quantity_lb, container_lb in stated)
        return 10 * (held + self._ordered_lb)

    @cached_property
    def max_take_lb(self) -> np.ndarray:
        """A valid upper limit on the pounds of each lot, for big-M."""
        if self.limits_give:
            return np.minimum(self.lot_max_lb + self.container_lb + self._ordered_lb, self.ample_lb)
        return np.minimum(self.lot_max_lb, self.ample_lb)

    @cached_property
    def max_use_lb(self) -> np.ndarray:
        """A valid upper limit on the pounds of each pair: the lot's, or what fills the blend."""
        max_take = self.max_take_lb[self.pair_lot]
        if self.limits_give:
            return max_take
        with np.errstate(divide="ignore"):
            fills = self._max_ordered_lb[self.pair_blend] / self.kept_mass
        return np.minimum(max_take, fills)

    @cached_property
    def max_blend_lb(self) -> np.ndarray:
        """A valid upper limit on the finished pounds of each blend: the smallest of the order's,
        the blender's and the supply's."""
        of_supply = np.bincount(self.pair_blend, self.kept_mass * self.max_use_lb, len(self.blends))
        return of_supply if self.limits_give else np.minimum(self._max_ordered_lb, of_supply)

    @cached_property
    def _ordered_lb(self) -> float:
        return sum(product.min_lb + product.blender_max_lb for product in self.products)

    @cached_property
    def _max_ordered_lb(self) -> np.ndarray:
        maximum = np.array([product.max_lb_or_infinite for product in self.products]) * self.room
        blender = np.array([product.blender_max_lb for product in self.products])
        alone = self.blends.batch > 0
        product = self.blends.product
        return np.where(alone, np.minimum(maximum, blender)[product], maximum[product])


def index_sets(case: Case) -> IndexSets:
    """Find the allowed pairs and what a pound of each keeps after losses.

    Raises InputRefused for more than MAX_BATCHES batches that may differ.
    """
    lots, products = case.usable_lots(), case.products
    masks = LotMasks(lots)
    allowed = _allowed(case, lots, products, masks)
    blends = _all_blends(case)
    in_blend = allowed.T[blends.product]
    pair_blend, pair_lot = np.nonzero(in_blend)
    kept, mass = _kept(case, lots, products, masks)
    pair_product = blends.product[pair_blend]
    return IndexSets(
        case=case,
        lots=lots,
        products=products,
        blends=blends,
        pair_lot=pair_lot,
        pair_blend=pair_blend,
        kept={name: of_all[pair_lot, pair_product] for name, of_all in kept.items()},
        kept_mass=mass[pair_lot, pair_product],
        pair_start=np.concatenate(([0], np.cumsum(in_blend.sum(axis=1)))).astype(int),
        masks=masks,
    )


def _all_blends(case: Case) -> Blends:
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
    raise refusal(
        "products",
        "batch_lb",
        f"{total:,} batches, {maximum.batches_ahead:,} of them of {maximum.product_id}",
        f"{MAX_BATCHES:,} in all, where each receives whole containers of its own",
        "Ask for whole containers per_product, for larger batches or a smaller max_lb.",
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
        excluded = definition_of(rule.kind).excluded(rule)
        if excluded is not None:
            governed = np.array([rule.governs(product) for product in products], bool)
            allowed &= ~np.outer(masks.of(excluded), governed)
    return allowed


def _kept(
    case: Case, lots: tuple[Lot, ...], products: tuple[Product, ...], masks: LotMasks
) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """By analysis, what the losses leave of it; and finished lean and fat together; lb per lb,
    lots × products.

    The same arithmetic as `blend.domain.rules.kept_per_lb`, for all pairs at once.
    """
    kept = {
        analysis.name: _after_losses(
            case, products, masks, np.array([analysis.of_lot(lot) for lot in lots]), analysis.lost
        )
        for analysis in ANALYSES
    }
    fat = 1 - np.array([lot.lean for lot in lots])
    fat = _after_losses(case, products, masks, fat, lambda loss: loss.fat_loss_share)
    return kept, kept[LEAN.name] + fat


def _after_losses(
    case: Case,
    products: tuple[Product, ...],
    masks: LotMasks,
    of_lot: np.ndarray,
    lost: Callable[[Loss], float],
) -> np.ndarray:
    """What the losses leave of a share of each lot, lots × products."""
    kept = np.repeat(of_lot[:, None], len(products), axis=1)
    for loss in case.losses:
        governed = [not loss.products or p.product_id in loss.products for p in products]
        concerned = np.outer(masks.of(loss.lots), np.array(governed, bool))
        kept[concerned] *= 1 - lost(loss)
    return kept
