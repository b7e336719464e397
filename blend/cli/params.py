"""Kinds of option values that several commands take."""

from __future__ import annotations

import math
import re
from datetime import date, datetime

import click


class Share(click.ParamType):
    """A lean, fat or confidence: 22, 22% or 0.22. A bare number above 1 is a percent."""

    name = "percent"

    def __init__(self, min_share: float = 0.0, max_share: float = 1.0) -> None:
        self.min_share, self.max_share = min_share, max_share

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
        if bare == text and number == 1:
            self.fail("'1' could be 1% or 100%. Enter 1% or 100%.", param, ctx)
        share = number if bare == text and 0 <= number < 1 else number / 100
        if not self.min_share <= share <= self.max_share:
            ends = f"{self.min_share * 100:g}% to {self.max_share * 100:g}%"
            self.fail(f"{value!r} is not a percent from {ends}. Enter 22, 22% or 0.22.", param, ctx)
        return share


class Points(click.ParamType):
    """A tolerance or an error in lean points: 0.5 is half a point."""

    name = "points"

    def convert(
        self, value: str | float, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not 0 <= number <= 10:
            self.fail(f"{value!r} is not in lean points. Enter 0.5 for half a point.", param, ctx)
        return number / 100


_US = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})")


class DayType(click.ParamType):
    """A day: 11/20/2026 as written in the US, or 2026-11-20."""

    name = "date"

    def convert(
        self, value: str | date, param: click.Parameter | None, ctx: click.Context | None
    ) -> date:
        if isinstance(value, datetime):
            return value.date()
        if isinstance(value, date):
            return value
        try:
            if found := _US.fullmatch(value.strip()):
                month, day, year = map(int, found.groups())
                return date(year, month, day)
            return date.fromisoformat(value.strip())
        except ValueError:
            self.fail(f"{value!r} is not a day. Enter 11/20/2026 or 2026-11-20.", param, ctx)


DAY = DayType()
MOMENT = click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S%z", "%Y-%m-%dT%H:%M:%S", "%m/%d/%Y"])
"""A day or a moment with its zone."""
