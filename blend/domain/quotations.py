"""Quotations of trimmings: what an item was quoted at on a day."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Quotation:
    """One quotation. `pounds_lb` is the weight behind it, None where none is stated."""

    item: str
    species: str
    lean: float
    usd_per_lb: float
    quoted_on: date
    fresh_or_frozen: str = "fresh"
    pounds_lb: float | None = None


def labels_of(quotations: Sequence[Quotation]) -> list[str]:
    """A name for each quotation that no other of them has, as short as that allows: the item,
    with its form, with its species; all of them numbered where even that leaves two alike."""
    levels = (
        [each.item for each in quotations],
        [f"{each.item} {each.fresh_or_frozen}" for each in quotations],
        [f"{each.species} {each.item} {each.fresh_or_frozen}" for each in quotations],
    )
    counts = [Counter(level) for level in levels]
    labels = [
        next(
            (
                level[index]
                for level, count in zip(levels, counts, strict=True)
                if count[level[index]] == 1
            ),
            levels[-1][index],
        )
        for index in range(len(quotations))
    ]
    if len(set(labels)) == len(labels):
        return labels
    return [f"{number} {label}" for number, label in enumerate(levels[-1], start=1)]
