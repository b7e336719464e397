"""A batch to be put right: what is in the blender, how it may be put right, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

from blend.domain.plan import Ingredient


class Act(StrEnum):
    NOTHING = "nothing"
    """It is within limits as surely as asked."""
    ADD = "add"
    SWAP = "swap"
    """Take out and put in."""
    RETEST = "retest"
    """Another reading is expected to save more than it costs."""
    SHORT = "short"
    """No amount reaches the limits; what is told comes nearest."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Tested fat of the batch: the mean of `readings` tests of standard deviation `sd_share`."""

    fat_share: float
    readings: int = 1
    sd_share: float = 0.0

    @property
    def error_share(self) -> float:
        return self.sd_share / sqrt(self.readings)


@dataclass(frozen=True, slots=True)
class Held:
    """What is in the blender: pounds, room for more, and its recipe where that is known."""

    held_lb: float
    room_lb: float
    recipe: tuple[Ingredient, ...] = ()


@dataclass(frozen=True, slots=True)
class Added:
    lot_id: str
    pounds_lb: float
    containers: int | None
    cost_usd: float


@dataclass(frozen=True, slots=True)
class Retest:
    """What one more reading is expected to bring, before it is made."""

    clears: float
    """Probability that with it the batch counts as within limits, so that nothing is done."""
    saving_usd: float
    """`clears` times the cost of the correction."""
    cost_usd: float


@dataclass(frozen=True, slots=True)
class Correction:
    """What to do with the batch, and how it stands then. Pounds are before losses."""

    act: Act
    product_id: str
    held: Held
    reading: Reading
    min_fat_share: float
    max_fat_share: float
    added: tuple[Added, ...]
    removed_lb: float
    finished_lb: float
    fat_share: float
    sure_before: float
    """Probability that the batch as it is lies within its limits."""
    sure_after: float
    asked: float | None
    cost_usd: float
    """Of what is added."""
    retest: Retest | None
    notes: tuple[str, ...]

    @property
    def is_as_sure_as_asked(self) -> bool:
        return self.asked is None or self.sure_after >= self.asked - 1e-4


@dataclass(frozen=True, slots=True)
class Terms:
    """How a batch may be put right.

    `at_hand` are the lots that may go in. `step_lb` is the least that the scale shows, None
    for any amount; `whole_containers` puts in whole containers only. `confidence` None asks that
    limits hold on average. `test_cost_usd` None leaves another test out of question.
    """

    at_hand: frozenset[str]
    whole_containers: bool = False
    may_remove: bool = False
    confidence: float | None = None
    step_lb: float | None = None
    test_cost_usd: float | None = None
