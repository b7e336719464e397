"""How far lean may be off its statement, and the confidence with which products hold spec."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from math import hypot, sqrt
from statistics import NormalDist

from blend.domain import columns as col
from blend.domain.columns import record
from blend.domain.lots import Lot

MAX_SD_POINTS = 20
"""A standard deviation of more lean points is a slip."""

MAX_CONFIDENCE = 0.999999
"""Beyond this a normal curve says nothing of real meat."""

ASSUMES_INDEPENDENT = "assumes independent errors"
ALLOWS_FOR_SUPPLIERS = "allows for errors shared by a supplier's lots"
"""One of the two is printed next to every confidence (`errors_words`)."""

SHARED_BY_SUPPLIER = 0.5
"""Of the variance of a lot's error, what all lots of its supplier share where no estimate from
tests says: half, so suppliers differ as much as lots of one supplier do. Common practice, no
source. Lots without a supplier count as one supplier's."""

SOLVENT_EXTRACTION_SD_SHARE = 0.0056
"""Standard error of the official solvent extraction of fat: about 0.56% (abstract of the
collaborative study of rapid fat determination, J. AOAC, about 1977; read)."""


@record("lean_spread", "How far off the lean of each lot may be, one lot a row.", key="lot_id")
@dataclass(frozen=True, slots=True)
class LeanUncertainty:
    """How far one lot's lean may be off.

    `standard_error_share` is that of the lot's mean lean, one error for all its pounds, beyond
    what it shares with other lots; `container_sd_share` the spread of its containers around that
    mean. Both are standard deviations as fractions of 1: 0.01 is one lean point.

    `shared_error` are the lot's loadings on independent errors of unit variance that all lots
    have in common, such as the biases of suppliers: in the same order for every lot, zero where a
    lot has fewer.
    """

    lot_id: str = col.identifier("the lot, as in lots.csv")
    standard_error_share: float = col.points(
        "standard error of the lot's average lean",
        blank="as estimated from tests, with --lean estimated",
        maximum=MAX_SD_POINTS,
        default=col.MISSING,
    )
    container_sd_share: float = col.points(
        "standard deviation of its containers around that; of loose meat, of one batch's pounds",
        maximum=MAX_SD_POINTS,
    )
    shared_error: tuple[float, ...] = ()

    @property
    def whole_error_share(self) -> float:
        """Standard error of the lot's mean lean, shared or not."""
        return hypot(self.standard_error_share, *self.shared_error)


def errors_words(errors: Iterable[LeanUncertainty]) -> str:
    """What a confidence that rests on these errors assumes of them."""
    is_shared = any(any(each.shared_error) for each in errors)
    return ALLOWS_FOR_SUPPLIERS if is_shared else ASSUMES_INDEPENDENT


def shared_by_suppliers(
    lots: Iterable[Lot], errors: Mapping[str, LeanUncertainty]
) -> dict[str, LeanUncertainty]:
    """The errors with `SHARED_BY_SUPPLIER` of each shared by its supplier's lots, where they do
    not say themselves what is shared. Every lot keeps its whole error."""
    first = max((len(each.shared_error) for each in errors.values()), default=0)
    supplier_of = {lot.lot_id: lot.supplier.casefold() for lot in lots}
    place = {name: at for at, name in enumerate(dict.fromkeys(supplier_of.values()))}

    def shared(each: LeanUncertainty) -> LeanUncertainty:
        if each.shared_error or not each.standard_error_share:
            return each
        loadings = [0.0] * (first + len(place))
        own, bias = sqrt(1 - SHARED_BY_SUPPLIER), sqrt(SHARED_BY_SUPPLIER)
        loadings[first + place[supplier_of[each.lot_id]]] = bias * each.standard_error_share
        return replace(
            each, standard_error_share=own * each.standard_error_share, shared_error=tuple(loadings)
        )

    return {lot_id: shared(each) for lot_id, each in errors.items()}


@dataclass(frozen=True, slots=True)
class BatchUncertainty:
    """What comes on top in the finished batch: uneven mixing, and the test that judges it.

    Both are standard deviations of lean as fractions of 1.
    """

    mixing_sd_share: float = col.points(
        "standard deviation of lean within a batch (uneven mixing)",
        default=0.0,
        maximum=MAX_SD_POINTS,
        caution_when_blank="Perfect mixing is assumed. Enter its standard deviation, or 0.",
    )
    test_error: float = col.points(
        "standard error of the test that judges the batch",
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
        "chance that a batch tests within the limits", between=(0.5, MAX_CONFIDENCE)
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
