"""Middles of a few numbers of unequal weight that no single one of them can drag away."""

from __future__ import annotations

import math
from collections.abc import Sequence


def median(numbers: Sequence[float]) -> float:
    return weighted_median(numbers, [1.0] * len(numbers))


def weighted_median(numbers: Sequence[float], weights: Sequence[float]) -> float:
    """The least number with at least half of the weight at or below it; the mean of two where
    it is exactly half (T. H. Cormen and others, Introduction to Algorithms, problem 9-2)."""
    ordered = sorted(zip(numbers, weights, strict=True))
    half = math.fsum(weights) / 2
    so_far = 0.0
    for index, (number, weight) in enumerate(ordered):
        so_far += weight
        if math.isclose(so_far, half, rel_tol=1e-12) and index + 1 < len(ordered):
            return (number + ordered[index + 1][0]) / 2
        if so_far > half:
            return number
    return ordered[-1][0]


def huber_location(
    numbers: Sequence[float], weights: Sequence[float], scale: float, k: float
) -> float:
    """The weighted location from which numbers further than k scales pull no harder.

    P. J. Huber, Robust estimation of a location parameter, Annals of Mathematical Statistics 35
    (1964), with the scale held fixed. The pull falls in the location, so it is found by halving.
    """

    def pull(location: float) -> float:
        return math.fsum(
            weight * max(-k, min(k, (number - location) / scale))
            for number, weight in zip(numbers, weights, strict=True)
        )

    low, high = min(numbers), max(numbers)
    while high - low > 1e-9 * max(1.0, abs(high)):
        middle = (low + high) / 2
        if pull(middle) > 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def capped(weights: Sequence[float], cap: float) -> list[float]:
    """Weights that add up to 1, none above `cap`; the excess goes to the others in proportion.

    With too few weights for the cap, all are equal.
    """
    count = len(weights)
    if count * cap <= 1:
        return [1 / count] * count
    shares = [weight / math.fsum(weights) for weight in weights]
    is_capped = [False] * count
    while any(share > cap + 1e-12 for share in shares):
        is_capped = [done or share >= cap for done, share in zip(is_capped, shares, strict=True)]
        free = math.fsum(share for share, done in zip(shares, is_capped, strict=True) if not done)
        left = 1 - cap * sum(is_capped)
        shares = [
            cap if done else share * left / free
            for share, done in zip(shares, is_capped, strict=True)
        ]
    return shares
