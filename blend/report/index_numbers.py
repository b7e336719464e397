"""Price index numbers: how prices of a basket moved between two periods.

Consumer Price Index Manual (ILO, IMF, OECD, UN, Eurostat, World Bank, 2004), chapters 15, 16
and 19. Each function takes prices and quantities of the base and of the other period.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

Numbers = Sequence[float]


def laspeyres(p0: Numbers, q0: Numbers, p1: Numbers) -> float:
    """The base period's basket at the other period's prices, over its own."""
    return _cost(p1, q0) / _cost(p0, q0)


def paasche(p0: Numbers, p1: Numbers, q1: Numbers) -> float:
    """The other period's basket at its own prices, over that at the base period's."""
    return _cost(p1, q1) / _cost(p0, q1)


def fisher(p0: Numbers, q0: Numbers, p1: Numbers, q1: Numbers) -> float:
    """The geometric mean of Laspeyres and Paasche."""
    return math.sqrt(laspeyres(p0, q0, p1) * paasche(p0, p1, q1))


def tornqvist(p0: Numbers, q0: Numbers, p1: Numbers, q1: Numbers) -> float:
    """Price ratios weighted by the mean share of money spent; all must be above zero."""
    shares0 = [p * q / _cost(p0, q0) for p, q in zip(p0, q0, strict=True)]
    shares1 = [p * q / _cost(p1, q1) for p, q in zip(p1, q1, strict=True)]
    terms = (
        (s0 + s1) / 2 * math.log(after / before)
        for s0, s1, before, after in zip(shares0, shares1, p0, p1, strict=True)
    )
    return math.exp(math.fsum(terms))


def _cost(prices: Numbers, quantities: Numbers) -> float:
    return math.fsum(p * q for p, q in zip(prices, quantities, strict=True))
