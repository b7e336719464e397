"""Certificates: the pounds and dual prices with which an answer can be checked without the solver.

The pounds of a feasible plan bound the least cost from above, dual prices bound it from below;
where the two meet, the plan is optimal. `blend.check` checks both against the tables.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from blend.domain.case import Case
from blend.domain.clearing import Clearing, DemandCurve
from blend.domain.prices import DualPrices
from blend.domain.uncertainty import Sides
from blend.errors import SolverTrouble

_MAX_FAULTS = 8
"""Listed in the message of a certificate that fails; the others are counted."""


@dataclass(frozen=True, slots=True)
class Certified:
    """What checking a certificate against the tables shows of an answer."""

    count: int
    """Steps, regions, cases, items or batches that were checked."""
    gap_usd: float
    """The most that a true least cost can differ from the one reported; infinite if unknown."""
    faults: tuple[str, ...]
    """What is wrong, in words of the tables; empty when the answer is right."""

    @property
    def is_valid(self) -> bool:
        return not self.faults

    def must_be_valid(self, answer: str) -> None:
        """Raise SolverTrouble, with the faults, where the certificate of the answer fails."""
        if self.is_valid:
            return
        hidden = len(self.faults) - _MAX_FAULTS
        lines = [
            f"The certificate of the {answer} fails; nothing is shown:",
            *(f"  - {fault}" for fault in self.faults[:_MAX_FAULTS]),
            *([f"  and {hidden} more"] if hidden > 0 else []),
            "This is a defect of the program or of its solver: please report it with the tables.",
        ]
        raise SolverTrouble("\n".join(lines))


@dataclass(frozen=True, slots=True)
class PlanPounds:
    """A plan of the LP relaxation: containers, counts and batches can be split."""

    take_lb: Mapping[str, float]
    """By lot."""
    use_lb: Mapping[tuple[str, str], float]
    """By lot and product, as weighed before losses."""
    short_lb: Mapping[str, float] = field(default_factory=dict)
    """By product, finished."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """An optimum: its pounds, and the dual prices by which no plan costs less."""

    pounds: PlanPounds
    prices: DualPrices


# Curves ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DemandStep:
    """Prices between which the plan takes the same pounds."""

    min_usd_per_lb: float
    max_usd_per_lb: float
    """Infinite where the plan takes these pounds at any price."""
    pounds_lb: float
    rest_usd: float
    """Cost of the plan without what these pounds of the lot cost."""


@dataclass(frozen=True, slots=True)
class SupplyStep:
    """Pounds on offer between which each further pound saves the same."""

    min_lb: float
    max_lb: float
    """Infinite on the last step where no limit was asked for."""
    next_lb_saves_usd: float
    """What one pound more saves after paying for it; 0 where no more would be taken."""
    usd_at_least: float
    """Cost of the plan at the step's least pounds."""


@dataclass(frozen=True, slots=True)
class CurveCertificate:
    """An optimum for each step of a curve and for each end of a step."""

    steps: tuple[Certificate, ...]
    ends: tuple[Certificate, ...]
    """One more than steps; where the last end is infinite, that of the last step again."""
    fewest: DualPrices | None = None
    """Prices at which no plan takes fewer pounds of the lot than the curve says; None where
    that is zero."""


@dataclass(frozen=True, slots=True)
class Region:
    """Prices of two lots at which the plan takes the same pounds of both: a convex polygon."""

    pounds_lb: tuple[float, float]
    rest_usd: float
    """Cost of the plan without what these pounds of the two lots cost."""
    corners_usd_per_lb: tuple[tuple[float, float], ...]
    """Delivered prices (of the first lot, of the second), counter-clockwise."""

    @property
    def area(self) -> float:
        """Of the polygon, USD² per lb²."""
        corners = self.corners_usd_per_lb
        sides = zip(corners, corners[1:] + corners[:1], strict=True)
        return sum(x1 * y2 - y1 * x2 for (x1, y1), (x2, y2) in sides) / 2


@dataclass(frozen=True, slots=True)
class RegionCertificate:
    """A plan that uses the pounds of a region, and dual prices for each of its corners."""

    pounds: PlanPounds
    corners: tuple[DualPrices, ...]


# Attributions ------------------------------------------------------------------------------------


NEXT_POUND = " (next pound)"
"""After the id of the lot whose meat it is."""


@dataclass(frozen=True, slots=True)
class Shares:
    """A change split among drivers, as reported: every number of `Explained`."""

    before: float
    after: float
    parts: Mapping[str, float]
    put_back: Mapping[str, float]
    """By driver: the value after, had it alone stayed as it was."""


@dataclass(frozen=True, slots=True)
class Between:
    """One case between two cases, and the values found for it."""

    case: Case
    optimum: Certificate
    cost_usd: float
    next: Certificate
    """With one pound more of the item's meat, at no price, as lot `NEXT_POUND`."""
    next_usd_per_lb: float
    last: Certificate | None
    """With one pound less; None where the last pound has the value of the next."""
    last_usd_per_lb: float


@dataclass(frozen=True, slots=True)
class ClearedBetween:
    """One market between two markets, as the clearing takes it, and where it clears."""

    case: Case
    curves: tuple[DemandCurve, ...]
    adjustment_usd_per_lb: Mapping[str, float]
    clearing: Clearing


# Chance constraints ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ConfidencePrice:
    """The price of one side of a chance constraint, and the blend that gives its direction."""

    product_id: str
    side: Sides
    usd_per_lb: float
    """Saved by a pound of lean that the blend may lack."""
    pounds_lb: Mapping[str, float]
    """Of each lot, of the whole product."""


@dataclass(frozen=True, slots=True)
class ChanceCertificate:
    """Dual prices of the program with chance constraints."""

    prices: DualPrices
    chance_constraints: tuple[ConfidencePrice, ...]
