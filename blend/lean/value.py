"""What a pound of lean is worth, read off today's prices."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from blend.domain.case import Case


@dataclass(frozen=True, slots=True)
class PriceLine:
    """The straight line through today's delivered prices over lean, of one species."""

    usd_per_lean_lb: float
    """Its slope: what a pound of meat costs more when it is all lean instead of all fat."""
    species: str
    lots: int


def price_line(case: Case) -> PriceLine | None:
    """The least-squares line through the usable lots of the species with most of them; None
    where fewer than three lots or only one lean leave it open.

    Every lot counts alike, and lean is as the case has it. A plan's own worth of a lean point
    is the better value where there is one.
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

    line = linear_regression([lot.lean for lot in lots], [lot.delivered_usd_per_lb for lot in lots])
    return PriceLine(line.slope, species, len(lots))
