"""Whether a quotation can be shown without showing a company.

The 3/70/20 guideline of USDA Market News (glossary; AMS notice of August 2001): over the latest
60 days at least three firms report at least half of the time, none gives 70% or more of
the data, and none is the only one on more than a fifth of the days. It is a guideline for
mandatory reports in the United States; who reports elsewhere is under other law and their own word.
The first part can be read as "three firms, each of them on half of the days" or as "on half of
the days, three firms"; here it is the first.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from blend.domain.market import CanvassEntry, EntryKind
from blend.domain.method import Method


@dataclass(frozen=True, slots=True)
class Confidentiality:
    """What the guideline asks, as found over the days looked back on."""

    days: int
    """Days with any entry of the item."""
    firms_often: int
    """Firms that reported often enough."""
    largest_share: float
    """Of one firm: of the pounds traded or of the entries, whichever is more."""
    sole_share: float
    """Most that one firm was the only one, of the days."""
    failed: tuple[str, ...]
    """Which of firms, largest and sole speak against showing it."""

    @property
    def may_be_shown(self) -> bool:
        return not self.failed


def confidentiality(
    item_id: str, day: date, entries: Iterable[CanvassEntry], method: Method
) -> Confidentiality:
    """Hold an item's entries of the days up to `day` against the guideline."""
    first = day - timedelta(days=method.confidential_days - 1)
    firms_by_day: dict[date, set[str]] = defaultdict(set)
    entries_by_firm: Counter[str] = Counter()
    pounds_by_firm: dict[str, float] = defaultdict(float)
    for entry in entries:
        if entry.item_id != item_id or not first <= entry.market_day <= day:
            continue
        firm = entry.firm
        firms_by_day[entry.market_day].add(firm)
        entries_by_firm[firm] += 1
        if entry.kind is EntryKind.TRADE:
            pounds_by_firm[firm] += entry.pounds_lb or 0.0
    days = len(firms_by_day)
    reported = Counter(firm for firms in firms_by_day.values() for firm in firms)
    alone = Counter(firm for firms in firms_by_day.values() if len(firms) == 1 for firm in firms)
    often = sum(count >= method.confidential_time_share * days for count in reported.values())
    largest = max(_largest(entries_by_firm), _largest(pounds_by_firm))
    sole = max(alone.values(), default=0) / days if days else 0.0
    failed = {
        "firms": often < method.confidential_firms,
        "largest": largest >= method.confidential_max_share,
        "sole": sole > method.confidential_sole_share,
    }
    return Confidentiality(
        days, often, largest, sole, tuple(name for name, has_failed in failed.items() if has_failed)
    )


def _largest(amounts: Mapping[str, float]) -> float:
    total = math.fsum(amounts.values())
    return max(amounts.values()) / total if total else 0.0
