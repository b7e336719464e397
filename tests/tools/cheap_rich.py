"""`python -m tests.tools.cheap_rich`: how often fair items are called cheap or rich, and how
often items that are off are found.

Simulated days of fresh items: prices on a line or a curve over lean, with normal scatter. A false
day has at least one fair item called cheap or rich. Power is for one item off, two, and three.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from blend.domain.quotations import Quotation
from blend.trader.lean_fat import (
    DayValue,
    ItemValue,
    LeanLine,
    Method,
    Standing,
    judge_by_basis,
    value_items,
)

LEANS = {
    6: (0.50, 0.65, 0.75, 0.81, 0.85, 0.90),
    8: (0.50, 0.65, 0.73, 0.75, 0.81, 0.85, 0.90, 0.93),
    12: tuple(np.linspace(0.42, 0.95, 12).round(3)),
}
SCATTER_USD_PER_LB = 0.05
_DAY = date(2026, 3, 2)
_LINE = LeanLine(Method.TWO_ITEMS, 4.0, -1.0)
_FOUND = (Standing.CHEAP, Standing.RICH)


def market(
    leans: tuple[float, ...], draw: np.random.Generator, curve: float = 0.0
) -> list[Quotation]:
    """A fair day; `curve` is what the line is bent by in the middle, USD per lb."""
    middle, half = (leans[0] + leans[-1]) / 2, (leans[-1] - leans[0]) / 2
    noise = draw.normal(0, SCATTER_USD_PER_LB, len(leans))
    return [
        Quotation(
            f"item {index}",
            "beef",
            float(lean),
            5 * lean - 1 + curve * ((lean - middle) / half) ** 2 + off,
            _DAY,
        )
        for index, (lean, off) in enumerate(zip(leans, noise, strict=True))
    ]


def found(quotations: list[Quotation]) -> set[int]:
    """Places of the items called cheap or rich."""
    values = value_items(quotations, _LINE, lambda quotation: True)
    return {index for index, each in enumerate(values) if each.standing in _FOUND}


def false_days(count: int, leans: tuple[float, ...], curve: float = 0.0, seed: int = 1) -> float:
    """Share of fair days on which any item is called cheap or rich."""
    draw = np.random.default_rng(seed)
    return sum(bool(found(market(leans, draw, curve))) for _ in range(count)) / count


def power(
    count: int, leans: tuple[float, ...], off_scatters: float, items: int = 1, seed: int = 1
) -> tuple[float, float]:
    """Of items moved the same way by so many times the scatter: the share that are found, and the
    share of days on which a fair one is accused as well."""
    draw, hits, wrong = np.random.default_rng(seed), 0, 0
    for _ in range(count):
        quotations = market(leans, draw)
        moved = draw.choice(len(leans), items, replace=False)
        for index in moved:
            price = quotations[index].usd_per_lb + off_scatters * SCATTER_USD_PER_LB
            quotations[index] = replace(quotations[index], usd_per_lb=price)
        accused = found(quotations)
        hits += len(accused & set(moved.tolist()))
        wrong += bool(accused - set(moved.tolist()))
    return hits / count / items, wrong / count


def basis_days(
    count: int, days: int, lasting: float, off_scatters: float = 0.0, frozen: int = 3, seed: int = 1
) -> tuple[float, float]:
    """Of days with so many frozen items, each with a history of distances from the fresh line of
    which `lasting` carries over from day to day: the share with any fair item accused, fresh or
    frozen; and how often the one moved by `off_scatters` times its spread is found."""
    draw, wrong, hits = np.random.default_rng(seed), 0, 0
    for _ in range(count):
        fresh = market(LEANS[8], draw)
        noise = draw.normal(0, 1, (days + 1, frozen)) * np.sqrt(1 - lasting**2)
        noise[0] /= np.sqrt(1 - lasting**2)
        for day in range(1, days + 1):
            noise[day] += lasting * noise[day - 1]
        noise[-1, 0] += off_scatters
        dated = [_DAY + timedelta(7 * (day - days)) for day in range(days + 1)]
        past = [DayValue(on, "beef", _LINE, (fresh[0], fresh[1]), _LINE, None, _frozen(row, on))
                for on, row in zip(dated, noise, strict=True)]  # fmt: skip
        today = (*value_items(fresh, _LINE, lambda quotation: True), *past[-1].items)
        judged = judge_by_basis(replace(past[-1], items=today), past[:-1]).items
        accused = {each.label for each in judged if each.standing in _FOUND}
        hits += "frozen 0" in accused
        wrong += bool(accused - ({"frozen 0"} if off_scatters else set()))
    return wrong / count, hits / count


def _frozen(distances: np.ndarray, on: date) -> tuple[ItemValue, ...]:
    return tuple(
        ItemValue(
            f"frozen {index}",
            Quotation(f"frozen {index}", "beef", 0.9, 3.3 + 0.05 * distance, on, "frozen"),
            False, 3.5, None, 0, None, Standing.NOT_JUDGED,
        )
        for index, distance in enumerate(distances.tolist())
    )  # fmt: skip


def lines(count: int) -> Iterator[str]:
    yield "items  false days: line  curved   found (fair one accused too), off by 4, 8, 12 scatters"
    for items, leans in LEANS.items():
        fair, bent = (false_days(count, leans, curve) for curve in (0.0, 0.3))
        shares = [
            "  ".join("{:4.0%} ({:.0%})".format(*power(count // 4, leans, off, moved))
                      for off in (4, 8, 12))
            for moved in (1, 2, 3)
        ]  # fmt: skip
        yield f"{items:5}  {fair:16.1%}  {bent:6.1%}   " + "   ".join(
            f"{name} {each}" for name, each in zip(("one", "two", "three"), shares, strict=True)
        )
    yield "8 fresh, 3 frozen: earlier days, lasting, false days, found when off by 5 spreads"
    for days in (8, 26, 52):
        for lasting in (0.0, 0.5, 0.8):
            (false, _), (_, hits) = (basis_days(count // 2, days, lasting, off) for off in (0, 5))
            yield f"{days:5}  {lasting:3}  {false:6.1%}  {hits:4.0%}"


if __name__ == "__main__":
    for line in lines(2_000):
        print(line, flush=True)
