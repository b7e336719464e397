"""Which way a market went, and how demand and offerings stood, in words with a stated meaning.

The words are those of the USDA Market News glossary ("price trend", "demand", "supply",
"market activity"); it gives no numbers for "measurably", "good" or "heavy", so that the numbers
in the method are house rules. A trend is of companies reporting both days, as a change of
who reports looks like a change of price. Demand is never read off prices: it comes from how many
firms bid, offerings from how many offer.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from statistics import fmean, median
from typing import NamedTuple

from blend.domain.market import CanvassEntry, EntryKind, Item
from blend.domain.method import Method
from blend.reporter.evidence import Evidence, by_firm, firm_price, on_terms_of, used


class Trend(StrEnum):
    HIGHER = "higher"
    FIRM = "firm"
    STEADY = "steady"
    WEAK = "weak"
    LOWER = "lower"
    UNCLEAR = "no clear trend"
    TOO_FEW = "too few trades"
    """Too few today, or too few companies reporting both days for the test to show anything."""
    NO_DAY = "no earlier day"


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


class SignFlip(NamedTuple):
    """An exact test, and the smallest p that any outcome of so few could have had."""

    p: float
    smallest_p: float


@dataclass(frozen=True, slots=True)
class PriceTrend:
    """A trend and what it rests on. Changes in USD per cwt; None where nothing was compared.

    `steady_p` is the larger p of the two one-sided tests that the change lies within the
    measurable; `share_up` and `share_down` are of the firms compared that moved measurably.
    """

    word: Trend
    day: date
    compared_with: date | None = None
    firms: int = 0
    change_usd_per_cwt: float | None = None
    measurable_usd_per_cwt: float = 0.0
    moved: SignFlip | None = None
    steady_p: float | None = None
    share_up: float = 0.0
    share_down: float = 0.0

    @property
    def is_tested(self) -> bool:
        """Whether enough companies reported both days."""
        return self.steady_p is not None


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


def tone_of(
    item: Item,
    day: date,
    entries: Iterable[CanvassEntry],
    method: Method,
    market_days: Iterable[date],
) -> Tone:
    """The tone of an item's market on a day, from its entries of this day and earlier ones.

    `market_days` are the days on which anybody was canvassed at all: one without an entry of the
    item counts as a day of none.
    """
    by_day = _by_day(each for each in entries if each.item_id == item.item_id)
    return Tone(
        item, _trend(item, day, by_day, method), _standings(day, by_day, method, market_days)
    )


def standings_of(
    day: date, entries: Iterable[CanvassEntry], method: Method, market_days: Iterable[date]
) -> Standings:
    """How demand, offerings and activity stood, of one item or of several together.

    Prices of the entries are never looked at.
    """
    return _standings(day, _by_day(entries), method, market_days)


def _standings(
    day: date,
    by_day: Mapping[date, Sequence[CanvassEntry]],
    method: Method,
    market_days: Iterable[date],
) -> Standings:
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


# The trend --------------------------------------------------------------------------------------


def _trend(
    item: Item, day: date, by_day: Mapping[date, Sequence[CanvassEntry]], method: Method
) -> PriceTrend:
    measurable = method.measurable_ticks * item.tick_usd_per_cwt
    today = on_terms_of(item, by_day.get(day, ()), method)
    if not has_volume(today, method):
        return PriceTrend(Trend.TOO_FEW, day, measurable_usd_per_cwt=measurable)
    for before in range(1, method.compare_within_days + 1):
        earlier = day - timedelta(days=before)
        then = on_terms_of(item, by_day.get(earlier, ()), method)
        if has_volume(then, method):
            return trend_of(changes_by_firm(then, today), day, earlier, measurable, method)
    return PriceTrend(Trend.NO_DAY, day, measurable_usd_per_cwt=measurable)


def has_volume(evidence: Sequence[Evidence], method: Method) -> bool:
    """Whether enough was traded for the day to be compared with another."""
    trades = used(evidence, EntryKind.TRADE)
    pounds = math.fsum(each.pounds_lb for each in trades)
    return len(trades) >= method.min_trades and pounds >= method.min_pounds_lb


def changes_by_firm(then: Iterable[Evidence], now: Iterable[Evidence]) -> dict[str, float]:
    """For each company reporting both days, how its price moved: of its trades where it has
    some on both days, else of its bids, its offers or its talk. Like is compared with like."""
    before, after = by_firm(used(then)), by_firm(used(now))
    changes = {}
    for firm in sorted(before.keys() & after.keys()):
        for kind in EntryKind:
            old, new = used(before[firm], kind), used(after[firm], kind)
            if old and new:
                changes[firm] = firm_price(new) - firm_price(old)
                break
    return changes


def trend_of(
    changes: Mapping[str, float],
    day: date,
    compared_with: date,
    measurable_usd_per_cwt: float,
    method: Method,
) -> PriceTrend:
    """The word for a move, by the house rule:

    - higher: the test shows a move, it is measurable, and a majority of companies moved
      up measurably (the glossary's "majority of sales");
    - firm: the test shows a move, but not measurable or not of the majority ("tending higher, but
      not measurably so");
    - steady: shown to lie within the measurable both ways (two one-sided tests; D. J.
      Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15, 1987); not having seen a
      move is not enough;
    - weak and lower: as firm and higher, the other way;
    - else no clear trend, and too few trades where no outcome could have shown one.
    """
    amounts = list(changes.values())
    count = len(amounts)
    compared = PriceTrend(
        Trend.TOO_FEW, day, compared_with, count, measurable_usd_per_cwt=measurable_usd_per_cwt
    )
    if 2 / 2**count > method.tone_level:
        if not amounts:
            return compared
        return replace(compared, change_usd_per_cwt=fmean(amounts), moved=sign_flip(amounts))
    change = fmean(amounts)
    moved, steady_p = sign_flip(amounts), equivalence_p(amounts, measurable_usd_per_cwt)
    up = sum(amount >= measurable_usd_per_cwt for amount in amounts) / count
    down = sum(amount <= -measurable_usd_per_cwt for amount in amounts) / count
    if moved.p <= method.tone_level:
        is_measurable = abs(change) >= measurable_usd_per_cwt
        is_majority = (up if change > 0 else down) > method.majority_share
        if is_measurable and is_majority:
            word = Trend.HIGHER if change > 0 else Trend.LOWER
        else:
            word = Trend.FIRM if change > 0 else Trend.WEAK
    elif steady_p <= method.tone_level / 2:
        word = Trend.STEADY
    else:
        word = Trend.UNCLEAR
    return replace(
        compared,
        word=word,
        change_usd_per_cwt=change,
        moved=moved,
        steady_p=steady_p,
        share_up=up,
        share_down=down,
    )


# Exact tests ------------------------------------------------------------------------------------

_CENTS_PER_USD = 100
_MAX_STEPS = 2**18


def sign_flip(changes: Sequence[float]) -> SignFlip:
    """Two-sided p of the sum of changes if each could as well have had the other sign.

    R. A. Fisher, The Design of Experiments (1935), section 21; all signs are counted, changes to
    the cent. Changes of nothing cannot flip, so that they raise the smallest p there can be.
    """
    cents = _in_cents(changes)
    return SignFlip(
        _share_as_far(cents, abs(sum(cents))), _share_as_far(cents, sum(map(abs, cents)))
    )


def equivalence_p(changes: Sequence[float], within: float) -> float:
    """The larger p of the tests that the change is above -within and that it is below +within."""
    return max(
        _p_above_nothing([change + within for change in changes]),
        _p_above_nothing([within - change for change in changes]),
    )


def _p_above_nothing(changes: Sequence[float]) -> float:
    cents = _in_cents(changes)
    return _ways_to_reach(sum(cents), cents) / 2 ** len(cents)


def _share_as_far(cents: Sequence[int], distance: int) -> float:
    """Share of all signs whose sum lies that far from zero, or farther, on either side."""
    if distance == 0:
        return 1.0
    # turning every sign round turns the sum round: both sides hold as many
    return 2 * _ways_to_reach(distance, cents) / 2 ** len(cents)


def _in_cents(changes: Sequence[float]) -> list[int]:
    """Changes in whole cents; in coarser steps where they add up to more than `_MAX_STEPS` cents,
    as prices mistyped a thousandfold do, so that counting ends."""
    cents = [round(change * _CENTS_PER_USD) for change in changes]
    step = max(1, sum(map(abs, cents)) // _MAX_STEPS)
    return [round(each / step) for each in cents]


def _ways_to_reach(minimum: int, cents: Sequence[int]) -> int:
    """In how many ways of choosing signs the sum of amounts is at least so much.

    With every amount counted up the sum is largest; turning some down takes twice those away. So
    it is asked how many choices of amounts come to half of what there is to spare, or less: the
    coefficients up to there of the product of all 1 + x**amount. They stand side by side in one
    integer, each in more bits than their total has, so that multiplying is shifting and adding,
    and their total is what is left by 2**bits - 1, as that of decimal digits is by nine.
    """
    amounts = [abs(each) for each in cents]
    spare = (sum(amounts) - minimum) // 2
    bits = len(amounts) + 2
    up_to_spare = (1 << bits * (spare + 1)) - 1
    ways = 1
    for amount in amounts:
        ways = (ways + (ways << bits * amount)) & up_to_spare
    return ways % ((1 << bits) - 1)
