"""Prices, weights and shares as options take them, in the units people type."""

from __future__ import annotations

from collections.abc import Callable

import click

from blend.units import pounds_typed, usd_per_lb_typed


class Amount(click.ParamType):
    """A number with its unit, as `parse` reads it."""

    def __init__(self, name: str, parse: Callable[[str], float], try_: str) -> None:
        self.name, self.parse, self.try_ = name, parse, try_

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        try:
            return self.parse(str(value))
        except ValueError as error:
            self.fail(f"{value!r}: {error}. Enter {self.try_}.", param, ctx)


def _share(text: str) -> float:
    number = float(text.strip().removesuffix("%"))
    share = number / 100 if "%" in text or number > 1 else number
    if not 0 < share <= 1:
        raise ValueError("must be above 0 and at most 100%")
    return share


PRICE = Amount("price", usd_per_lb_typed, "324.50 ($/cwt), 3.245/lb, 324.5 cents/lb or 7.15/kg")
WEIGHT = Amount("weight", pounds_typed, "24000, 24000 lb, 10.9 t, or any for no limit")
SHARE = Amount("share", _share, "5% or 0.05")
