"""Dual prices under the trade's names: what easing each requirement by a pound saves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class DualPrices:
    """What easing each requirement by one pound saves, USD per lb.

    All are at or above zero but the finished price; below zero counts as zero, and so does a
    price left out. Shares and fat are keyed (rule id, product id), must-use by rule id, the
    rest by product id.
    """

    finished: Mapping[str, float] = field(default_factory=dict)
    """Either sign: saved by a finished pound less to make; where the most volume holds the
    plan back, minus what is saved by a pound more of room."""
    lean_min: Mapping[str, float] = field(default_factory=dict)
    """Saved by a pound of finished lean that the blend may lack."""
    lean_max: Mapping[str, float] = field(default_factory=dict)
    """Saved by a pound of finished lean that the blend may have too much."""
    share_min: Mapping[tuple[str, str], float] = field(default_factory=dict)
    """Saved by a finished pound of the selected lots that the blend may lack."""
    share_max: Mapping[tuple[str, str], float] = field(default_factory=dict)
    """Saved by a finished pound of the selected lots that the blend may have too much."""
    fat_min: Mapping[tuple[str, str], float] = field(default_factory=dict)
    """Saved by a pound of finished fat that the blend may lack."""
    fat_max: Mapping[tuple[str, str], float] = field(default_factory=dict)
    """Saved by a pound of finished fat that the blend may have too much."""
    temperature: Mapping[tuple[str, str], float] = field(default_factory=dict)
    """Saved by a Btu that the blend may bring too much, USD per Btu."""
    must_use: Mapping[str, float] = field(default_factory=dict)
    """Saved by a pound of the selected lots that need not be used, before losses."""
    added_min: Mapping[str, float] = field(default_factory=dict)
    added_max: Mapping[str, float] = field(default_factory=dict)
    """By name of an added constraint: saved by one less of its min, one more of its max."""
