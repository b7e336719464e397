"""Pictures of drawn batches: tested fat against its limits."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from blend.domain.case import Case
from blend.domain.uncertainty import ASSUMES_INDEPENDENT, Sides
from blend.show.amounts import percent
from blend.show.pictures import ACCENT, GRAY, INK, PALE, SECOND, canvas, dress, plain
from blend.units import POINTS_PER_SHARE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from blend.grinder.simulate import SimulatedRun, Simulation

_COLUMNS = 3
_OUT_WORDS = {Sides.BELOW: "too fat", Sides.ABOVE: "too lean"}
_PANEL_INCHES = (3.3, 2.4)


def simulation_picture(case: Case, safe: Simulation, without: Simulation) -> Figure:
    """Tested fat of drawn batches by product, of the safe plan and of the one without promises."""
    shown = safe.runs
    across = min(_COLUMNS, len(shown))
    down = -(-len(shown) // across)
    made = canvas(
        "Tested fat of planned batches, drawn",
        inches=(max(6.6, _PANEL_INCHES[0] * across), 1.0 + _PANEL_INCHES[1] * down),
    )
    others = {run.product_id: run for run in reversed(without.runs)}
    for place, run in enumerate(shown, 1):
        axes = made.add_subplot(down, across, place)
        out = ", ".join(f"{percent(each.share)} {_OUT_WORDS[each.side]}" for each in run.out)
        name = case.product(run.product_id).name
        dress(axes, f"{name}{f', recipe {run.run}' if run.run > 1 else ''}: {out}")
        _outline(axes, run, SECOND, "as promised", filled=True)
        if run.product_id in others:
            _outline(axes, others[run.product_id], GRAY, "limits on average")
        for number, each in enumerate(run.out):
            limit = (1 - each.limit_share) * POINTS_PER_SHARE
            axes.axvline(limit, color=ACCENT, linewidth=1.4, label=None if number else "limit")
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.grid(visible=False)
        if place > len(shown) - across:
            axes.set_xlabel(plain(f"fat, %; {ASSUMES_INDEPENDENT}"), fontsize=9, color=INK)
    made.legend(
        *made.axes[0].get_legend_handles_labels(),
        loc="outside upper right",
        ncols=3,
        frameon=False,
        fontsize=9,
        labelcolor=INK,
    )
    return made


def _outline(
    axes: Axes, run: SimulatedRun, color: str, label: str, *, filled: bool = False
) -> None:
    """Batches by tested fat, as a density so that both plans can be held against each other."""
    edges = [edge * POINTS_PER_SHARE for edge in run.fat_edges]
    total = sum(run.fat_counts)
    widths = [right - left for left, right in pairwise(edges)]
    heights = [count / total / width for count, width in zip(run.fat_counts, widths, strict=True)]
    if filled:
        axes.stairs(heights, edges, color=PALE, fill=True)
    axes.stairs(heights, edges, color=color, linewidth=1.3, label=label)
