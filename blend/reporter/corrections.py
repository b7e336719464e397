"""Correction notices: what was published and later changed or withdrawn, and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from blend.domain.market import Published
from blend.output.formats import cents, day

LISTED_FOR = timedelta(days=7)
"""A note or weekly report lists corrections of days, or made on days, this far back."""


@dataclass(frozen=True, slots=True)
class Correction:
    """One published quotation that took another's place. `after_usd_per_cwt` None: withdrawn."""

    item_id: str
    market_day: date
    before_usd_per_cwt: float
    after_usd_per_cwt: float | None
    reason: str
    made_at: datetime
    assessor: str

    @property
    def notice(self) -> str:
        """The correction as it is printed."""
        what = f"{self.item_id} for {day(self.market_day)}"
        before = cents(self.before_usd_per_cwt)
        if self.after_usd_per_cwt is None:
            return f"Withdrawn: {what}, published at {before}. Reason: {self.reason}"
        after = cents(self.after_usd_per_cwt)
        return f"Correction: {what} is {after}, not {before}. Reason: {self.reason}"


def corrections_of(published: Iterable[Published]) -> tuple[Correction, ...]:
    """Every change of a published quotation, from all that was ever published, in order."""
    last: dict[tuple[str, date], Published] = {}
    found = []
    for each in published:
        key = each.item_id, each.market_day
        before = last.get(key)
        if before is not None and not before.is_withdrawn:
            after = None if each.is_withdrawn else each.usd_per_cwt
            reason = each.correction_reason or each.override_reason or "not stated"
            made = Correction(
                each.item_id,
                each.market_day,
                before.usd_per_cwt,
                after,
                reason.rstrip(".") + ".",
                each.published_at,
                each.assessor,
            )
            if after != before.usd_per_cwt:
                found.append(made)
        last[key] = each
    return tuple(found)


def recent(found: Iterable[Correction], on: date) -> tuple[Correction, ...]:
    """Corrections to list in what is published for a day."""
    return tuple(
        each
        for each in found
        if any(
            timedelta(0) <= on - of <= LISTED_FOR for of in (each.market_day, each.made_at.date())
        )
    )
