"""Rules and losses as data: what a blend may hold, and what is lost on the way."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import prod

from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.selectors import EVERY_LOT, Selector


class RuleKind(StrEnum):
    """The kinds of rule that come with blend. Each is one file of `blend.model.rules`, which
    says what it means; a kind added there needs no entry here."""

    SHARE = "share"
    FAT = "fat"
    MAX_LOTS = "max_lots"
    MIN_IF_USED = "min_if_used"
    MUST_USE = "must_use"
    MUST_NOT_USE = "must_not_use"
    KEEP_APART = "keep_apart"
    EQUAL_RECIPE = "equal_recipe"
    MAX_TEMP = "max_temp"


def rule_kind(name: str) -> str:
    """The kind of this name: a member of `RuleKind` where it is one."""
    return next((kind for kind in RuleKind if kind == name), name)


class WholeContainers(StrEnum):
    """Where containers must be whole."""

    NO = "no"
    TAKEN = "taken"
    """Taken whole; the pounds are split freely between products and batches."""
    PER_PRODUCT = "per_product"
    """Each product receives whole containers."""
    PER_BATCH = "per_batch"
    """Each batch receives whole containers."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. `products` empty means all of them. `source` names the section of a
    standard; it is empty for the plant's own rules."""

    rule_id: str
    kind: str
    """A `RuleKind`, or the name of a kind added to `blend.model.rules`."""
    products: tuple[str, ...] = ()
    lots: Selector = EVERY_LOT
    against: Selector | None = None
    min_share: float | None = None
    max_share: float | None = None
    max_count: int | None = None
    min_lb: float | None = None
    max_temp_f: float | None = None
    excess_heat_btu_per_lb: tuple[tuple[str, float], ...] = ()
    """For max_temp, by lot_id: heat of a pound above what it may hold at the limit, negative
    where the lot cools the blend. Computed from lots' temperatures before planning."""
    source: str = ""
    note: str = ""

    def governs(self, product: Product) -> bool:
        return not self.products or product.product_id in self.products


@dataclass(frozen=True, slots=True)
class Loss:
    """What a step (thaw, purge, trimming, grinding) takes from the lots it concerns.

    Fat and lean lose differently: purge is water and protein, so it takes lean.
    """

    loss_id: str
    step: str
    lots: Selector = EVERY_LOT
    products: tuple[str, ...] = ()
    lean_loss_share: float = 0.0
    fat_loss_share: float = 0.0
    source: str = ""

    def concerns(self, lot: Lot, product: Product) -> bool:
        return (not self.products or product.product_id in self.products) and self.lots.holds(lot)


def kept_per_lb(lot: Lot, product: Product, losses: tuple[Loss, ...]) -> tuple[float, float]:
    """Finished lean and fat, lb per lb of the lot put into the product.

    Steps follow one another, so what they keep multiplies.
    """
    steps = [loss for loss in losses if loss.concerns(lot, product)]
    lean = lot.lean * prod(1 - loss.lean_loss_share for loss in steps)
    fat = lot.fat_share * prod(1 - loss.fat_loss_share for loss in steps)
    return lean, fat
