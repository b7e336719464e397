"""What a plan must meet, as keys that matrix rows, worths, proof and messages share."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Family(StrEnum):
    """The kinds of requirement; each has one module in `blend.core.families`."""

    MASS = "mass"
    """A blend weighs what went into it, less the losses: bookkeeping, never in question."""
    LEAN_LEAST = "lean_least"
    LEAN_MOST = "lean_most"
    VOLUME_LEAST = "volume_least"
    VOLUME_MOST = "volume_most"
    BATCH_FILL = "batch_fill"
    SUPPLY = "supply"
    LEAST_PURCHASE = "least_purchase"
    WHOLE_CONTAINERS = "whole_containers"
    SHARE_LEAST = "share_least"
    SHARE_MOST = "share_most"
    FAT_LEAST = "fat_least"
    FAT_MOST = "fat_most"
    MOST_LOTS = "most_lots"
    LEAST_IF_USED = "least_if_used"
    MUST_USE = "must_use"
    MUST_NOT_USE = "must_not_use"
    MAY_HOLD = "may_hold"
    KEEP_APART = "keep_apart"
    EQUAL_RECIPE = "equal_recipe"
    WARMTH = "warmth"


@dataclass(frozen=True, slots=True, order=True)
class Requirement:
    """One nameable requirement. What does not apply is the empty text.

    A rule that governs several products is one requirement for each of them, since each
    is met, costs and can be eased alone.
    """

    family: Family
    product_id: str = ""
    lot_id: str = ""
    rule_id: str = ""
