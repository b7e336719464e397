"""What was measured: lean tests of lots, the methods they were made by, tests of batches."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from statistics import fmean


@dataclass(frozen=True, slots=True)
class LeanMethod:
    """How a lean test is made, and how far it can be off.

    `method_sd_share` is the standard error of one determination, however many samples went
    into it; `sampling_sd_share` that of a single sample of `sampling_lb` against its lot.
    Each has its own verified, "read", "memory" or the plant's "own", and its own source.
    """

    method_id: str
    title: str
    method_sd_share: float
    sampling_sd_share: float
    sampling_lb: float
    verified: str
    source: str
    sampling_verified: str
    sampling_source: str
    read_on: date | None = None
    note: str = ""

    def variance(self, samples: int, sample_lb: float | None = None) -> float:
        """Variance of a test made once on a mix of `samples`, in squared shares.

        The variance of a sample falls with its weight (Gy's fundamental sampling error; from
        memory), `sampling_lb` being assumed where the weight is not stated.
        """
        heavier = 1.0 if sample_lb is None else sample_lb / self.sampling_lb
        return self.method_sd_share**2 + self.sampling_sd_share**2 / (samples * heavier)


@dataclass(frozen=True, slots=True)
class LeanTest:
    """One test of one lot, on today's sheet or long used, beside what its seller stated.

    `taken_lb` is how much of the lot was taken, None where it was not noted.
    """

    test_id: str
    lot_id: str
    supplier: str
    tested_on: date
    method: str
    samples: int
    tested_lean: float
    stated_lean: float
    sample_lb: float | None = None
    taken_lb: float | None = None

    @property
    def overstated_share(self) -> float:
        return self.stated_lean - self.tested_lean


@dataclass(frozen=True, slots=True)
class BatchTest:
    """The lean readings of one batch made, beside its target."""

    batch_id: str
    product_id: str
    made_on: date
    target_lean: float
    readings: tuple[float, ...]
    """Lean shares, at least one."""
    pounds_lb: float

    @property
    def tested_lean(self) -> float:
        return fmean(self.readings)

    @property
    def off_target_share(self) -> float:
        """Above zero where the batch tested leaner than its target."""
        return self.tested_lean - self.target_lean
