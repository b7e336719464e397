"""Ground products to make."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Product:
    """One ground product: its lean, its tolerance, its volume and its batches.

    `least_lb` and `most_lb` bound the finished pounds, after losses; equal ones mean an
    exact order, `most_lb` None no upper limit. The blender takes between
    `blender_least_lb` and `blender_most_lb` finished pounds a batch; `batch_lb` is the
    batch it is usually run at. `shortfall_usd_per_lb` None means the order may not fall
    short; a number is the penalty of each pound short. `sale_usd_per_lb` is earned on each
    finished pound, so that a volume between least and most is worth choosing.
    `programmes` are those that every lot in it must carry.
    """

    product_id: str
    name: str
    species: frozenset[str]
    target_lean_share: float
    tolerance_below_share: float
    tolerance_above_share: float
    least_lb: float
    most_lb: float | None
    batch_lb: float
    blender_least_lb: float
    blender_most_lb: float
    standards: tuple[str, ...] = ()
    programmes: frozenset[str] = frozenset()
    shortfall_usd_per_lb: float | None = None
    sale_usd_per_lb: float = 0.0

    @property
    def least_lean_share(self) -> float:
        return self.target_lean_share - self.tolerance_below_share

    @property
    def most_lean_share(self) -> float:
        return self.target_lean_share + self.tolerance_above_share

    @property
    def most_lb_or_infinite(self) -> float:
        return math.inf if self.most_lb is None else self.most_lb

    @property
    def batches_ahead(self) -> int:
        """How many batches to lay out when each may have its own recipe; not all need be run.

        The number nearest to the usual batch (a half rounds up) for the most that may be made,
        or for the order where that is not stated, yet enough for the blender to hold it.
        """
        volume_lb = self.least_lb if self.most_lb is None else self.most_lb
        usual = math.floor(volume_lb / self.batch_lb + 0.5)
        return max(math.ceil(volume_lb / self.blender_most_lb), usual)
