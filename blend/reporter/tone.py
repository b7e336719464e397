"""How demand, offerings and activity stood on a day, in words with a stated meaning.

The words are those of the USDA Market News glossary ("demand", "supply", "market activity"); it
gives no numbers for "good" or "heavy", so that the numbers in the method are house rules. Demand is
never read off prices: it comes from how many companies bid, offerings from how many offer.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median

from blend.domain.market import CanvassEntry, EntryKind, Item
from blend.domain.method import Method
from blend.reporter.trend import PriceTrend, Trend

DEMAND_WORDS = ("very light", "light", "moderate", "good", "very good")
OFFERINGS_WORDS = ("light", "moderate", "heavy")
ACTIVITY_WORDS = ("inactive", "slow", "moderate", "active")

_GLOSSARY = "USDA AMS Market News glossary"
_OURS = "own word"

SOURCES: Mapping[str, str] = {
    **dict.fromkeys(("higher", "firm", "steady", "weak", "lower"), f"{_GLOSSARY}, price trend"),
    **dict.fromkeys(("very light", "good", "very good"), f"{_GLOSSARY}, demand"),
    "light": f"{_GLOSSARY}, demand and supply",
    "moderate": f"{_GLOSSARY}, demand, supply and market activity",
    "heavy": f"{_GLOSSARY}, supply",
    **dict.fromkeys(("inactive", "slow", "active"), f"{_GLOSSARY}, market activity"),
    **dict.fromkeys((Trend.UNCLEAR, Trend.TOO_FEW, Trend.NO_DAY), _OURS),
}
"""Where each word is from."""


@dataclass(frozen=True, slots=True)
class Standing:
    """A count today and the usual one: the median of the days before. `word` None: no normal."""

    word: str | None
    count: int
    normal: float | None
    days: int


@dataclass(frozen=True, slots=True)
class Standings:
    """Demand from firms bidding, offerings from firms offering, activity from trades."""

    demand: Standing
    offerings: Standing
    activity: Standing


@dataclass(frozen=True, slots=True)
class Tone:
    item: Item
    trend: PriceTrend
    standings: Standings


def standings_of(
    day: date, entries: Iterable[CanvassEntry], method: Method, market_days: Iterable[date]
) -> Standings:
    """How demand, offerings and activity stood, of one item or of several together.

    Prices of the entries are never looked at.
    """
    by_day = _by_day(entries)
    earlier = sorted({each for each in market_days if each < day})[-method.normal_days :]

    def standing(count: Count, words: Sequence[str], cuts: Sequence[float]) -> Standing:
        normal = [count(by_day.get(each, ())) for each in earlier]
        return _standing(count(by_day.get(day, ())), normal, words, cuts, method)

    return Standings(
        standing(_bidding, DEMAND_WORDS, method.demand_cuts),
        standing(_offering, OFFERINGS_WORDS, method.offerings_cuts),
        standing(_trades, ACTIVITY_WORDS, method.activity_cuts),
    )


def _by_day(entries: Iterable[CanvassEntry]) -> dict[date, list[CanvassEntry]]:
    by_day: dict[date, list[CanvassEntry]] = defaultdict(list)
    for entry in entries:
        by_day[entry.market_day].append(entry)
    return by_day


# Counts, which know nothing of prices -----------------------------------------------------------

Count = Callable[[Iterable[CanvassEntry]], int]


def _bidding(entries: Iterable[CanvassEntry]) -> int:
    return _firms_that(EntryKind.BID, entries)


def _offering(entries: Iterable[CanvassEntry]) -> int:
    return _firms_that(EntryKind.OFFER, entries)


def _firms_that(kind: EntryKind, entries: Iterable[CanvassEntry]) -> int:
    """Firms that firmly did so; one that did so for two items counts twice."""
    return len(
        {(each.item_id, each.firm) for each in entries if each.kind is kind and each.is_firm}
    )


def _trades(entries: Iterable[CanvassEntry]) -> int:
    return sum(each.kind is EntryKind.TRADE for each in entries)


def _standing(
    count: int, normal: Sequence[int], words: Sequence[str], cuts: Sequence[float], method: Method
) -> Standing:
    usual = median(normal) if normal else None
    few_days = len(normal) < method.normal_min_days
    if usual is None or few_days or usual < method.normal_min_count:
        return Standing(None, count, usual, len(normal))
    return Standing(words[bisect_right(cuts, count / usual)], count, usual, len(normal))
