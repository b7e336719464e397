"""What an item is replaced for: the cheapest mix of others that does what it does."""

from __future__ import annotations

from dataclasses import dataclass

from blend.domain.selectors import EVERY_LOT, Selector


@dataclass(frozen=True, slots=True)
class ReplacementRules:
    """What a mix may be made of. It is always of the item's species."""

    among: Selector = EVERY_LOT
    """Lots that a mix may hold, such as those with fresh_or_frozen=fresh."""
    keep_label_claims: bool = True
    """Whether every item of the mix must carry the programs that the replaced one does."""
    max_share: float = 1.0
    """Of the finished mix, at most so much from one item."""


ANY_MIX = ReplacementRules()


@dataclass(frozen=True, slots=True)
class MixPart:
    """Pounds of an item put in for each pound replaced; without losses they add up to 1."""

    lot_id: str
    lb_per_lb: float


@dataclass(frozen=True, slots=True)
class LeanAndFat:
    """What a pound of each is worth once losses are taken, USD."""

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
    """At these none of the others is worth more than it costs, but for one that the most share
    of a mix holds back, and the mix is worth what it costs. None where no mix does."""

    @property
    def own_above_usd_per_lb(self) -> float | None:
        """By how much the item is dearer than its replacement; below zero it is cheaper."""
        return None if self.usd_per_lb is None else self.own_usd_per_lb - self.usd_per_lb
