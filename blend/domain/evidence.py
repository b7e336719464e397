"""What was measured: lean tests of lots, the methods they were made by, tests of batches."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from statistics import fmean

from blend.domain import columns as col
from blend.domain.columns import LEAN, record

VERIFIED = ("read", "memory", "own")
"""Read at its source, from memory, or your own."""


@record(
    "lean_test_methods",
    "Test methods, added to the built-in ones; the same method_id replaces one.",
    key="method_id",
)
@dataclass(frozen=True, slots=True)
class LeanMethod:
    """How a lean test is made, and how far it can be off.

    `method_sd_share` is the standard error of one determination, however many samples went
    into it; `sampling_sd_share` that of a single sample of `sampling_lb` against its lot.
    Each has its own verified, "read", "memory" or the plant's "own", and its own source.
    """

    method_id: str = col.identifier("the name tests use for it")
    title: str = col.text("the method in a few words")
    method_sd_share: float = col.points(
        "standard error of one test", name="method_error_points", minimum=0.01
    )
    sampling_sd_share: float = col.points(
        "standard error of one sample of its lot", name="sampling_error_points"
    )
    sampling_lb: float = col.pounds("weight of that sample", minimum=0.001)
    verified: str = col.choice("of method_error_points", VERIFIED)
    source: str = col.text("where method_error_points is from")
    sampling_verified: str = col.choice("of sampling_error_points", VERIFIED)
    sampling_source: str = col.text("where sampling_error_points is from")
    read_on: date | None = col.day("when the sources were last read", blank="not recorded")
    note: str = col.text("anything else to know", default="")

    def variance(self, samples: int, sample_lb: float | None = None) -> float:
        """Variance of a test made once on a mix of `samples`, in squared shares.

        The variance of a sample falls with its weight (Gy's fundamental sampling error; from
        memory), `sampling_lb` being assumed where the weight is not stated.
        """
        heavier = 1.0 if sample_lb is None else sample_lb / self.sampling_lb
        return self.method_sd_share**2 + self.sampling_sd_share**2 / (samples * heavier)


@record("tests", "Lean tests of lots, today's and past, one a row.", key="test_id")
@dataclass(frozen=True, slots=True)
class LeanTest:
    """One test of one lot, on today's sheet or long used, with what its supplier stated.

    `taken_lb` is how much of the lot was taken, None where it was not noted.
    """

    test_id: str = col.identifier("your own name for the test")
    lot_id: str = col.identifier("the lot tested, on today's sheet or used up")
    supplier: str = col.word("who sold it", blank="as lots.csv says", default=col.MISSING)
    tested_on: date = col.day("day of the test")
    method: str = col.identifier("the test method, by its method_id")
    samples: int = col.count("how many samples were mixed for it", minimum=1)
    tested_lean: float = col.share("chemical lean as tested", unit=LEAN)
    stated_lean: float = col.share(
        "lean the seller stated", unit=LEAN, blank="as lots.csv says", default=col.MISSING
    )
    sample_lb: float | None = col.pounds(
        "weight of one sample", minimum=0.001, blank="as the method says"
    )
    taken_lb: float | None = col.pounds(
        "how much of the lot was bought", blank="not recorded, not counted"
    )

    @property
    def overstated_share(self) -> float:
        return self.stated_lean - self.tested_lean


@record(
    "batch_tests",
    "Lean tests of batches, one batch a row; those of one day in the order made.",
    key="batch_id",
)
@dataclass(frozen=True, slots=True)
class BatchTest:
    """The lean tests of one batch, with its target."""

    batch_id: str = col.identifier("the plant's own batch number")
    product_id: str = col.identifier("the product")
    made_on: date = col.day("day it was made")
    target_lean: float = col.share(
        "lean aimed for", unit=LEAN, blank="as products.csv says", default=col.MISSING
    )
    readings: tuple[float, ...] = col.shares(
        "lean as tested, each reading", name="tested_lean", unit=LEAN
    )
    """Fractions, at least one."""
    pounds_lb: float = col.pounds("finished pounds of the batch")

    @property
    def tested_lean(self) -> float:
        return fmean(self.readings)

    @property
    def off_target_share(self) -> float:
        """Above zero where the batch tested leaner than its target."""
        return self.tested_lean - self.target_lean


@record("temperatures", "How warm lots are going into the blender, one a row.", key="lot_id")
@dataclass(frozen=True, slots=True)
class LotTemperature:
    """How warm one lot is."""

    lot_id: str = col.identifier("the lot, as in lots.csv")
    temperature_f: float = col.number(
        "inside the meat, by thermometer", unit="°F", between=(-60, 110)
    )
