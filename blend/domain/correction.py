"""An off-spec batch: what is in the blender, what may be done with it, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

from blend.domain.plan import Ingredient


class Act(StrEnum):
    NOTHING = "nothing"
    """It is in spec at the confidence asked for."""
    ADD = "add"
    SWAP = "swap"
    """Take out and put in."""
    RETEST = "retest"
    """Another test is expected to save more than it costs."""
    SHORT = "short"
    """Nothing allowed gets it into spec; what is listed comes closest."""


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
    """What is in the blender: finished pounds, room for more, and its recipe where it is known."""

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
    """What one more test is expected to bring, before it is made."""

    clears: float
    """Probability that the batch then counts as in spec, so that nothing has to be done."""
    saving_usd: float
    """`clears` times the cost of the adjustment."""
    cost_usd: float


@dataclass(frozen=True, slots=True)
class Correction:
    """What to do with the batch, and where that leaves it. Pounds added are before losses."""

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
    """Probability that the batch is in spec as it is."""
    sure_after: float
    asked: float | None
    cost_usd: float
    """Of the meat added."""
    retest: Retest | None
    notes: tuple[str, ...]

    @property
    def is_as_sure_as_asked(self) -> bool:
        return self.asked is None or self.sure_after >= self.asked - 1e-4


@dataclass(frozen=True, slots=True)
class Obstacle:
    """What a batch could be brought into spec without, and what would do it then."""

    kind: str
    """"rules", "lots", "room", "removal" or "containers"."""
    rule_ids: tuple[str, ...]
    """Rules and rows of standards that would all have to go."""
    added_lb: tuple[tuple[str, float], ...]
    removed_lb: float


@dataclass(frozen=True, slots=True)
class Terms:
    """What may be done with a batch.

    `addable` are the lots that may go in. `step_lb` is the scale's step, None for any amount;
    `whole_containers` adds whole containers only. `confidence` None asks that limits hold on
    average. `test_cost_usd` None rules out another test.
    """

    addable: frozenset[str]
    whole_containers: bool = False
    may_remove: bool = False
    confidence: float | None = None
    step_lb: float | None = None
    test_cost_usd: float | None = None
