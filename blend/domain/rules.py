"""Rules and losses as data: what a blend may hold, and what is lost on the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import prod
from typing import Any

from blend.domain import columns as col
from blend.domain.columns import record
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


NAME_THE_LOTS = "Every lot counts toward the minimum, so it is always met. Name the lots it is for."


def is_minimum_share(values: Mapping[str, Any]) -> bool:
    """A minimum share of every lot is always met; a maximum for every lot is the strictest."""
    return values.get("kind") == RuleKind.SHARE and values.get("min_share") is not None


@record(
    "rules", "What blends may hold, one rule a row; kind says which columns apply.", key="rule_id"
)
@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. `products` empty means all of them. `source` names the section of a
    standard; it is empty for the plant's own rules."""

    rule_id: str = col.identifier("your own name for the rule", example="imported")
    kind: str = col.choice("what kind of rule", RuleKind, convert=rule_kind, example="share")
    """A `RuleKind`, or the name of a kind added to `blend.model.rules`."""
    products: tuple[str, ...] = col.words(
        "product_id of the products it covers", blank="all products", example="GB80"
    )
    lots: Selector = col.lots(
        "the lots it covers",
        default=EVERY_LOT,
        caution_when_blank=NAME_THE_LOTS,
        caution_in_row=is_minimum_share,
        example="origin!=domestic",
    )
    against: Selector | None = col.lots("for keep_apart: the lots to keep them from", blank="none")
    min_share: float | None = col.share("min share of the product, after losses", blank="no limit")
    max_share: float | None = col.share(
        "max share of the product, after losses", blank="no limit", example="40%"
    )
    max_count: int | None = col.count("for max_lots: how many lots", blank="no limit", minimum=1)
    min_lb: float | None = col.pounds("for must_use: at least this much", blank="all there is")
    max_temp_f: float | None = col.number(
        "for max_temp: no warmer than this going into the grinder, by heat balance",
        blank="no limit",
        unit="°F",
        between=(0, 60),
    )
    excess_heat_btu_per_lb: tuple[tuple[str, float], ...] = ()
    """For max_temp, by lot_id: heat a pound brings above what it may hold at the limit, negative
    where it cools. Computed from lots' temperatures before planning."""
    source: str = ""
    note: str = col.text("why, for people", default="", example="customer program")

    def governs(self, product: Product) -> bool:
        return not self.products or product.product_id in self.products


@record("losses", "What each step takes from the meat, one loss a row.", key="loss_id")
@dataclass(frozen=True, slots=True)
class Loss:
    """What a step (thaw, purge, trimming, grinding) takes from the lots it concerns.

    Fat and lean lose differently: purge is water and protein, so it takes lean.
    """

    loss_id: str = col.identifier("your own name for the loss", example="thaw")
    step: str = col.text("the step, such as thaw, purge, trimming or grinding", example="thaw")
    lots: Selector = col.lots(
        "the lots it applies to", default=EVERY_LOT, example="fresh_or_frozen=frozen"
    )
    products: tuple[str, ...] = col.words(
        "product_id of the products it applies to", blank="all products"
    )
    # a step that takes everything leaves no product to have a share of
    lean_loss_share: float = col.share(
        "of the lean that goes in",
        default=0.0,
        maximum=0.99,
        caution_when_blank="No lean is lost in this step. Enter the loss, or 0.",
        example="2.5%",
    )
    fat_loss_share: float = col.share(
        "of the fat that goes in",
        default=0.0,
        maximum=0.99,
        caution_when_blank="No fat is lost in this step. Enter the loss, or 0.",
        example="0.2%",
    )
    source: str = col.text("where the number is from", default="")

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
