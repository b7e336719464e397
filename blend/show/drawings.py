"""The trader's pictures as places on a page: cheap enough to be drawn anew with every key struck.

They are the pictures of `blend.show.trade_pictures` in short; x runs to the right and y down, in
units of the picture's own width and height.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from blend.show.amounts import count_of, printable
from blend.show.market import standing_lines
from blend.show.pictures import spaced
from blend.trader.lean_fat import DayValue, ItemValue, Standing
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

Point = tuple[float, float]
_LABEL_APART = 17.0
_TICKS = 5


@dataclass(frozen=True, slots=True)
class Tick:
    at: float
    text: str


@dataclass(frozen=True, slots=True)
class Panel:
    """A pair of axes: its frame, and where which numbers stand on them."""

    left: float
    top: float
    right: float
    bottom: float
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]


@dataclass(frozen=True, slots=True)
class Dot:
    """One item: its place among the prices, in the panel of distances, and where its name is."""

    name: str
    standing: str
    """`rich`, `cheap` or empty."""
    is_fitted: bool
    at: Point
    off: Point
    name_at: Point
    reach: float | None
    """Two standard errors of its distance, in the panel of distances."""


@dataclass(frozen=True, slots=True)
class ItemsDrawing:
    """Items over lean with the fitted line, and below it how far each lies off the line."""

    width: float
    height: float
    words: str
    """What is seen, for who does not see it."""
    prices: Panel
    distances: Panel
    line: tuple[Point, Point]
    band: str
    """Corners of two standard errors of the line, as of a polygon; empty where unknown."""
    ground: float
    """Where a distance of nothing lies."""
    dots: tuple[Dot, ...]


def items_drawing(value: DayValue) -> ItemsDrawing:
    """One day of one species."""
    width, height, left, right = 600.0, 470.0, 52.0, 410.0
    prices_y, distances_y = (14.0, 290.0), (318.0, 424.0)
    leans = [item.quotation.lean for item in value.items]
    x = _Scale(*_padded(min(leans) * POINTS_PER_SHARE, max(leans) * POINTS_PER_SHARE), left, right)
    reaches = [2 * (item.error_usd_per_lb or 0.0) * LB_PER_CWT for item in value.items]
    own = [item.quotation.usd_per_lb * LB_PER_CWT for item in value.items]
    on_line = [item.line_usd_per_lb * LB_PER_CWT for item in value.items]
    y = _Scale(*_padded(min(own + on_line), max(own + on_line)), *reversed(prices_y))
    off = [item.distance_usd_per_lb * LB_PER_CWT for item in value.items]
    farthest = max([abs(each) for each in off] + reaches + [0.01])
    z = _Scale(-1.1 * farthest, 1.1 * farthest, *reversed(distances_y))
    names_y = spaced([y(price) for price in own], _names_apart(len(own), prices_y))
    names_y = _within(names_y, prices_y[0] + 4, distances_y[1])
    dots = tuple(
        Dot(
            printable(item.label),
            _standing(item),
            item.is_fitted,
            (x(item.quotation.lean * POINTS_PER_SHARE), y(price)),
            (x(item.quotation.lean * POINTS_PER_SHARE), z(distance)),
            (right + 24, name_y),
            None if item.error_usd_per_lb is None else abs(z(reach) - z(0.0)),
        )
        for item, price, distance, reach, name_y in zip(
            value.items, own, off, reaches, names_y, strict=True
        )
    )
    ends = (min(leans), max(leans))
    return ItemsDrawing(
        width,
        height,
        f"{count_of(len(value.items), 'item')} of {value.species} over chemical lean and the"
        f" fitted line, {value.quoted_on}. {' '.join(standing_lines(value))}",
        Panel(left, prices_y[0], right, prices_y[1], (), y.ticks()),
        Panel(left, distances_y[0], right, distances_y[1], x.ticks(9), z.ticks(2)),
        tuple((x(e * POINTS_PER_SHARE), y(value.fitted.at(e) * LB_PER_CWT)) for e in ends),
        _band(value, ends, x, y),
        z(0.0),
        dots,
    )


def _standing(item: ItemValue) -> str:
    return str(item.standing) if item.standing in (Standing.RICH, Standing.CHEAP) else ""


def _names_apart(count: int, within: Point) -> float:
    return min(_LABEL_APART, (within[1] - within[0]) / max(1, count))


def _within(places: Sequence[float], minimum: float, maximum: float) -> list[float]:
    """Moved together so that none lies outside."""
    shift = max(0.0, minimum - min(places)) - max(0.0, max(places) - maximum)
    return [place + shift for place in places]


def _band(value: DayValue, ends: Point, x: _Scale, y: _Scale) -> str:
    if value.fitted.error_at(ends[0]) is None:
        return ""
    steps = [ends[0] + (ends[1] - ends[0]) * step / 24 for step in range(25)]
    sides = []
    for sign, shares in ((1, steps), (-1, steps[::-1])):
        for share in shares:
            price = value.fitted.at(share) + sign * 2 * value.fitted.error_at(share)
            sides.append(f"{x(share * POINTS_PER_SHARE):.1f},{y(price * LB_PER_CWT):.1f}")
    return " ".join(sides)


# Through time ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SpreadDrawing:
    """Lean minus fat by day, with two standard errors to each side where they are known."""

    width: float
    height: float
    words: str
    panel: Panel
    line: str
    """Corners of the line."""
    days: tuple[tuple[Point, float | None], ...]
    """Where each day stands, and how far its error reaches."""


def spread_drawing(days: Sequence[DayValue]) -> SpreadDrawing | None:
    """Days of one species in their order; None where there is only one."""
    if len(days) < 2:
        return None
    width, height, top, bottom = 600.0, 230.0, 26.0, 192.0
    spread = [day.fitted.spread_usd_per_lb * LB_PER_CWT for day in days]
    errors = [day.fitted.spread_error_usd_per_lb for day in days]
    reaches = [2 * (error or 0.0) * LB_PER_CWT for error in errors]
    y = _Scale(
        *_padded(
            min(each - reach for each, reach in zip(spread, reaches, strict=True)),
            max(each + reach for each, reach in zip(spread, reaches, strict=True)),
        ),
        bottom,
        top,
    )
    first, last = days[0].quoted_on.toordinal(), days[-1].quoted_on.toordinal()
    x = _Scale(float(first), float(last), 74.0, width - 38.0)
    places = [
        (x(day.quoted_on.toordinal()), y(each)) for day, each in zip(days, spread, strict=True)
    ]
    step = max(1, math.ceil(len(days) / 7))
    ticks = tuple(
        Tick(place[0], f"{day.quoted_on:%d %b}")
        for day, place in list(zip(days, places, strict=True))[::-1][::step]
    )
    highest, lowest = max(spread), min(spread)
    return SpreadDrawing(
        width,
        height,
        f"Lean minus fat of {days[0].species} on {count_of(len(days), 'day')}, {days[0].quoted_on}"
        f" to {days[-1].quoted_on}: between {lowest:,.2f} and {highest:,.2f} USD/cwt, last"
        f" {spread[-1]:,.2f}.",
        Panel(52.0, top, width - 14.0, bottom, ticks, y.ticks()),
        " ".join(f"{px:.1f},{py:.1f}" for px, py in places),
        tuple(
            (place, None if error is None else abs(y(2 * error * LB_PER_CWT) - y(0.0)))
            for place, error in zip(places, errors, strict=True)
        ),
    )


# Scales ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Scale:
    """From numbers to places."""

    low: float
    high: float
    begin: float
    end: float

    def __call__(self, number: float) -> float:
        share = (number - self.low) / (self.high - self.low)
        return round(self.begin + share * (self.end - self.begin), 2)

    def ticks(self, about: int = _TICKS) -> tuple[Tick, ...]:
        """Round numbers within the scale."""
        rough = (self.high - self.low) / about
        power = 10.0 ** math.floor(math.log10(rough))
        step = next(power * each for each in (1, 2, 5, 10) if power * each >= rough)
        decimals = max(0, -math.floor(math.log10(step)))
        first, last = math.ceil(self.low / step), math.floor(self.high / step)
        numbers = [each * step for each in range(first, last + 1)]
        return tuple(Tick(self(each), f"{each + 0.0:,.{decimals}f}") for each in numbers)


def _padded(low: float, high: float) -> Point:
    reach = 0.06 * (high - low) or 1.0
    return low - reach, high + reach
