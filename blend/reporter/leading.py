"""Which volumes led an item's price, and how that did on weeks not used to find it.

On the first half of the weeks, the lag and the sign that were right most often are chosen for each
series; on the second half they are scored. So the record shown is out of sample, next to the base
rate: how often the price rose or fell anyway.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from blend.reporter.calendar import week_of
from blend.reporter.indicators import Series
from blend.reporter.scoring import HitRate, hit_rate

MAX_LAG_WEEKS = 6
MIN_WEEKS = 8
"""In each half, or a series is not judged."""
_WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Lead:
    """A series, how many weeks before the item's price it moved, and its record."""

    series: str
    lag_weeks: int
    is_inverse: bool
    """The price fell where the series rose."""
    record: HitRate

    @property
    def words(self) -> str:
        other = "the other way, " if self.is_inverse else ""
        weeks = f"{self.lag_weeks} week{'' if self.lag_weeks == 1 else 's'}"
        made = self.record
        return (
            f"{self.series.removesuffix(', all')}: {other}{weeks} ahead, right in {made.hits} of "
            f"{made.calls} later weeks ({made.low:.0%} to {made.high:.0%}, base rate "
            f"{made.base_rate:.0%})"
        )


def leads(
    series: Iterable[Series], weekly_prices: Sequence[tuple[date, float]]
) -> tuple[Lead, ...]:
    """The record of every series with enough weeks, the best first; `weekly_prices` by Monday."""
    moves = _moves(dict(weekly_prices))
    found = [lead for each in series if (lead := _lead(each, moves)) is not None]
    return tuple(sorted(found, key=lambda each: -each.record.rate))


def _moves(of_weeks: Mapping[date, float]) -> dict[date, float]:
    """The change into each week from the week before, where both are there and differ."""
    return {
        monday: value - of_weeks[monday - _WEEK]
        for monday, value in of_weeks.items()
        if monday - _WEEK in of_weeks and value != of_weeks[monday - _WEEK]
    }


def _lead(series: Series, price_moves: Mapping[date, float]) -> Lead | None:
    volume_moves = _moves({week_of(end).monday: value for end, value in series.points})
    half = sorted(price_moves)[len(price_moves) // 2 :][:1]
    best: tuple[float, int, bool] | None = None
    for lag in range(1, MAX_LAG_WEEKS + 1):
        same = [agree for week, agree in _agreements(volume_moves, price_moves, lag)
                if [week] < half]  # fmt: skip
        if len(same) < MIN_WEEKS:
            continue
        share = sum(same) / len(same)
        best = max(best or (0.0, 0, False), (max(share, 1 - share), lag, share < 0.5))
    if best is None:
        return None
    _, lag, is_inverse = best
    later = [agree != is_inverse for week, agree in _agreements(volume_moves, price_moves, lag)
             if [week] >= half]  # fmt: skip
    if len(later) < MIN_WEEKS:
        return None
    rose = [move > 0 for week, move in price_moves.items() if [week] >= half]
    base = max(sum(rose), len(rose) - sum(rose)) / len(rose)
    return Lead(series.name, lag, is_inverse, hit_rate(sum(later), len(later), base))


def _agreements(
    volume_moves: Mapping[date, float], price_moves: Mapping[date, float], lag: int
) -> list[tuple[date, bool]]:
    """By week of the price, whether the volume of so many weeks before moved the same way."""
    return [
        (week, (move > 0) == (volume_moves[week - lag * _WEEK] > 0))
        for week, move in sorted(price_moves.items())
        if week - lag * _WEEK in volume_moves
    ]


def lead_lines(found: Sequence[Lead], item_id: str) -> list[str]:
    """What led an item's price, in words: those that beat the base rate, or that none did."""
    if not found:
        return []
    skilled = [each for each in found if each.record.p_value < 0.05 / len(found)]
    tried = f"{len(found)} series tried on {item_id}"
    if skilled:
        return [f"{each.words}; {tried}." for each in skilled]
    return [f"None led {item_id} beyond chance ({tried}). Best: {found[0].words}."]
