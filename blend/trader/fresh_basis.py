"""What fresh meat an import is compared with: the sheet's own, else the latest quotations."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from blend.domain.imports import ForeignOffer
from blend.domain.quotations import Quotation
from blend.errors import InputRefused, refusal
from blend.trader.lean_fat import DayValue, value_days


@dataclass(frozen=True, slots=True)
class FreshBasis:
    """Where the fresh price of an offer is from; `item` is empty where the sheet gives it."""

    offer_id: str
    quoted_on: date
    item: str
    has_point: bool
    """Whether the value of a lean point is from that day's line."""


def with_fresh(
    offer: ForeignOffer, quotations: Sequence[Quotation]
) -> tuple[ForeignOffer, FreshBasis | None]:
    """The offer with blank cells filled: the fresh beef item nearest in lean on the day last
    quoted, and a lean point of that day's line. What the sheet gives stays.

    Raises InputRefused where there is nothing to fill a blank from.
    """
    needs_fresh = math.isnan(offer.fresh_usd_per_lb) or math.isnan(offer.fresh_lean)
    needs_point = math.isnan(offer.point_usd_per_lb)
    if not needs_fresh and not needs_point:
        return offer, None
    if math.isnan(offer.fresh_usd_per_lb) != math.isnan(offer.fresh_lean):
        raise _refused(offer, "fresh_lean", "one of fresh_usd_per_cwt and fresh_lean is blank",
                       "Enter both, or neither.")  # fmt: skip
    day = _last_day(quotations)
    if day is None:
        column = "fresh_usd_per_cwt" if needs_fresh else "point_usd_per_cwt"
        raise _refused(offer, column, f"{offer.offer_id}: blank, and no quotations next to it",
                       "Enter it, or quotations of two fresh items or more.")  # fmt: skip
    item = ""
    if needs_fresh:
        fresh = [each.quotation for each in day.items if each.quotation.fresh_or_frozen == "fresh"]
        nearest = min(fresh, key=lambda each: abs(each.lean - offer.lean))
        offer = replace(offer, fresh_usd_per_lb=nearest.usd_per_lb, fresh_lean=nearest.lean)
        item = nearest.item
    if needs_point:
        offer = replace(offer, point_usd_per_lb=day.fitted.point_usd_per_lb)
    return offer, FreshBasis(offer.offer_id, day.quoted_on, item, needs_point)


def _last_day(quotations: Sequence[Quotation]) -> DayValue | None:
    days = value_days([each for each in quotations if each.species == "beef"])
    return days[-1] if days else None


def _refused(offer: ForeignOffer, column: str, value: str, hint: str) -> InputRefused:
    return refusal("foreign_offers", column, value, "", hint)
