"""Ground products to make."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Product:
    """One ground product: its lean, its tolerance, its volume and its batches.

    `min_lb` and `max_lb` bound the finished pounds, after losses; equal ones mean an
    exact order, `max_lb` None no upper limit. The blender takes between
    `blender_min_lb` and `blender_max_lb` finished pounds a batch; `batch_lb` is the
    batch it is usually run at. `shortage_penalty_usd_per_lb` None means the order may not fall
    short; a number is the penalty of each pound short. `sale_usd_per_lb` is earned on each
    finished pound, so that a volume between least and most is worth choosing.
    `programs` are those that every lot in it must carry.
    """

    product_id: str
    name: str
    species: frozenset[str]
    target_lean: float
    tolerance_below_share: float
    tolerance_above_share: float
    min_lb: float
    max_lb: float | None
    batch_lb: float
    blender_min_lb: float
    blender_max_lb: float
    standards: tuple[str, ...] = ()
    label_claims: frozenset[str] = frozenset()
    shortage_penalty_usd_per_lb: float | None = None
    sale_usd_per_lb: float = 0.0

    @property
    def min_lean(self) -> float:
        return self.target_lean - self.tolerance_below_share

    @property
    def max_lean(self) -> float:
        return self.target_lean + self.tolerance_above_share

    @property
    def max_lb_or_infinite(self) -> float:
        return math.inf if self.max_lb is None else self.max_lb

    @property
    def batches_ahead(self) -> int:
        """How many batches to lay out when each may have its own recipe; not all need be run.

        The number nearest to the usual batch (a half rounds up) for the most that may be made,
        or for the order where that is not stated, yet enough for the blender to hold it.
        """
        volume_lb = self.min_lb if self.max_lb is None else self.max_lb
        usual = math.floor(volume_lb / self.batch_lb + 0.5)
        return max(math.ceil(volume_lb / self.blender_max_lb), usual)
