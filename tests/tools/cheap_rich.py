"""`python -m tests.tools.cheap_rich`: how often fair items are called cheap or rich, and how
often items that are off are found.

Simulated days of fresh items: prices on a line or a curve over lean, with normal scatter. A false
day has at least one fair item called cheap or rich. Power is for one item off, and for two.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import numpy as np

from blend.domain.quotations import Quotation
from blend.trader.lean_fat import Standing, fit_line, value_items

LEANS = {
    6: (0.50, 0.65, 0.75, 0.81, 0.85, 0.90),
    8: (0.50, 0.65, 0.73, 0.75, 0.81, 0.85, 0.90, 0.93),
    12: tuple(np.linspace(0.42, 0.95, 12).round(3)),
}
SCATTER_USD_PER_LB = 0.05
_DAY = date(2026, 3, 2)
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
    values = value_items(quotations, fit_line(quotations), lambda quotation: True)
    return {index for index, each in enumerate(values) if each.standing in _FOUND}


def false_days(count: int, leans: tuple[float, ...], curve: float = 0.0, seed: int = 1) -> float:
    """Share of fair days on which any item is called cheap or rich."""
    draw = np.random.default_rng(seed)
    return sum(bool(found(market(leans, draw, curve))) for _ in range(count)) / count


def power(
    count: int, leans: tuple[float, ...], off_scatters: float, items: int = 1, seed: int = 1
) -> float:
    """Share of the items moved by so many times the scatter that are found."""
    draw, hits = np.random.default_rng(seed), 0
    for _ in range(count):
        quotations = market(leans, draw)
        moved = draw.choice(len(leans), items, replace=False)
        for index in moved:
            quotation = quotations[index]
            price = quotation.usd_per_lb + off_scatters * SCATTER_USD_PER_LB
            quotations[index] = Quotation(quotation.item, "beef", quotation.lean, price, _DAY)
        hits += len(found(quotations) & set(moved.tolist()))
    return hits / count / items


def lines(count: int) -> Iterator[str]:
    yield "items  false days: line  curved   found when off by 4, 6, 8, 12 times the scatter"
    for items, leans in LEANS.items():
        fair, bent = (false_days(count, leans, curve) for curve in (0.0, 0.3))
        alone = "  ".join(f"{power(count // 4, leans, off):4.0%}" for off in (4, 6, 8, 12))
        two = "  ".join(f"{power(count // 4, leans, off, 2):4.0%}" for off in (4, 6, 8, 12))
        yield f"{items:5}  {fair:16.1%}  {bent:6.1%}   one {alone}   two {two}"


if __name__ == "__main__":
    for line in lines(2_000):
        print(line, flush=True)
