"""Quotations of trimmings: what an item was quoted at on a day."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from blend.domain import columns as col
from blend.domain.columns import LEAN, SPECIES, record
from blend.domain.lots import FORMS


@record("quotations", "Quotations of trimmings, one item and day a row.", required=True)
@dataclass(frozen=True, slots=True)
class Quotation:
    """One quotation. `pounds_lb` is the weight behind it, None where none is stated."""

    item: str = col.word("what the trade calls it, such as 90s")
    species: str = col.choice("the animal it is from", SPECIES)
    lean: float = col.share("chemical lean it is quoted at", unit=LEAN, minimum=0.01)
    usd_per_lb: float = col.price("as quoted")
    quoted_on: date = col.day("day of the quotation")
    fresh_or_frozen: str = col.choice("fresh (chilled) or frozen", FORMS, default="fresh")
    pounds_lb: float | None = col.pounds(
        "weight behind the quotation", minimum=1, blank="not stated"
    )


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
