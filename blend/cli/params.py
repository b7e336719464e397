"""Kinds of option values that several commands take."""

from __future__ import annotations

import math

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
