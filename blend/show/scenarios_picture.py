"""The spread of the plan's cost over the draws, with the named scenarios marked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blend.show.amounts import count_of
from blend.show.pictures import ACCENT, GRAY, INK, PALE, PAPER, figure, label_axes, plain, spaced
from blend.trader.scenarios import ScenarioResults

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_BINS = 60
_THOUSAND = 1000.0
_MARKED = ((0.05, "5 %"), (0.5, "median"), (0.95, "95 %"))


def cost_picture(results: ScenarioResults) -> Figure:
    """A histogram of the cost, its quantiles, and the named scenarios above it."""
    cost = results.drawn("objective_usd") / _THOUSAND
    made, axes = figure(
        "What the day may cost",
        f"{count_of(len(cost), 'draw')} with a plan; containers, counts and batches divisible",
    )
    heights, *_ = axes.hist(cost, bins=_BINS, color=PALE, edgecolor=GRAY, linewidth=0.4, zorder=2)
    top = float(heights.max())
    for share, name in _MARKED:
        place = float(np.quantile(cost, share))
        axes.axvline(place, color=INK, linewidth=1, linestyle=(0, (5, 3)), zorder=3)
        axes.annotate(
            f"{name}\n{place:,.1f}",
            (place, top * 1.02),
            xytext=(4, 0),
            textcoords="offset points",
            fontsize=8,
            color=INK,
            va="bottom",
        )
    _mark_named(axes, results, top)
    axes.set_ylim(0, top * (1.22 + 0.07 * (1 + len(results.job.named))))
    label_axes(axes, "cost of the plan, 1,000 USD", "draws")
    return made


def _mark_named(axes: Axes, results: ScenarioResults, top: float) -> None:
    """One line of names for each scenario, so that none lies on another."""
    cost = results.column("objective_usd")[: 1 + len(results.job.named)] / _THOUSAND
    there = [(results.job.name(i), float(c)) for i, c in enumerate(cost) if not np.isnan(c)]
    heights = spaced([top * 1.2] * len(there), top * 0.07)
    floor = min(heights, default=0.0)
    for (name, place), height in zip(there, heights, strict=True):
        level = height - floor + top * 1.2
        axes.plot([place], [level], marker="v", color=ACCENT, markersize=6, zorder=4)
        axes.annotate(
            plain(f"{name} {place:,.1f}"),
            (place, level),
            xytext=(7, 0),
            textcoords="offset points",
            fontsize=8,
            color=ACCENT,
            va="center",
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1},
        )
