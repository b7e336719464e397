"""Fat control over time: Shewhart charts, drift, and lean given away.

Charted is tested lean less target, so that a product whose target moved keeps one chart. The
first batches set the limits, which then stay, so that a drift cannot widen them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from statistics import fmean

from blend.domain.evidence import BatchTest


@dataclass(frozen=True, slots=True)
class ChartFactors:
    """Published factors of a sample size: d2 turns a mean range into a standard deviation, A2
    sets limits of means, D3 and D4 those of ranges."""

    d2: float
    a2: float
    d3: float
    d4: float


FACTORS = {
    2: ChartFactors(1.128, 1.880, 0, 3.267),
    3: ChartFactors(1.693, 1.023, 0, 2.575),
    4: ChartFactors(2.059, 0.729, 0, 2.282),
    5: ChartFactors(2.326, 0.577, 0, 2.114),
    6: ChartFactors(2.534, 0.483, 0, 2.004),
    7: ChartFactors(2.704, 0.419, 0.076, 1.924),
    8: ChartFactors(2.847, 0.373, 0.136, 1.864),
    9: ChartFactors(2.970, 0.337, 0.184, 1.816),
    10: ChartFactors(3.078, 0.308, 0.223, 1.777),
}
"""ASTM MNL 7 and Montgomery, Introduction to Statistical Quality Control, appendix VI, from
memory; to three decimals those of a computed table that was read (Cano et al., Six Sigma with
R, vignette Shewhart Constants)."""

INDIVIDUALS = 2.66
"""Limits of single values in mean moving ranges, 3 / d2 for two. ASTM MNL 7; from memory."""

BASELINE = 20
"""Batches that set the limits: 20 to 25 are usual (Montgomery; from memory)."""

RUN = 8
"""Batches in a row on one side of the center line. Western Electric, Statistical Quality
Control Handbook, 1956; from memory."""

EWMA_WEIGHT = 0.2
EWMA_WIDTH = 3.0
"""Of the newest value, and of the limits in standard deviations: 0.2 to 0.3 and 3, NIST/SEMATECH
e-Handbook of Statistical Methods, 6.3.2.4."""


class LimitsFrom(StrEnum):
    """What sets the limits of a product's level."""

    BETWEEN = "between"
    """Batch to batch: moving ranges of the batches' means. The usual choice for batches, which
    differ by more than readings of one batch do (the three-way chart of Wheeler and Chambers,
    Understanding Statistical Process Control; from memory)."""
    WITHIN = "within"
    """Tests within batches, by the factor A2: batches should differ by no more than these."""


class Signal(StrEnum):
    BEYOND = "outside limits"
    RUN = f"run of {RUN}"
    DRIFT = "drift"
    SPREAD = "tests far apart"


@dataclass(frozen=True, slots=True)
class Limits:
    center: float
    lower: float
    upper: float

    def holds(self, value: float) -> bool:
        return self.lower <= value <= self.upper


@dataclass(frozen=True, slots=True)
class Series:
    """Values in order, and their limits."""

    values: tuple[float, ...]
    limits: Limits


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart of level and one of spread, and the standard deviation of the level that its limits
    imply. `readings` is 1 where the spread is of moving ranges."""

    level: Series
    spread: Series
    deviation: float
    readings: int
    limits_from: LimitsFrom


def chart_individuals(values: Sequence[float], baseline: int = BASELINE) -> Chart:
    """Single values and moving ranges of two; at least two values."""
    ranges = [abs(after - before) for before, after in pairwise(values)]
    center = fmean(values[:baseline])
    mean_range = fmean(ranges[: max(1, baseline - 1)])
    width = INDIVIDUALS * mean_range
    return Chart(
        level=Series(tuple(values), Limits(center, center - width, center + width)),
        spread=Series(tuple(ranges), _range_limits(mean_range, 2)),
        deviation=mean_range / FACTORS[2].d2,
        readings=1,
        limits_from=LimitsFrom.BETWEEN,
    )


def chart_means(samples: Sequence[Sequence[float]], baseline: int = BASELINE) -> Chart:
    """Means and ranges of samples that all have the same size, 2 to 10."""
    size = len(samples[0])
    factors = FACTORS[size]
    means = [fmean(sample) for sample in samples]
    ranges = [max(sample) - min(sample) for sample in samples]
    center, mean_range = fmean(means[:baseline]), fmean(ranges[:baseline])
    width = factors.a2 * mean_range
    return Chart(
        level=Series(tuple(means), Limits(center, center - width, center + width)),
        spread=Series(tuple(ranges), _range_limits(mean_range, size)),
        deviation=mean_range / factors.d2 / size**0.5,
        readings=size,
        limits_from=LimitsFrom.WITHIN,
    )


def chart_batches(samples: Sequence[Sequence[float]], baseline: int = BASELINE) -> Chart:
    """Means of samples as single values, with the ranges within samples."""
    level = chart_individuals([fmean(sample) for sample in samples], baseline)
    within = chart_means(samples, baseline)
    return replace(level, spread=within.spread, readings=within.readings)


def _range_limits(mean_range: float, size: int) -> Limits:
    factors = FACTORS[size]
    return Limits(mean_range, factors.d3 * mean_range, factors.d4 * mean_range)


def ewma(values: Sequence[float], start: float, weight: float = EWMA_WEIGHT) -> tuple[float, ...]:
    """The exponentially weighted moving average after each value."""
    averages = []
    for value in values:
        start = weight * value + (1 - weight) * start
        averages.append(start)
    return tuple(averages)


def ewma_limits(
    center: float, deviation: float, weight: float = EWMA_WEIGHT, width: float = EWMA_WIDTH
) -> Limits:
    """The limits once the average has run for a while."""
    reach = width * deviation * (weight / (2 - weight)) ** 0.5
    return Limits(center, center - reach, center + reach)


def runs(values: Sequence[float], center: float, length: int = RUN) -> tuple[int, ...]:
    """Places at which the last `length` values all lie on one side of the center."""
    places, side, count = [], 0, 0
    for place, value in enumerate(values):
        now = (value > center) - (value < center)
        count = count + 1 if now == side and now != 0 else 1
        side = now
        if side != 0 and count >= length:
            places.append(place)
    return tuple(places)


@dataclass(frozen=True, slots=True)
class Signalled:
    """A batch that signals, and why."""

    place: int
    signals: tuple[Signal, ...]


@dataclass(frozen=True, slots=True)
class GivenAway:
    """Lean beyond the target, in lb of lean over all batches.

    Chance alone puts batches on both sides; `net_lb` is what a better aim would save.
    """

    pounds_lb: float
    leaner_lb: float
    fatter_lb: float

    @property
    def net_lb(self) -> float:
        return self.leaner_lb - self.fatter_lb


@dataclass(frozen=True, slots=True)
class ProductControl:
    """One product over time; `chart` is None where there is a single batch.

    Levels are tested lean less target, in shares.
    """

    product_id: str
    batches: tuple[BatchTest, ...]
    chart: Chart | None
    drift: Series | None
    signalled: tuple[Signalled, ...]
    given_away: GivenAway
    baseline: int

    @property
    def mean_off_target_share(self) -> float:
        return fmean(batch.off_target_share for batch in self.batches)


def control_products(
    batches: Iterable[BatchTest],
    baseline: int = BASELINE,
    limits_from: LimitsFrom = LimitsFrom.BETWEEN,
) -> tuple[ProductControl, ...]:
    """Chart every product of the log, in the order of their ids.

    Batches come in the order made. Where all batches of a product have the same 2 to 10
    readings, their means and ranges are charted, else their means and moving ranges, whatever
    `limits_from` says. The first `baseline` batches, at least two, set the limits.
    """
    of_product: dict[str, list[BatchTest]] = {}
    for batch in batches:
        of_product.setdefault(batch.product_id, []).append(batch)
    return tuple(
        _control(name, own, baseline, limits_from) for name, own in sorted(of_product.items())
    )


def _control(
    product_id: str, batches: list[BatchTest], baseline: int, limits_from: LimitsFrom
) -> ProductControl:
    chart = _chart(batches, baseline, limits_from) if len(batches) > 1 else None
    drift = None
    if chart is not None:
        center = chart.level.limits.center
        averages = ewma(chart.level.values, center)
        drift = Series(averages, ewma_limits(center, chart.deviation))
    return ProductControl(
        product_id=product_id,
        batches=tuple(batches),
        chart=chart,
        drift=drift,
        signalled=() if chart is None or drift is None else _signalled(chart, drift),
        given_away=_given_away(batches),
        baseline=min(baseline, len(batches)),
    )


def _chart(batches: list[BatchTest], baseline: int, limits_from: LimitsFrom) -> Chart:
    sizes = {len(batch.readings) for batch in batches}
    if len(sizes) == 1 and sizes <= FACTORS.keys():
        samples = [[reading - batch.target_lean for reading in batch.readings] for batch in batches]
        chart = chart_means if limits_from is LimitsFrom.WITHIN else chart_batches
        return chart(samples, baseline)
    return chart_individuals([batch.off_target_share for batch in batches], baseline)


def _signalled(chart: Chart, drift: Series) -> tuple[Signalled, ...]:
    in_runs = runs(chart.level.values, chart.level.limits.center)
    # A moving range belongs to the later of its two batches.
    first_spread = len(chart.level.values) - len(chart.spread.values)
    found = []
    for place, level in enumerate(chart.level.values):
        at_spread = place - first_spread
        signals = (
            (Signal.BEYOND, not chart.level.limits.holds(level)),
            (Signal.RUN, place in in_runs),
            (Signal.DRIFT, not drift.limits.holds(drift.values[place])),
            (
                Signal.SPREAD,
                at_spread >= 0 and not chart.spread.limits.holds(chart.spread.values[at_spread]),
            ),
        )
        given = tuple(signal for signal, is_given in signals if is_given)
        if given:
            found.append(Signalled(place, given))
    return tuple(found)


def _given_away(batches: list[BatchTest]) -> GivenAway:
    off_lb = [batch.off_target_share * batch.pounds_lb for batch in batches]
    return GivenAway(
        pounds_lb=sum(batch.pounds_lb for batch in batches),
        leaner_lb=sum(off for off in off_lb if off > 0),
        fatter_lb=-sum(off for off in off_lb if off < 0),
    )
