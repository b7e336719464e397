"""What may stand in for an item: the cheapest mix of others that does what it does."""

from __future__ import annotations

from dataclasses import dataclass

from blend.domain.lots import Lot
from blend.domain.selectors import EVERY_LOT, Selector

DECLARED_CLASSES = frozenset(("cheek", "head", "heart", "tongue", "skin", "finely_textured"))
"""Meat classes that are not trimmings as the trade quotes them, and that labels may have to
declare (9 CFR 319.15(a) on cheek meat and 9 CFR 301.2 on meat, from memory)."""


@dataclass(frozen=True, slots=True)
class ReplacementRules:
    """What a mix may be made of. It is always of the item's species."""

    among: Selector = EVERY_LOT
    """Lots a mix may have, such as those with fresh_or_frozen=fresh."""
    keep_label_claims: bool = True
    """Whether every item of the mix must carry the label claims of the item it replaces."""
    max_share: float = 1.0
    """The most of a mix, after losses, from one item."""
    any_meat_class: bool = True
    """Whether head, cheek and other meats that a label must declare may replace an item without
    them."""

    def may_stand_in(self, lot: Lot, item: Lot) -> bool:
        """Whether a mix for the item may have the lot, as far as these rules go."""
        if lot.lot_id == item.lot_id or not self.among.holds(lot):
            return False
        is_like = lot.meat_class == item.meat_class or lot.meat_class not in DECLARED_CLASSES
        return self.any_meat_class or is_like


ANY_MIX = ReplacementRules()


@dataclass(frozen=True, slots=True)
class MixPart:
    """Pounds of an item put in for each pound replaced; without losses they add up to 1."""

    lot_id: str
    lb_per_lb: float


@dataclass(frozen=True, slots=True)
class LeanAndFat:
    """What a pound of each is worth after losses, USD."""

    lean_usd_per_lb: float
    fat_usd_per_lb: float


@dataclass(frozen=True, slots=True)
class Replacement:
    """What a pound of an item is replaced for; `usd_per_lb` None where no mix does."""

    lot_id: str
    own_usd_per_lb: float
    usd_per_lb: float | None
    mix: tuple[MixPart, ...]
    prices: LeanAndFat | None = None
    """Dual prices: at these no other item is worth more than it costs (except one at `max_share`),
    and the mix is worth its cost. None where no mix does."""

    @property
    def own_above_usd_per_lb(self) -> float | None:
        """How far the item is over its replacement; negative if it is cheaper."""
        return None if self.usd_per_lb is None else self.own_usd_per_lb - self.usd_per_lb
