"""How far lean may be off its statement, and the confidence with which products hold spec."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist

from blend.domain import columns as col
from blend.domain.columns import record

MAX_SD_POINTS = 20
"""A standard deviation of more lean points is a slip."""

MAX_CONFIDENCE = 0.999999
"""Beyond this a normal curve says nothing of real meat."""

ASSUMES_INDEPENDENT = "assumes independent errors"
"""Printed next to every confidence: lots of one untested supplier may share a bias, and then the
true confidence is lower."""

SOLVENT_EXTRACTION_SD_SHARE = 0.0056
"""Standard error of the official solvent extraction of fat: about 0.56 % (abstract of the
collaborative study of rapid fat determination, J. AOAC, about 1977; read)."""


@record("lean_spread", "How far off the lean of each lot may be, one lot a row.", key="lot_id")
@dataclass(frozen=True, slots=True)
class LeanUncertainty:
    """How far one lot's lean may be off.

    `standard_error_share` is that of the lot's mean lean, one error for all its pounds;
    `container_sd_share` the spread of its containers around that mean. Both are standard
    deviations as fractions of 1: 0.01 is one lean point.
    """

    lot_id: str = col.identifier("the lot, as in lots.csv")
    standard_error_share: float = col.points(
        "standard error of the lot's average lean",
        name="standard_error_points",
        blank="as estimated from tests, with --lean estimated",
        maximum=MAX_SD_POINTS,
    )
    container_sd_share: float = col.points(
        "standard deviation of its containers around that; of loose meat, of one batch's pounds",
        name="container_sd_points",
        maximum=MAX_SD_POINTS,
    )


@dataclass(frozen=True, slots=True)
class BatchUncertainty:
    """What comes on top in the finished batch: uneven mixing, and the test that judges it.

    Both are standard deviations of lean as fractions of 1.
    """

    mixing_sd_share: float = col.points(
        "standard deviation of lean within a batch (uneven mixing)",
        name="mixing_sd_points",
        default=0.0,
        maximum=MAX_SD_POINTS,
        caution_when_blank="Perfect mixing is assumed. Enter its standard deviation, or 0.",
    )
    test_error: float = col.points(
        "standard error of the test that judges the batch",
        name="test_error_points",
        default=0.0,
        maximum=MAX_SD_POINTS,
        caution_when_blank="A perfect test is assumed. Enter its error, or 0.",
    )

    @property
    def variance(self) -> float:
        return self.mixing_sd_share**2 + self.test_error**2


class Sides(StrEnum):
    """The lean limits of a product that a confidence is for."""

    BELOW = "below"
    """Lean not under its minimum, so fat not over its maximum."""
    ABOVE = "above"
    """Lean not over its maximum."""
    BOTH = "both"
    """Both; each side gets half of the risk, so that the two together hold."""


@record(
    "confidence",
    "How often batches must test within their lean limits, one product a row.",
    key="product_id",
)
@dataclass(frozen=True, slots=True)
class ChanceConstraint:
    """A batch of the product tests within its lean limits with at least this probability.

    `min_confidence` lies from one half (the limits hold on average, no more) to
    `MAX_CONFIDENCE`.
    """

    product_id: str = col.identifier("the product, as in products.csv")
    min_confidence: float = col.share(
        "chance that a batch tests within the limits", minimum=0.5, maximum=MAX_CONFIDENCE
    )
    sides: Sides = col.choice(
        "below: lean not under its minimum; above: not over its maximum; both: neither",
        Sides,
        default=Sides.BELOW,
    )
    batch: BatchUncertainty = col.part(BatchUncertainty, default=BatchUncertainty())

    @property
    def each_side(self) -> tuple[Sides, ...]:
        return (Sides.BELOW, Sides.ABOVE) if self.sides is Sides.BOTH else (self.sides,)

    @property
    def max_out_of_side_share(self) -> float:
        """The risk that each side gets."""
        return (1 - self.min_confidence) / len(self.each_side)

    @property
    def quantile(self) -> float:
        """Standard deviations that the mean keeps from each limit."""
        return NormalDist().inv_cdf(1 - self.max_out_of_side_share)


@dataclass(frozen=True, slots=True)
class ChanceCheck:
    """One side of a chance constraint checked for one recipe of the rounded plan.

    `margin_share` is how far the batch's lean is from the limit, `needed_share` how far it has to
    be: kept means margin at or above need. `confidence` is the probability that a batch is on the
    right side.
    """

    product_id: str
    run: int
    """Number of the recipe within the product, from 1."""
    side: Sides
    limit_share: float
    lean: float
    sd_share: float
    margin_share: float
    needed_share: float
    confidence: float
    asked: float
    is_kept: bool


@dataclass(frozen=True, slots=True)
class TestValue:
    """What testing one lot once more is worth before today's plan is made."""

    __test__ = False  # It is no test case, whatever a test runner makes of its name.

    lot_id: str
    standard_error_share: float
    error_after_share: float
    """After one more test."""
    saving_usd: float
    """Of the first test more, before its cost."""
    tests_that_pay: int
    """How many more, one after the other, each save more than they cost."""
    test_cost_usd: float

    @property
    def gain_usd(self) -> float:
        return self.saving_usd - self.test_cost_usd
