"""What a pound of lean is worth: as given, or the slope of today's prices."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from blend.domain.case import Case


@dataclass(frozen=True, slots=True)
class PriceLine:
    """The straight line through today's delivered prices over lean, of one species."""

    usd_per_lean_lb: float
    """Its slope: what a pound of all-lean meat costs over a pound of all-fat meat."""
    species: str
    lots: int


@dataclass(frozen=True, slots=True)
class LeanValue:
    """USD per pound of lean, None where neither given nor set by today's prices, and its source."""

    usd_per_lean_lb: float | None
    words: str


def lean_value(case: Case, given: float | None = None) -> LeanValue:
    """The value given, else the slope of today's prices."""
    if given is not None:
        return LeanValue(given, f"${given:.2f}/lb of lean, as given")
    line = price_line(case)
    if line is None:
        return LeanValue(None, "a value of lean that today's prices leave open (--lean-value)")
    usd = line.usd_per_lean_lb
    source = f"the slope of today's {line.lots} {line.species} prices"
    return LeanValue(usd, f"${usd:.2f}/lb of lean, {source}")


def price_line(case: Case) -> PriceLine | None:
    """The least-squares line through the usable lots of the species with most of them; None
    where there are fewer than three lots or only one lean.

    Every lot counts alike. A plan's own shadow price of a lean point is better where there is one.
    """
    usable = case.usable_lots()
    if not usable:
        return None
    counts = Counter(lot.species for lot in usable)
    species = min(counts, key=lambda each: (-counts[each], each))
    lots = [lot for lot in usable if lot.species == species]
    if len(lots) < 3 or len({lot.lean for lot in lots}) < 2:
        return None
    from statistics import linear_regression

    line = linear_regression([lot.lean for lot in lots], [lot.cost_usd_per_lb for lot in lots])
    return PriceLine(line.slope, species, len(lots))
