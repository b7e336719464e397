"""Ground products to make."""

from __future__ import annotations

import math
from dataclasses import dataclass

from blend.domain import columns as col
from blend.domain.columns import LEAN, SPECIES, record


@record("products", "Ground products to make, one a row.", key="product_id", required=True)
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

    product_id: str = col.identifier("the plant's own product code", example="GB80")
    name: str = col.text("what people call it", example="Ground beef 80/20")
    species: frozenset[str] = col.words(
        "what it may be made from",
        choices=SPECIES,
        blank="",
        default=col.MISSING,
        convert=frozenset,
        example="beef",
    )
    target_lean: float = col.share("chemical lean to aim for", unit=LEAN, example="80")
    tolerance_below_share: float = col.points(
        "how far lean may fall below the target; 0.5 is half a point", example="0.5"
    )
    tolerance_above_share: float = col.points("how far lean may rise above the target", example="1")
    min_lb: float = col.pounds("finished pounds ordered, at least", example="36000")
    max_lb: float | None = col.pounds(
        "finished pounds wanted, at most",
        blank="no limit",
        caution_when_blank="Enter the most pounds wanted.",
        example="36000",
        default=col.MISSING,
    )
    batch_lb: float = col.pounds("finished pounds of a usual batch", minimum=1, example="4000")
    blender_min_lb: float = col.pounds("smallest batch the blender takes", example="2000")
    blender_max_lb: float = col.pounds("largest batch it takes", minimum=1, example="5000")
    standards: tuple[str, ...] = col.words(
        "standard_id of the standards it is labeled or bought under",
        caution_when_blank="No standard limits it. Name its standards if it has any.",
        example="ground_beef",
    )
    label_claims: frozenset[str] = col.words(
        "claims every lot in it must carry; capitals do not matter",
        default=frozenset(),
        convert=col.lower_case,
    )
    shortage_penalty_usd_per_lb: float | None = col.money(
        "penalty for each pound short of min_lb", "USD per lb", blank="it may not fall short"
    )
    sale_usd_per_lb: float = col.money("earned on each finished pound", "USD per lb", default=0.0)

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
        """How many batches to allow for when each may have its own recipe; not all need be run.

        The number nearest to the usual batch (a half rounds up) for the most that may be made,
        or for the order where that is not stated, yet enough for the blender to hold it.
        """
        volume_lb = self.min_lb if self.max_lb is None else self.max_lb
        usual = math.floor(volume_lb / self.batch_lb + 0.5)
        return max(math.ceil(volume_lb / self.blender_max_lb), usual)
