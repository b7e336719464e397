"""The waterfall of a foreign offer: from its price at origin to the price next to fresh."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blend.domain.imports import BuildUp, Cost
from blend.show.amounts import number_words
from blend.show.pictures import (
    ACCENT,
    GRAY,
    INK,
    SECOND,
    figure,
    label_axes,
    plain,
)
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH = 0.62


def waterfall_picture(built: BuildUp) -> Figure:
    """Steps between bars that stand on the ground; the fresh price as a line across."""
    offer = built.offer
    made, axes = figure(
        f"{offer.offer_id}: {offer.item} from {offer.origin}, next to fresh",
        f"{offer.currency} {number_words(offer.price, max_decimals=4)} per {offer.price_per} "
        f"{offer.basis}; entry on {offer.entry_on}. The scale does not begin at zero.",
        inches=(10.0, 5.8),
    )
    steps = _steps(built)
    tops = [top for _, top, _ in steps] + [offer.fresh_usd_per_lb * LB_PER_CWT]
    ground = _ground(built)
    axes.set_ylim(ground, max(tops) + 0.12 * (max(tops) - ground))
    before: float | None = None
    for place, (name, top, is_sum) in enumerate(steps):
        if is_sum:
            _bar(axes, place, ground, top, INK if name != "next to fresh" else SECOND)
            _label(axes, place, top, f"{top:,.2f}")
        else:
            rises = top >= before
            _bar(axes, place, min(before, top), max(before, top), ACCENT if rises else SECOND)
            _label(axes, place, max(before, top), f"{top - before:+,.2f}")
        if before is not None:
            axes.plot([place - 1, place], [before, before], color=GRAY, linewidth=0.7, zorder=1)
        before = top
    _draw_fresh(axes, offer.fresh_usd_per_lb * LB_PER_CWT, len(steps))
    axes.set_xticks(range(len(steps)), [_broken(name) for name, _, _ in steps])
    axes.tick_params(axis="x", labelsize=7.5)
    axes.grid(axis="x", visible=False)
    label_axes(axes, "", "USD/cwt")
    return made


def _steps(built: BuildUp) -> list[tuple[str, float, bool]]:
    """Name, level after it, and whether it is a sum that stands on the ground."""
    steps: list[tuple[str, float, bool]] = []
    level = 0.0
    for line in built.lines:
        if line.cost is Cost.THAW:
            steps.append(("landed, frozen", level * LB_PER_CWT, True))
        level += line.usd_per_lb
        if line.cost is Cost.ORIGIN or line.usd_per_lb:
            steps.append((line.cost.value, level * LB_PER_CWT, line.cost is Cost.ORIGIN))
    return [*steps, ("next to fresh", level * LB_PER_CWT, True)]


def _ground(built: BuildUp) -> float:
    """Where the bars begin: low enough to show the first, high enough to show the steps."""
    levels = [top for _, top, _ in _steps(built)]
    levels.append(built.offer.fresh_usd_per_lb * LB_PER_CWT)
    spread = max(levels) - min(levels)
    return max(0.0, min(levels) - 0.6 * max(spread, 1.0))


def _bar(axes: Axes, place: int, low: float, high: float, color: str) -> None:
    axes.bar(place, high - low, bottom=low, width=_WIDTH, color=color, zorder=2)


def _label(axes: Axes, place: int, top: float, text: str) -> None:
    axes.annotate(
        text, (place, top), xytext=(0, 3), textcoords="offset points", ha="center", fontsize=8
    )


def _draw_fresh(axes: Axes, fresh: float, count: int) -> None:
    axes.axhline(fresh, color=INK, linewidth=1, linestyle=(0, (5, 3)), zorder=3)
    axes.annotate(
        f"fresh {fresh:,.2f}",
        (-0.45, fresh),
        xytext=(0, 3),
        textcoords="offset points",
        fontsize=9,
        color=INK,
        backgroundcolor="white",
    )
    axes.set_xlim(-0.6, count - 0.4)


def _broken(name: str) -> str:
    """A name over several lines, so that names stand side by side."""
    return "\n".join(map(plain, name.split()))
