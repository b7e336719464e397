"""How published calls turned out: hit rates, chances, and claims of cause.

A call of direction is scored against the move over its stated horizon, next to the base rate:
how often the item moved that way anyway. Exact binomial tests and Clopper-Pearson intervals are
scipy's; the Brier score has its three parts (A. H. Murphy 1973; D. S. Wilks, Statistical Methods in
the Atmospheric Sciences).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class HitRate:
    """Hits of calls, with an exact 95% interval and the chance of as many by the base rate."""

    hits: int
    calls: int
    low: float
    high: float
    base_rate: float
    p_value: float
    """Chance of at least as many hits for a caller who knows only the base rate."""

    @property
    def rate(self) -> float:
        return self.hits / self.calls

    @property
    def is_skill(self) -> bool:
        return self.p_value < 0.05


def hit_rate(hits: int, calls: int, base_rate: float, confidence: float = 0.95) -> HitRate:
    """Exact binomial test of hits against the base rate, one-sided, and the Clopper-Pearson
    interval. ValueError where there are no calls."""
    from scipy.stats import binomtest

    if calls < 1:
        raise ValueError("no calls to score")
    tested = binomtest(hits, calls, base_rate, alternative="greater")
    interval = binomtest(hits, calls).proportion_ci(confidence, method="exact")
    return HitRate(
        hits, calls, float(interval.low), float(interval.high), base_rate, float(tested.pvalue)
    )


@dataclass(frozen=True, slots=True)
class Brier:
    """Score = reliability - resolution + uncertainty; lower is better."""

    score: float
    reliability: float
    resolution: float
    uncertainty: float

    @property
    def skill(self) -> float:
        """Against always stating the base rate: 1 perfect, 0 none."""
        return (self.resolution - self.reliability) / self.uncertainty


def brier(stated: Sequence[float], observed: Sequence[float], weights: Sequence[float]) -> Brier:
    """Of chances stated, how often each came true, and each one's share of the calls.

    Exact where all calls of one entry stated the same chance. Raises ValueError where the weights
    do not sum to 1 within half a percent.
    """
    if not math.isclose(math.fsum(weights), 1.0, abs_tol=0.005):
        raise ValueError(f"weights sum to {math.fsum(weights):.4f}, not to 1")
    base = _mean(observed, weights)
    reliability = _mean([(y - o) ** 2 for y, o in zip(stated, observed, strict=True)], weights)
    resolution = _mean([(o - base) ** 2 for o in observed], weights)
    uncertainty = base * (1 - base)
    return Brier(reliability - resolution + uncertainty, reliability, resolution, uncertainty)


def brier_of_calls(stated: Sequence[float], happened: Sequence[bool]) -> Brier:
    """The same from single calls: each chance stated, and whether it came true."""
    groups: dict[float, list[bool]] = {}
    for chance, came_true in zip(stated, happened, strict=True):
        groups.setdefault(chance, []).append(came_true)
    return brier(
        list(groups),
        [sum(each) / len(each) for each in groups.values()],
        [len(each) / len(stated) for each in groups.values()],
    )


def _mean(values: Sequence[float], weights: Sequence[float]) -> float:
    return math.fsum(v * w for v, w in zip(values, weights, strict=True)) / math.fsum(weights)
