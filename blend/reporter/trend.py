"""Which way an item's price went since it was last heard: a word, the change and its error.

One model of all items of a species over several market days. The price level of item i on day t
moves by what the whole market does, by what lean does, and by what the item does alone:

    level(i, t) = level(i, t-1) + market(t) + lean(t) x lean points of i + own(i, t)

A company's trades of a day lie off the level by what the company usually does on that item and by
chance. A firm bid says only that the price is no lower, a firm offer that it is no higher (plus
chance). Moves and chance have the heavy tails of a t distribution, so that one odd entry pulls
little and one large move is not smoothed away. All spreads are found from these days, by EM (A. P.
Dempster, N. M. Laird and D. B. Rubin, JRSS B 39, 1977; t weights after K. L. Lange and others, JASA
84, 1989); none is taken for less than the method's `trend_usual_ticks`.

The words are those of the USDA Market News glossary, which gives no number for "measurably": the
numbers in the method are house rules. How often a word is false in flat markets, and how often a
move is seen, is simulated by `python -m tests.bench trends`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from statistics import NormalDist
from typing import TYPE_CHECKING

from blend.domain.market import CanvassEntry, EntryKind, Item
from blend.domain.method import Method
from blend.reporter.evidence import Evidence, Use, by_firm, firm_price, on_terms_of, used

if TYPE_CHECKING:
    from numpy import ndarray


class Trend(StrEnum):
    HIGHER = "higher"
    FIRM = "firm"
    STEADY = "steady"
    WEAK = "weak"
    LOWER = "lower"
    UNCLEAR = "no clear trend"
    TOO_FEW = "too few trades"
    """Nothing traded today, or too few companies."""
    NO_DAY = "no earlier day"


@dataclass(frozen=True, slots=True)
class PriceTrend:
    """A trend and what it rests on, in USD per cwt; None where nothing was compared."""

    word: Trend
    day: date
    measurable_usd_per_cwt: float
    firms: int = 0
    """Companies heard today."""
    compared_with: date | None = None
    """The last day before on which the item traded."""
    change_usd_per_cwt: float | None = None
    error_usd_per_cwt: float | None = None
    """Standard error of the change, by the model."""

    @property
    def is_tested(self) -> bool:
        return self.error_usd_per_cwt is not None

    def chance_above(self, usd_per_cwt: float) -> float | None:
        """By the model, the chance that the price rose by more than this."""
        if self.change_usd_per_cwt is None or self.error_usd_per_cwt is None:
            return None
        return NormalDist(self.change_usd_per_cwt, self.error_usd_per_cwt).cdf(
            2 * self.change_usd_per_cwt - usd_per_cwt
        )

    @property
    def chance_steady(self) -> float | None:
        """By the model, the chance that it moved by less than is measurable either way."""
        low, high = (self.chance_above(side * self.measurable_usd_per_cwt) for side in (-1, 1))
        return None if low is None or high is None else low - high


def trends_of(
    items: Iterable[Item],
    day: date,
    entries: Mapping[str, Sequence[CanvassEntry]],
    method: Method,
    market_days: Iterable[date],
) -> dict[str, PriceTrend]:
    """The trend of every item on a day, from entries by item of this day and earlier ones."""
    earlier = sorted({each for each in market_days if each < day})
    days = [*earlier[1 - method.trend_days :], day]
    found: dict[str, PriceTrend] = {}
    by_species: dict[str, list[_Heard]] = {}
    for item in items:
        heard = _Heard.of(item, days, entries.get(item.item_id, ()), method)
        too_few = heard.without_comparison(day, method)
        if too_few is None:
            by_species.setdefault(item.species, []).append(heard)
        else:
            found[item.item_id] = too_few
    for group in by_species.values():
        found |= _compared(group, days, method)
    return found


@dataclass(frozen=True, slots=True)
class _Heard:
    """What was heard of one item, by day: the trades' price of each company that traded, else the
    best of its firm bids and offers."""

    item: Item
    measurable_usd_per_cwt: float
    by_day: Mapping[date, Mapping[str, tuple[EntryKind, float]]]

    @classmethod
    def of(
        cls, item: Item, days: Sequence[date], entries: Iterable[CanvassEntry], method: Method
    ) -> _Heard:
        own: dict[date, list[CanvassEntry]] = {each: [] for each in days}
        for entry in entries:
            if entry.market_day in own:
                own[entry.market_day].append(entry)
        return cls(
            item,
            method.measurable_ticks * item.tick_usd_per_cwt,
            {each: _by_company(on_terms_of(item, heard, method)) for each, heard in own.items()},
        )

    def traded(self, day: date) -> bool:
        return any(kind is EntryKind.TRADE for kind, _ in self.by_day[day].values())

    def last_before(self, day: date, method: Method) -> date | None:
        """The last day on which it traded, of those near enough to compare with."""
        earlier = [
            each
            for each in self.by_day
            if each < day and (day - each).days <= method.compare_within_days and self.traded(each)
        ]
        return max(earlier, default=None)

    def without_comparison(self, day: date, method: Method) -> PriceTrend | None:
        firms = len(self.by_day[day])
        if not self.traded(day) or firms < method.min_firms_if_thin:
            return PriceTrend(Trend.TOO_FEW, day, self.measurable_usd_per_cwt, firms)
        if self.last_before(day, method) is None:
            return PriceTrend(Trend.NO_DAY, day, self.measurable_usd_per_cwt, firms)
        return None


def _by_company(evidence: Sequence[Evidence]) -> dict[str, tuple[EntryKind, float]]:
    """Outliers stay in: the tails of the model bear them, and a company that always stands apart
    would else be left out on the days that others report."""
    heard = [replace(e, use=Use.USED) if e.use is Use.OUTLIER else e for e in evidence]
    found = {}
    for firm, own in by_firm(used(heard)).items():
        if trades := used(own, EntryKind.TRADE):
            found[firm] = EntryKind.TRADE, firm_price(trades)
        elif bids := used(own, EntryKind.BID):
            found[firm] = EntryKind.BID, max(each.usd_per_cwt for each in bids)
        elif offers := used(own, EntryKind.OFFER):
            found[firm] = EntryKind.OFFER, min(each.usd_per_cwt for each in offers)
    return found


def _compared(
    group: Sequence[_Heard], days: Sequence[date], method: Method
) -> dict[str, PriceTrend]:
    levels = _Levels(group, days, method)
    found = {}
    for index, heard in enumerate(group):
        earlier = heard.last_before(days[-1], method)
        assert earlier is not None, "an item without one is not compared"
        change, error = levels.change(index, days.index(earlier))
        word = word_of(change, error, heard.measurable_usd_per_cwt, method)
        found[heard.item.item_id] = PriceTrend(
            word,
            days[-1],
            heard.measurable_usd_per_cwt,
            len(heard.by_day[days[-1]]),
            earlier,
            change,
            error,
        )
    return found


def word_of(change: float, error: float, measurable_usd_per_cwt: float, method: Method) -> Trend:
    """The word for a move, by the house rule:

    - higher: the move is beyond its error, and measurable; half of the sales or more then moved
      up measurably (the glossary's "majority of sales"), as the level is the middle of them;
    - firm: beyond its error, but not measurable ("tending higher, but not measurably so");
    - steady: less than measurable both ways, beyond doubt (two one-sided tests; D. J.
      Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15, 1987); not having seen a
      move is not enough;
    - weak and lower: as firm and higher, the other way; else no clear trend.
    """
    room = NormalDist().inv_cdf(1 - method.tone_level / 2) * error
    if abs(change) > room:
        is_measurable = abs(change) >= measurable_usd_per_cwt
        if change > 0:
            return Trend.HIGHER if is_measurable else Trend.FIRM
        return Trend.LOWER if is_measurable else Trend.WEAK
    return Trend.STEADY if abs(change) + room <= measurable_usd_per_cwt else Trend.UNCLEAR


# The model --------------------------------------------------------------------------------------

_HEAVY_TAILS = 4.0
"""Degrees of freedom of the t distributions."""
_FIRST_SPREAD_USD_PER_CWT = 3.0
"""Where the search for the spreads begins: wide, so that no move is smoothed away at first."""
_ROUNDS = 15
_MIDDLE_LEAN, _LEAN_SCALE = 0.75, 0.15
_POOLED_ENTRIES = 20
"""An item's own chance is found as if it had as many more entries of the usual chance."""


class _Levels:
    """Levels of items by day, and how sure they are.

    Rows of entries are companies (of one item), columns days; a company without an entry on a day
    has weight 0 there. Unknowns: every item's level on every day, then the market's and lean's
    moves of every day but the first. What a company usually does is integrated out.
    """

    def __init__(self, group: Sequence[_Heard], days: Sequence[date], method: Method) -> None:
        import numpy as np

        self._np = np
        self._items, self._days = len(group), len(days)
        self._lean = np.array([(e.item.lean - _MIDDLE_LEAN) / _LEAN_SCALE for e in group])
        tick = min(each.item.tick_usd_per_cwt for each in group)
        self._usual = (method.trend_usual_ticks * tick) ** 2
        self._read(group, days)
        self._steps = self._step_rows()
        self._fit()

    def change(self, item: int, earlier: int) -> tuple[float, float]:
        """How far an item's level moved from an earlier day to the last, and the error."""
        last, then = self._level(item, self._days - 1), self._level(item, earlier)
        cov = self._cov
        var = cov[last, last] + cov[then, then] - 2 * cov[last, then]
        return float(self._mean[last] - self._mean[then]), float(var**0.5)

    def _level(self, item: int, day: int) -> int:
        return item * self._days + day

    def _read(self, group: Sequence[_Heard], days: Sequence[date]) -> None:
        np = self._np
        rows = [
            (index, firm)
            for index, heard in enumerate(group)
            for firm in sorted({each for of_day in heard.by_day.values() for each in of_day})
        ]
        shape = len(rows), len(days)
        self._of_item = np.array([index for index, _ in rows])
        self._price, self._is_there = np.zeros(shape), np.zeros(shape)
        self._side = np.zeros(shape)
        """1 for a bid, -1 for an offer, 0 for trades."""
        sides = {EntryKind.BID: 1.0, EntryKind.OFFER: -1.0}
        for row, (index, firm) in enumerate(rows):
            for column, day in enumerate(days):
                if (heard := group[index].by_day[day].get(firm)) is not None:
                    kind, self._price[row, column] = heard
                    self._side[row, column] = sides.get(kind, 0.0)
                    self._is_there[row, column] = 1.0

    def _step_rows(self) -> ndarray:
        """Each item's own move of each day but the first, as a sum of the unknowns."""
        np = self._np
        moves = self._days - 1
        count = self._items * self._days
        rows = np.zeros((self._items, moves, count + 2 * moves))
        for item in range(self._items):
            for move in range(moves):
                rows[item, move, self._level(item, move + 1)] = 1.0
                rows[item, move, self._level(item, move)] = -1.0
                rows[item, move, count + move] = -1.0
                rows[item, move, count + moves + move] = -self._lean[item]
        return rows.reshape(self._items * moves, -1)

    def _fit(self) -> None:
        np = self._np
        wide = _FIRST_SPREAD_USD_PER_CWT**2
        moves, count = self._days - 1, self._items * self._days
        own, shared = np.full(len(self._steps), 1 / wide), np.full(2 * moves, 1 / wide)
        own_var, shared_var = wide, np.array([wide, wide])
        chance_var, usual_var = np.full(self._items, 1.0), 1.0
        there, trades = self._is_there, self._side == 0
        weight = np.where(trades, there, 0.0)
        start = np.array([  # a middle to count from: levels of hundreds lose digits
            np.median(self._price[(self._of_item == i)[:, None] & (there * trades > 0)])
            for i in range(self._items)
        ])  # fmt: skip
        price = self._price - start[self._of_item][:, None]
        for _ in range(_ROUNDS):
            precise = weight / chance_var[self._of_item][:, None]
            held = 1 / (1 / usual_var + precise.sum(axis=1))
            self._solve(price, precise, held, own, shared)
            levels = self._mean[:count].reshape(self._items, self._days)[self._of_item]
            cov = self._own_covariances()[self._of_item]
            usual = held * (precise * (price - levels)).sum(axis=1)
            across = np.einsum("bst,bt->bs", cov, precise)
            usual_spread = held + held**2 * np.einsum("bs,bs->b", across, precise)
            off = price - levels - usual[:, None]
            spread = np.einsum("btt->bt", cov) - 2 * held[:, None] * across + usual_spread[:, None]
            square = off**2 + spread
            heavy = _t_weight(square, chance_var[self._of_item][:, None])
            counted = there * trades
            chance_var = self._chance(counted * heavy * square, counted)
            usual_var = max(float(np.mean(usual**2 + usual_spread)), self._usual / 4)
            # a bid pulls only where it lies above the level, an offer only below it
            weight = there * heavy * (trades | (self._side * off > 0))
            step = self._steps @ self._mean
            step_square = step**2 + ((self._steps @ self._cov) * self._steps).sum(axis=1)
            heavy = _t_weight(step_square, own_var)
            own_var = max(float(np.mean(heavy * step_square)), self._usual)
            own = heavy / own_var
            both = (self._mean[count:] ** 2 + np.diag(self._cov)[count:]).reshape(2, moves)
            heavy = _t_weight(both, shared_var[:, None])
            shared_var = np.maximum((heavy * both).mean(axis=1), self._usual)
            shared = (heavy / shared_var[:, None]).ravel()

    def _solve(
        self, price: ndarray, precise: ndarray, held: ndarray, own: ndarray, shared: ndarray
    ) -> None:
        """Mean and covariance of the unknowns, given weights."""
        np = self._np
        count = self._items * self._days
        matrix = self._steps.T @ (own[:, None] * self._steps)
        matrix[np.arange(count, len(matrix)), np.arange(count, len(matrix))] += shared
        matrix[np.arange(count), np.arange(count)] += 1e-6
        right = np.zeros(len(matrix))
        for item in range(self._items):
            mine = self._of_item == item
            block = slice(item * self._days, (item + 1) * self._days)
            weights, part = precise[mine], held[mine]
            matrix[block, block] += np.diag(weights.sum(axis=0)) - weights.T @ (
                part[:, None] * weights
            )
            seen = (weights * price[mine]).sum(axis=1)
            right[block] += (weights * (price[mine] - (part * seen)[:, None])).sum(axis=0)
        self._cov = np.linalg.inv(matrix)
        self._mean = self._cov @ right

    def _own_covariances(self) -> ndarray:
        """Of the levels of each item over the days."""
        np = self._np
        count, days = self._items * self._days, self._days
        blocks = self._cov[:count, :count].reshape(self._items, days, self._items, days)
        return np.einsum("isit->ist", blocks)

    def _chance(self, squares: ndarray, counted: ndarray) -> ndarray:
        np = self._np
        total, number = (
            np.bincount(self._of_item, each.sum(axis=1), self._items) for each in (squares, counted)
        )
        pooled = total.sum() / max(1.0, number.sum())
        found = (total + _POOLED_ENTRIES * pooled) / (number + _POOLED_ENTRIES)
        return np.maximum(found, self._usual / 4)


def _t_weight(square: ndarray, var: ndarray | float) -> ndarray:
    return (_HEAVY_TAILS + 1) / (_HEAVY_TAILS + square / var)
