"""Supply indicators: how a series of volumes compares with last week and last year, and whether
prices moved after it; and how many items advanced and declined.

Weeks are those of ISO 8601. A day's counterpart of last year is the same weekday of the same
week, so that like is compared with like; week 53 has none in a year of 52.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from itertools import groupby
from statistics import NormalDist, fmean
from typing import NamedTuple

from blend.domain.market import Volume

MIN_PAIRS = 10
"""Weeks that a line through changes needs before it is shown (house rule)."""
_WEEK = timedelta(days=7)
_FEW_PARTS = 3

QUALIFYING_TERMS = (
    (5, "occasional"),
    (10, "few"),
    (25, "some"),
    (50, "many"),
    (90, "mostly"),
    (100, "generally"),
)
"""Most per cent that each word stands for. USDA Market News, fruit and vegetable terms; used of
meat it is our extension."""


class Measure(StrEnum):
    FLOW = "flow"
    """Adds up over time: slaughter, production, imports, orders."""
    LEVEL = "level"
    """Stands at a time: cold storage, cattle on feed, a price."""


@dataclass(frozen=True, slots=True)
class Series:
    """Figures by day or by week, in order of time, one a day at most."""

    name: str
    unit: str
    measure: Measure
    points: tuple[tuple[date, float], ...]
    series_id: str = ""
    """The id that it shares with the other parts of its total."""
    item_id: str = ""
    origin: str = ""
    parts: tuple[str, ...] = ()
    """Names of the series that it is the sum of; empty for one that is counted."""

    def at(self, day: date) -> float | None:
        return dict(self.points).get(day)

    def until(self, day: date) -> Series:
        """The series as it stood on a day."""
        return replace(self, points=tuple(point for point in self.points if point[0] <= day))


def series_of(volumes: Iterable[Volume], levels: Iterable[str] = ()) -> tuple[Series, ...]:
    """One series for each series id, item, origin and unit, in the order of their first figures.

    Those that a figure calls a level, or whose series id is in `levels`, stand at a time; the
    others add up over it. Of several figures for one day the last counts, as corrections come
    after what they correct.
    """
    levels = set(levels)
    figures: dict[tuple[str, str, str, str], dict[date, Volume]] = {}
    for volume in volumes:
        key = (volume.series_id, volume.item_id, volume.origin, volume.unit)
        figures.setdefault(key, {})[volume.period_end] = volume
        if volume.is_level:
            levels.add(volume.series_id)
    return tuple(
        Series(
            " ".join(filter(None, key[:3])),
            key[3],
            Measure.LEVEL if key[0] in levels else Measure.FLOW,
            tuple((day, of_days[day].value) for day in sorted(of_days)),
            series_id=key[0],
            item_id=key[1],
            origin=key[2],
        )
        for key, of_days in figures.items()
    )


def total_of(parts: Sequence[Series], name: str) -> Series:
    """The sum of series of one unit, on the days that all of them have."""
    days = set.intersection(*({day for day, _ in part.points} for part in parts))
    values = [dict(part.points) for part in parts]
    return replace(
        parts[0],
        name=name,
        item_id="",
        parts=tuple(part.name for part in parts),
        points=tuple((day, math.fsum(each[day] for each in values)) for day in sorted(days)),
    )


def totals(series: Iterable[Series]) -> dict[str, Series]:
    """By series id, the total of its parts, where there are several."""
    parts: dict[str, list[Series]] = {}
    for each in series:
        parts.setdefault(each.series_id, []).append(each)
    return {name: total_of(own, name) for name, own in parts.items() if len(own) > 1}


def grouped(series: Iterable[Series]) -> tuple[tuple[Series, Series | None], ...]:
    """The series of a summary, each with the total that it is a part of.

    Those of one id become their total and a total for each origin; a few stay one by one.
    Ids that begin alike before a space ("orders GB80") count as one.
    """
    groups: dict[tuple[str, str, Measure], list[Series]] = {}
    for each in series:
        key = (each.series_id.split()[0], each.unit, each.measure)
        groups.setdefault(key, []).append(each)
    shown: list[tuple[Series, Series | None]] = []
    for (name, *_), parts in groups.items():
        if len(parts) == 1:
            shown.append((parts[0], None))
            continue
        whole = total_of(parts, f"{name}, all")
        shown.append((whole, None))
        if len(parts) <= _FEW_PARTS:
            shown += [(part, whole) for part in parts]
            continue
        by_origin: dict[str, list[Series]] = {}
        for part in parts:
            by_origin.setdefault(part.origin, []).append(part)
        if len(by_origin) > 1:
            shown += [
                (total_of(own, f"{name}, {origin or 'origin not given'}"), whole)
                for origin, own in by_origin.items()
            ]
    return tuple(shown)


def by_week(series: Series) -> Series:
    """One figure a week, at its last day: flows summed, levels averaged over the days there are.

    The last week is left out where it has fewer days than the one before, as it may go on.
    """
    weeks = [
        tuple(days) for _, days in groupby(series.points, key=lambda p: p[0].isocalendar()[:2])
    ]
    if len(weeks) > 1 and len(weeks[-1]) < len(weeks[-2]):
        weeks.pop()
    total = math.fsum if series.measure is Measure.FLOW else fmean
    return replace(
        series, points=tuple((days[-1][0], total([value for _, value in days])) for days in weeks)
    )


# Changes -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Change:
    """A figure against an earlier one."""

    value: float
    against: date
    before: float

    @property
    def difference(self) -> float:
        return self.value - self.before

    @property
    def share(self) -> float | None:
        """The difference as a share of the earlier figure; None of nothing."""
        return self.difference / self.before if self.before else None


MIN_TO_DATE_SHARE = 0.9
"""Of this year's weeks, or days, that must have a counterpart last year for a year to date."""


@dataclass(frozen=True, slots=True)
class YearToDate:
    """This year so far and the same days of last year: sums of a flow, means of a level.

    `periods` are the days or weeks that both years have; `left_out` those of this year that
    have no counterpart.
    """

    value: float
    before: float
    periods: int
    left_out: int
    weeks: frozenset[int] = frozenset()
    """Of this year, those it counts, by their ISO number."""

    @property
    def share(self) -> float | None:
        return (self.value - self.before) / self.before if self.before else None


@dataclass(frozen=True, slots=True)
class Indicator:
    """A series at its last day. What has no counterpart in the series is None.

    `series` is as known on the day.
    """

    series: Series
    day: date
    value: float
    on_week: Change | None
    on_year: Change | None
    year_to_date: YearToDate | None
    share_of_total: float | None = None

    @property
    def year_to_date_share(self) -> float | None:
        """The change on the year to date; None where too little of this year has a counterpart
        last year: 8 of 47 weeks are no year to date."""
        found = self.year_to_date
        if found is None:
            return None
        weeks = self.day.isocalendar().week
        periods = max(weeks, found.periods + found.left_out)
        return found.share if found.periods >= MIN_TO_DATE_SHARE * periods else None

    @property
    def missing_weeks(self) -> list[int]:
        """Weeks of this year so far that its year to date does not count."""
        there = frozenset() if self.year_to_date is None else self.year_to_date.weeks
        return [week for week in range(1, self.day.isocalendar().week + 1) if week not in there]


def indicator(series: Series, day: date, total: Series | None = None) -> Indicator | None:
    """The series at the last of its days up to `day`, and its share of `total` on that day.

    None where it has no day so early.
    """
    known = series.until(day)
    if not known.points:
        return None
    last, value = known.points[-1]
    whole = None if total is None else total.at(last)
    return Indicator(
        known,
        last,
        value,
        _change(known, value, last - _WEEK),
        _change(known, value, year_before(last)),
        _year_to_date(known, last),
        value / whole if whole else None,
    )


def year_before(day: date) -> date | None:
    """The same weekday of the same ISO week a year before; None for week 53 after a year of 52."""
    year, week, weekday = day.isocalendar()
    try:
        return date.fromisocalendar(year - 1, week, weekday)
    except ValueError:
        return None


def _change(series: Series, value: float, against: date | None) -> Change | None:
    if against is None or (before := series.at(against)) is None:
        return None
    return Change(value, against, before)


def _year_to_date(series: Series, last: date) -> YearToDate | None:
    figures = dict(series.points)
    year = last.isocalendar().year
    own = [day for day in figures if day.isocalendar().year == year and day <= last]
    pairs = [
        (day, earlier)
        for day in own
        if (earlier := year_before(day)) is not None and earlier in figures
    ]
    if not pairs:
        return None
    total = math.fsum if series.measure is Measure.FLOW else fmean
    return YearToDate(
        total([figures[day] for day, _ in pairs]),
        total([figures[earlier] for _, earlier in pairs]),
        len(pairs),
        len(own) - len(pairs),
        frozenset(day.isocalendar().week for day, _ in pairs),
    )


# Against price -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Lag:
    """How a price moved in the weeks `weeks` after a volume did: only that they went
    together.

    `slope` is price per 1% of volume, with its standard error. `is_beyond_chance` where the
    slope is farther from zero than the largest of all lags tried would be by chance, in 95 of
    100 cases.
    """

    weeks: int
    pairs: int
    correlation: float
    slope: float
    standard_error: float
    is_beyond_chance: bool


def lagged(volume: Series, price: Series, lags: Sequence[int] = (0, 1, 2, 3, 4)) -> tuple[Lag, ...]:
    """Hold weekly changes of a price against those of a volume some weeks before.

    Changes, as levels of two series that wander seem related when they are not (Granger and
    Newbold, Journal of Econometrics 2, 1974). Standard errors allow for errors that hang
    together over weeks (Newey and West, Econometrica 55, 1987), which are small in short series,
    so that the plain error is taken where it is larger. Lags with fewer than `MIN_PAIRS` weeks,
    or without any change of volume, are left out.
    """
    volumes = _weekly_changes(volume, relative=True)
    prices = _weekly_changes(price, relative=False)
    beyond = NormalDist().inv_cdf(1 - 0.025 / max(1, len(lags)))
    found = []
    for weeks in lags:
        pairs = [
            (volumes[week - weeks * _WEEK], moved)
            for week, moved in sorted(prices.items())
            if week - weeks * _WEEK in volumes
        ]
        if len(pairs) < MIN_PAIRS or len({x for x, _ in pairs}) == 1:
            continue
        slope, error, correlation = _line(pairs)
        found.append(Lag(weeks, len(pairs), correlation, slope, error, abs(slope) > beyond * error))
    return tuple(found)


def _weekly_changes(series: Series, *, relative: bool) -> dict[date, float]:
    """Change from the week before by the week's Monday: per cent, or in the series' unit."""
    weeks = {_monday(day): value for day, value in by_week(series).points}
    changes = {}
    for week, value in weeks.items():
        before = weeks.get(week - _WEEK)
        if before is None or (relative and before <= 0):
            continue
        changes[week] = 100 * (value / before - 1) if relative else value - before
    return changes


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _line(pairs: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    """Slope, its standard error and the correlation, by least squares."""
    import numpy as np

    count = len(pairs)
    x, y = (column - column.mean() for column in np.array(pairs, dtype=float).T)
    xx, xy, yy = x @ x, x @ y, y @ y
    slope = xy / xx
    residuals = y - slope * x
    scores = x * residuals
    spread = scores @ scores
    lags = math.floor(4 * (count / 100) ** (2 / 9))
    for lag in range(1, lags + 1):
        spread += 2 * (1 - lag / (lags + 1)) * (scores[lag:] @ scores[:-lag])
    plain = xx * (residuals @ residuals) / count
    error = math.sqrt(max(spread, plain) * count / (count - 2)) / xx
    return float(slope), float(error), float(xy / math.sqrt(xx * yy)) if yy else 0.0


# Breadth -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Breadth:
    """Items that advanced, declined or neither, measurably; and those that could not be
    compared."""

    advances: tuple[str, ...]
    declines: tuple[str, ...]
    unchanged: tuple[str, ...]
    not_compared: tuple[str, ...]

    @property
    def compared(self) -> int:
        return len(self.advances) + len(self.declines) + len(self.unchanged)

    @property
    def directions(self) -> tuple[Direction, ...]:
        """Higher, lower and unchanged, each with its items and the qualifying term."""
        return tuple(
            Direction(word, items, qualifying_term(len(items), self.compared))
            for word, items in (
                ("higher", self.advances),
                ("lower", self.declines),
                ("unchanged", self.unchanged),
            )
        )


class Direction(NamedTuple):
    """Items that went one way; `term` is empty for none."""

    word: str
    items: tuple[str, ...]
    term: str


def breadth(moves: Mapping[str, float | None], measurable: Mapping[str, float]) -> Breadth:
    """Count items by the direction of their move; None is one that was not compared.

    A move below what is `measurable` for its item counts as none.
    """

    def those(wanted: int | None) -> tuple[str, ...]:
        return tuple(
            item for item, move in moves.items() if _direction(move, measurable[item]) == wanted
        )

    return Breadth(those(1), those(-1), those(0), those(None))


def _direction(move: float | None, measurable: float) -> int | None:
    if move is None:
        return None
    if abs(move) < measurable:
        return 0
    return 1 if move > 0 else -1


def qualifying_term(count: int, of: int) -> str:
    """The word for a count by its share of all, in whole per cent; empty for none.

    Raises ValueError where the count is no part of all.
    """
    if not 0 <= count <= of:
        raise ValueError(f"{count} of {of} is no part")
    if count == 0:
        return ""
    per_cent = math.floor(100 * count / of + 0.5)
    return next(word for maximum, word in QUALIFYING_TERMS if per_cent <= maximum)
