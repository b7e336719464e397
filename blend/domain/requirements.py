"""What a plan must meet, as keys that model rows, shadow prices, checks and messages share."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class ConstraintClass(StrEnum):
    """The kinds of requirement that come with blend. Kinds of rule in `blend.model.rules` may name
    others."""

    MASS = "mass"
    """A blend weighs what went into it, less the losses: bookkeeping, never relaxed."""
    LEAN_MIN = "lean_min"
    LEAN_MAX = "lean_max"
    VOLUME_MIN = "volume_min"
    VOLUME_MAX = "volume_max"
    BATCH_FILL = "batch_fill"
    SUPPLY = "supply"
    MIN_PURCHASE = "min_purchase"
    WHOLE_CONTAINERS = "whole_containers"
    SHARE_MIN = "share_min"
    SHARE_MAX = "share_max"
    FAT_MIN = "fat_min"
    FAT_MAX = "fat_max"
    MAX_LOTS = "max_lots"
    MIN_IF_USED = "min_if_used"
    MUST_USE = "must_use"
    MUST_NOT_USE = "must_not_use"
    MAY_HOLD = "may_hold"
    KEEP_APART = "keep_apart"
    EQUAL_RECIPE = "equal_recipe"
    MAX_TEMP = "max_temp"
    ADDED = "added"
    """A linear constraint that the user added; `rule_id` is its name."""


@dataclass(frozen=True, slots=True, order=True)
class Requirement:
    """One requirement by name. What does not apply is the empty text.

    A rule that governs several products is one requirement for each of them, since each is
    met, priced and relaxed on its own.
    """

    constraint_class: str
    """A `ConstraintClass`, or the name of one that a kind of rule declares."""
    product_id: str = ""
    lot_id: str = ""
    rule_id: str = ""
