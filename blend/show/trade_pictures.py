"""The trader's pictures: items against the line, a demand curve, a map of regions."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

from blend.domain.lots import Lot
from blend.show.amounts import number_words
from blend.show.pictures import (
    ACCENT,
    INK,
    PALE,
    PAPER,
    SECOND,
    figure,
    label_axes,
    plain,
)
from blend.trader.curves import MIN_LB, DemandCurve, Region, RegionMap
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def demand_picture(curve: DemandCurve, lot: Lot) -> Figure:
    """Pounds taken over delivered price: a flight of steps, today's price and the entry."""
    made, axes = figure(
        f"Demand for {lot.lot_id}, {lot.item}",
        "Pounds that the least-cost plan takes at each delivered price, all else as it is;"
        " exact, linear program",
    )
    low, high = _window(curve)
    prices, pounds = [], []
    for step in curve.steps:
        prices += [max(step.min_usd_per_lb, low), min(step.max_usd_per_lb, high)]
        pounds += [step.pounds_lb] * 2
    inside = [
        (price * LB_PER_CWT, lb)
        for price, lb in zip(prices, pounds, strict=True)
        if low <= price <= high
    ]
    x, y = zip(*inside, strict=True)
    axes.fill_between(x, y, color=PALE, alpha=0.7, linewidth=0)
    axes.plot(x, y, color=INK, linewidth=1.8)
    axes.set_ylim(0, 1.12 * max(*y, 1.0))
    axes.set_xlim(low * LB_PER_CWT, high * LB_PER_CWT)
    axes.yaxis.set_major_formatter(lambda lb, _: f"{lb:,.0f}")
    marks = [(curve.delivered_usd_per_lb, "its price", SECOND)]
    entry = curve.entry_usd_per_lb
    if entry is not None and math.isfinite(entry):
        marks.append((entry, "taken below", ACCENT))
    for (price, words, color), height in zip(sorted(marks), (1.0, 0.9), strict=False):
        axes.axvline(price * LB_PER_CWT, color=color, linewidth=1.2, linestyle="--")
        to_left = price > (low + high) / 2
        axes.annotate(
            f"{words} {price * LB_PER_CWT:,.2f}",
            (price * LB_PER_CWT, height),
            (-6 if to_left else 6, -3),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            ha="right" if to_left else "left",
            va="top",
            fontsize=10,
            color=color,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5},
        )
    label_axes(axes, "delivered price, USD/cwt", "pounds taken")
    return made


def _window(curve: DemandCurve) -> tuple[float, float]:
    """From the least price asked to a little past everything that is marked; the part where
    nothing happens any more is left out."""
    ends = [step.max_usd_per_lb for step in curve.steps if math.isfinite(step.max_usd_per_lb)]
    begins = [step.max_usd_per_lb for step in curve.steps[:1]]
    low = curve.steps[0].min_usd_per_lb
    high = max([*ends, curve.delivered_usd_per_lb])
    first = min(*begins, curve.delivered_usd_per_lb)
    reach = max(high - first, 0.02 * high)
    return max(low, first - 0.25 * reach), high + 0.15 * reach


# Regions -----------------------------------------------------------------------------------------

_KINDS = (
    ("both", ACCENT),
    ("{first} only", "#B5763A"),
    ("{second} only", SECOND),
    ("neither", "#E9E6E0"),
)


def regions_picture(found: RegionMap, lots: tuple[Lot, Lot]) -> Figure:
    """Polygons in the plane of two prices; the stronger the tint, the more pounds are taken."""
    from matplotlib.patches import Patch, Polygon

    first, second = (lot.lot_id for lot in lots)
    made, axes = figure(
        f"What the plan takes of {first} and {second}",
        f"{lots[0].item} against {lots[1].item}, all else as it is;"
        f" {'exact' if found.is_exact else 'NOT EXACT: stopped early'}, linear program."
        f" In a region: pounds of {first}, below them of {second}.",
        inches=(9.0, 7.2),
    )
    maximum = [max(region.pounds_lb[axis] for region in found.regions) for axis in (0, 1)]
    (left, low), (right, high) = (
        [price * LB_PER_CWT for price in ends]
        for ends in (found.min_usd_per_lb, found.max_usd_per_lb)
    )
    for region in found.regions:
        kind = _kind(region)
        corners = [(x * LB_PER_CWT, y * LB_PER_CWT) for x, y in region.corners_usd_per_lb]
        alpha = 1.0 if kind == 3 else 0.15 + 0.6 * _fullness(region, maximum)
        axes.add_patch(Polygon(corners, facecolor=_KINDS[kind][1], alpha=alpha, linewidth=0))
        axes.add_patch(Polygon(corners, fill=False, edgecolor=INK, linewidth=0.6))
    axes.set_xlim(left, right)
    axes.set_ylim(low, high)
    axes.grid(visible=False)
    _label_regions(made, axes, found)
    here = [price * LB_PER_CWT for price in found.delivered_usd_per_lb]
    axes.plot(*here, "o", color=PAPER, markeredgecolor=INK, markersize=9, zorder=5)
    label_axes(
        axes,
        f"{first} delivered, USD/cwt (today {here[0]:,.2f}, the ring)",
        f"{second} delivered, USD/cwt (today {here[1]:,.2f})",
    )
    met = sorted({_kind(region) for region in found.regions})
    patches = [
        Patch(
            facecolor=_KINDS[kind][1],
            edgecolor=INK,
            alpha=0.6 if kind < 3 else 1.0,
            label=plain(f"takes {_KINDS[kind][0].format(first=first, second=second)}"),
        )
        for kind in met
    ]
    axes.legend(
        handles=patches,
        loc="upper center",
        bbox_to_anchor=(0.5, -0.11),
        ncols=4,
        fontsize=9,
        frameon=False,
    )
    return made


def _kind(region: Region) -> int:
    takes = [pounds > MIN_LB for pounds in region.pounds_lb]
    return {(True, True): 0, (True, False): 1, (False, True): 2, (False, False): 3}[tuple(takes)]


def _fullness(region: Region, maximum: list[float]) -> float:
    shares = [
        pounds / limit for pounds, limit in zip(region.pounds_lb, maximum, strict=True) if limit > 0
    ]
    return sum(shares) / max(1, len(shares))


def _label_regions(made: Figure, axes: Axes, found: RegionMap) -> None:
    """The pounds of both lots in every region that has room for them."""
    made.canvas.draw()
    renderer = made.canvas.get_renderer()
    for region in found.regions:
        corners = [(x * LB_PER_CWT, y * LB_PER_CWT) for x, y in region.corners_usd_per_lb]
        middle = _middle(corners)
        words = axes.text(
            *middle,
            "\n".join(f"{pounds + 0.0:,.0f}" for pounds in region.pounds_lb),
            ha="center",
            va="center",
            fontsize=8,
            color=INK,
            zorder=4,
        )
        box = words.get_window_extent(renderer).expanded(1.15, 1.15)
        back = axes.transData.inverted()
        if not all(_holds(corners, back.transform(place)) for place in box.corners()):
            words.remove()


def _middle(corners: list[tuple[float, float]]) -> tuple[float, float]:
    """Center of gravity of a convex polygon, by triangles from its first corner."""
    (x0, y0), *others = corners
    total, x_sum, y_sum = 0.0, 0.0, 0.0
    for (x1, y1), (x2, y2) in pairwise(others):
        size = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        total += size
        x_sum += size * (x0 + x1 + x2) / 3
        y_sum += size * (y0 + y1 + y2) / 3
    return x_sum / total, y_sum / total


def _holds(corners: list[tuple[float, float]], place: tuple[float, float]) -> bool:
    return all(
        (x2 - x1) * (place[1] - y1) - (y2 - y1) * (place[0] - x1) >= 0
        for (x1, y1), (x2, y2) in zip(corners, corners[1:] + corners[:1], strict=True)
    )


def _price(usd_per_lb: float) -> str:
    return f"{number_words(usd_per_lb * LB_PER_CWT, min_decimals=2)} USD/cwt"
