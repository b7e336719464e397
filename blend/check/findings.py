"""What a certificate is found to show, and how near two figures of one cost must be.

Where the answer changes at a price, that price may be off by `NEAR_USD_PER_LB` (0.0001 $/cwt, the
last figure shown), so a cost by that times the pounds that depend on it. Next to it is what
adding up a cost in floats loses: `NEAR_COST_SHARE` of it and `MIN_USD`.
"""

from __future__ import annotations

from fractions import Fraction

from blend.domain.certificates import Certified

NEAR_USD_PER_LB = Fraction(1, 10**6)
NEAR_COST_SHARE = Fraction(1, 10**10)
MIN_USD = Fraction(1, 100_000)
NEAR_POUNDS_SHARE = Fraction(1, 10**8)
NEAR_POUNDS = Fraction(1, 10_000)


class Findings:
    """Faults of one answer, and the largest gap between a reported cost and a certified one."""

    def __init__(self) -> None:
        self.faults: list[str] = []
        self.gap_usd = Fraction(0)

    def fault(self, is_one: bool, text: str) -> None:
        if is_one:
            self.faults.append(text)

    def meet(self, reported: Fraction, found: Fraction, pounds: Fraction, text: str) -> None:
        """Two figures of one cost must be equal, within a tolerance for `pounds` at a price."""
        self.gap_usd = max(self.gap_usd, abs(reported - found))
        allowed = near_usd(reported) + NEAR_USD_PER_LB * pounds
        self.fault(abs(reported - found) > allowed, text)

    def same_pounds(self, reported: Fraction, found: Fraction, text: str) -> None:
        allowed = NEAR_POUNDS + NEAR_POUNDS_SHARE * reported
        self.fault(abs(reported - found) > allowed, text)

    def certified(self, count: int) -> Certified:
        return Certified(count, float(self.gap_usd), tuple(self.faults))


def near_usd(cost: Fraction) -> Fraction:
    """How far two figures of one cost may lie apart."""
    return MIN_USD + NEAR_COST_SHARE * abs(cost)
