"""Option values as people type them in the US: 22%, $1.85/lb, 1,250 lb, 11/20/2026.

A value with two likely readings is refused, and the message names both.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from contextlib import suppress
from datetime import date, datetime, time
from typing import Any

import click

from blend.domain.columns import Column, Kind
from blend.units import LB_PER_CWT, number_typed, pounds_typed, usd_per_lb_typed

_MIN_USD_PER_CWT_WITHOUT_UNIT = 10.0
"""A lower price without a unit is more likely per pound."""


class Share(click.ParamType):
    """A percent: 22, 22% or 0.22. A bare number above 1 is a percent, below 1 a fraction.

    `small` is for shares that are usually under 1%, such as an optimality gap: a bare 0.1 may be
    0.1% or 10%, so it is refused.
    """

    name = "percent"

    def __init__(
        self, min_share: float = 0.0, max_share: float = 1.0, *, small: bool = False
    ) -> None:
        self.min_share, self.max_share, self.small = min_share, max_share, small

    def convert(
        self, value: str | float, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        text = value.strip()
        bare = text.removesuffix("%").strip()
        try:
            number = float(bare)
        except ValueError:
            number = math.nan
        percent = number / 100
        if bare != text or number > 1:
            readings = [percent]
        elif number == 1 or (self.small and number >= 0.1):
            readings = [percent, number]
        else:
            readings = [number]
        fitting = [each for each in readings if self.min_share <= each <= self.max_share]
        if len(fitting) > 1:
            both = [f"{100 * each:g}%" for each in fitting]
            self.fail(f"{value!r} could be {both[0]} or {both[1]}. Enter it with %.", param, ctx)
        if not fitting:
            ends = f"{self.min_share * 100:g}% to {self.max_share * 100:g}%"
            enter = "0.1% or 0.001" if self.small else "22, 22% or 0.22"
            if self.min_share > 0.22:
                enter = "95, 95% or 0.95"
            self.fail(f"{value!r} is not a percent from {ends}. Enter it like {enter}.", param, ctx)
        return fitting[0]


class Points(click.ParamType):
    """A tolerance or an error in lean points: 0.5 is half a point."""

    name = "points"

    def convert(
        self, value: str | float, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, str) and value.strip().endswith("%"):
            bare = value.strip().removesuffix("%").strip()
            self.fail(
                f"{value!r} could be {bare} lean points or {bare}% of the lean. Enter lean points, "
                "such as 0.5.",
                param,
                ctx,
            )
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not 0 <= number <= 10:
            self.fail(
                f"{value!r} is not lean points from 0 to 10. Enter 0.5 for half a point.",
                param,
                ctx,
            )
        return number / 100


class Amount(click.ParamType):
    """A number with its unit, as `parse` reads it, from `low` to `high`."""

    def __init__(
        self,
        name: str,
        parse: Callable[[str], float],
        enter: str,
        *,
        low: float = 0.0,
        high: float = math.inf,
        above_low: bool = False,
    ) -> None:
        self.name, self.parse, self.enter = name, parse, enter
        self.low, self.high, self.above_low = low, high, above_low

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        try:
            number = self.parse(str(value))
        except ValueError as error:
            enter = "" if "Enter" in str(error) else f" Enter {self.enter}."
            self.fail(f"{value!r} {error}.{enter}", param, ctx)
        if not self.low <= number <= self.high or (self.above_low and number == self.low):
            self.fail(f"{value!r} is out of range. Enter {self.enter}.", param, ctx)
        return number


def _price_per_lb(text: str) -> float:
    price = usd_per_lb_typed(text)
    bare = text.strip().lstrip("$").strip()
    if 0 < price * LB_PER_CWT < _MIN_USD_PER_CWT_WITHOUT_UNIT and bare.replace(".", "").isdigit():
        raise ValueError(f"could be ${bare}/lb or ${bare}/cwt. Enter its unit")
    return price


def _price_per_cwt(text: str) -> float:
    return _price_per_lb(text) * LB_PER_CWT


def _pounds(text: str) -> float:
    if (pounds := pounds_typed(text)) < _TWO_READINGS_BELOW:
        _refuse_two_readings(text.removesuffix("lb").strip())
    return pounds


def _finite_pounds(text: str) -> float:
    if not math.isfinite(pounds := _pounds(text)):
        raise ValueError("is not a number")
    return pounds


_TWO_READINGS_BELOW = 1_000


def _refuse_two_readings(text: str) -> None:
    """1.250 is 1,250 to some who type it."""
    if re.fullmatch(r"[+-]?\$?[1-9]\d{0,2}\.\d{3}", text):
        whole = text.replace(".", ",")
        raise ValueError(f"could be {whole} or {text.rstrip('0').rstrip('.')}. Enter one of them")


def _dollars(text: str) -> float:
    """Dollars, of either sign where `Amount.low` allows it."""
    _refuse_two_readings(text.strip())
    return number_typed(text)


def _dollars_per_lb(text: str) -> float:
    """A value per pound, $1.85, 1.85/lb or 185 cents/lb; $/lb where no unit is named."""
    try:
        return number_typed(text)
    except ValueError:
        return usd_per_lb_typed(text)


def _dollars_per_cwt(text: str) -> float:
    """A change or an error in $/cwt, of either sign: 5, $5.00, -1.25, 5 cents/lb."""
    bare = text.strip()
    try:
        return number_typed(bare.removesuffix("/cwt"))
    except ValueError:
        sign = -1.0 if bare.startswith("-") else 1.0
        return sign * LB_PER_CWT * usd_per_lb_typed(bare.lstrip("+-"))


_PRICES = "324.50 ($/cwt), $3.245/lb, 324.5 cents/lb or 7.15/kg"
PRICE = Amount("price", _price_per_lb, _PRICES)
"""A price, in USD per lb."""
QUOTE = Amount("price", _price_per_cwt, _PRICES)
"""A price, in USD per cwt."""
WEIGHT = Amount("weight", _pounds, "24,000, 24000 lb, 10.9 t, or any for no limit")
POUNDS = Amount("pounds", _finite_pounds, "pounds above 0, such as 3,800", above_low=True)
ROOM = Amount("pounds", _finite_pounds, "pounds, such as 1,200")
DOLLARS = Amount("dollars", _dollars, "dollars above 0, such as $25 or 1,250", above_low=True)
USD_PER_LB = Amount("price", _dollars_per_lb, "$/lb, such as $1.85 or 185 cents/lb")
USD_PER_CWT = Amount("price", _dollars_per_cwt, "$/cwt, such as 1.25 or $1.25")
CHANGE = Amount("change", _dollars_per_cwt, "$/cwt, such as 5.00 or -$1.25", low=-math.inf)


class DayType(click.ParamType):
    """A day, and for `kind` TIME also a time of day, as in the tables: 11/20/2026, Nov 20, 2026 or
    2026-11-20, then 14:05."""

    name = "date"

    def __init__(self, kind: Kind = Kind.DATE) -> None:
        self.column = Column("day", kind, "")

    def convert(
        self, value: str | date, param: click.Parameter | None, ctx: click.Context | None
    ) -> date:
        if isinstance(value, date):
            return value
        from blend.tables.cells import CellRefused, parse_cell

        is_moment = self.column.kind is Kind.TIME
        with suppress(ValueError):  # a moment with its zone, as exports have it
            if is_moment:
                return datetime.fromisoformat(value.strip())
        try:
            if is_moment and ":" not in value:
                return datetime.combine(parse_cell(DAY.column, value), time.min)
            return parse_cell(self.column, value)
        except CellRefused as refused:
            what = "a day and time" if is_moment else "a day"
            enter = refused.hint or f"Enter {self.column.allowed}."
            self.fail(f"{value!r} is not {what}. {enter}", param, ctx)


DAY, MOMENT = DayType(), DayType(Kind.TIME)
"""A day; a day or a moment, with its zone where that is given."""


class Whole(click.IntRange):
    """A whole number, with commas if you like: 2,000."""

    name = "number"

    def _describe_range(self) -> str:
        return _range_words(self.min, self.max)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if isinstance(value, str) and re.fullmatch(r"\d{1,3}(,\d{3})+", value.strip()):
            value = value.replace(",", "")
        return super().convert(value, param, ctx)


class Measured(click.FloatRange):
    """A number that may carry its unit: 60 or 60 s, 34 or 34 °F."""

    name = "number"

    def _describe_range(self) -> str:
        return _range_words(self.min, self.max, self.min_open)

    def __init__(
        self, units: str, low: float, high: float | None = None, *, above_low: bool = False
    ) -> None:
        super().__init__(low, high, min_open=above_low)
        self.units = units

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if isinstance(value, str):
            bare = re.sub(rf"\s*({self.units})$", "", value.strip(), flags=re.IGNORECASE)
            with suppress(ValueError):
                value = number_typed(bare)
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail("must be a number.", param, ctx)
        return number


def _range_words(low: float | None, high: float | None, above_low: bool = False) -> str:
    start = f"above {low:,.10g}" if above_low else f"{low:,.10g}"
    if high is None:
        return start if above_low else f"{start} or more"
    return f"{start} to {high:,.10g}"
