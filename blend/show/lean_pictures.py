"""Pictures of lean as measured: estimates against statements, and control charts."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from blend.domain.case import Case
from blend.domain.uncertainty import ASSUMES_INDEPENDENT
from blend.lean.control import ProductControl, Series, Signal
from blend.lean.estimate import LeanEstimates, LotEstimate
from blend.show.amounts import number_words
from blend.show.control import product_words
from blend.show.pictures import (
    ACCENT,
    GRAY,
    INK,
    PALE,
    PAPER,
    SECOND,
    WIDE_INCHES,
    figure,
    label_axes,
    plain,
)
from blend.units import POINTS_PER_SHARE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_POINTS = POINTS_PER_SHARE
_ROW_INCHES = 0.19
_NO_SUPPLIER = "no supplier named"


# Estimates ---------------------------------------------------------------------------------------


def estimates_picture(case: Case, estimates: LeanEstimates) -> Figure:
    """Every lot's estimate and interval against its statement, by supplier."""
    biases = {each.supplier.casefold(): each for each in estimates.suppliers}
    order = list(biases)

    def place(lot: LotEstimate) -> tuple[int, str, float, str]:
        key = lot.supplier.casefold()
        return (
            order.index(key) if key in order else len(order),
            key,
            lot.stated_lean,
            lot.lot_id,
        )

    lots = sorted(estimates.lots, key=place)
    rows = len(lots) + len({each.supplier.casefold() for each in lots})
    made, axes = figure(
        "Lean as estimated, against lean as stated",
        "Dot and bar: estimate, 95 in 100. Ring: own tests. Shaded: supplier's bias."
        " Red: contradicted.",
        inches=(WIDE_INCHES[0], 1.6 + _ROW_INCHES * rows),
    )
    marks: list[tuple[float, str]] = []
    y = 0.0
    for key, own in groupby(lots, key=lambda each: each.supplier.casefold()):
        group = list(own)
        axes.text(
            0.005,
            y,
            plain(group[0].supplier or _NO_SUPPLIER),
            transform=axes.get_yaxis_transform(),
            fontsize=9,
            fontweight="bold",
            color=INK,
            va="center",
        )
        if key in biases:
            score = biases[key]
            ends = (-score.max_bias_share * _POINTS, -score.min_bias_share * _POINTS)
            axes.fill_betweenx([y + 0.5, y + len(group) + 0.5], *ends, color=PALE, linewidth=0)
        for lot in group:
            y += 1
            _draw_lot(axes, lot, y)
            item = case.lot(lot.lot_id).item
            marks.append((y, f"{lot.lot_id}  {item}  {lot.stated_lean * _POINTS:.1f}"))
        y += 1
    axes.axvline(0, color=INK, linewidth=1)
    axes.set_ylim(y, -1)
    axes.set_yticks([each for each, _ in marks], [plain(text) for _, text in marks], fontsize=7.5)
    axes.grid(visible=False, axis="y")
    label_axes(axes, f"estimated less stated, lean points; 95 in 100 {ASSUMES_INDEPENDENT}", "")
    return made


def _draw_lot(axes: Axes, lot: LotEstimate, y: float) -> None:
    color = ACCENT if lot.is_contradicted else SECOND if lot.tests else GRAY
    stated = lot.stated_lean
    ends = [(end - stated) * _POINTS for end in (lot.min_lean, lot.max_lean)]
    axes.plot(ends, [y, y], color=color, linewidth=1.4)
    axes.plot((lot.lean - stated) * _POINTS, y, "o", color=color, markersize=4.5)
    if lot.tested_lean is not None:
        tested = (lot.tested_lean - stated) * _POINTS
        axes.plot(tested, y, "o", color=color, markerfacecolor=PAPER, markersize=4.5, zorder=1.5)


# Control charts ----------------------------------------------------------------------------------


def control_picture(case: Case, control: ProductControl) -> Figure:
    """One product: level with its limits, drift with its own, spread with its own.

    The product has a chart, that is at least two batches.
    """
    assert control.chart is not None and control.drift is not None
    chart = control.chart
    kind = "moving range of two" if chart.readings == 1 else f"range of {chart.readings} readings"
    made, axes = figure(
        f"Lean against target: {product_words(case, control.product_id)}",
        f"The first {control.baseline} batches set the limits (dashed). Red: beyond them."
        " Blue: a run on one side of the center.",
        inches=(WIDE_INCHES[0], 7.8),
    )
    subtitle = axes.get_title(loc="left")
    axes.remove()
    panels = made.subplots(3, 1, sharex=True, height_ratios=(3, 2, 2))
    for each in panels:
        _plain_axes(each)
    level, drift, spread = panels
    level.set_title(subtitle, loc="left", fontsize=9, color=GRAY, pad=10)
    numbers = range(1, len(chart.level.values) + 1)
    _draw_series(level, numbers, chart.level)
    level.axhline(0, color=INK, linewidth=1)
    level.annotate(
        "target",
        (1.003, 0),
        xycoords=level.get_yaxis_transform(),
        fontsize=8,
        color=INK,
        va="center",
    )
    in_runs = [s.place for s in control.signalled if Signal.RUN in s.signals]
    level.plot(
        [place + 1 for place in in_runs],
        [chart.level.values[place] * _POINTS for place in in_runs],
        "o",
        color=SECOND,
        markersize=9,
        markerfacecolor="none",
    )
    _draw_series(drift, numbers, control.drift)
    _draw_series(spread, list(numbers)[-len(chart.spread.values) :], chart.spread)
    for each in panels:
        each.axvline(control.baseline + 0.5, color=GRAY, linewidth=0.8, linestyle=":")
    label_axes(level, "", "tested less target, points")
    label_axes(drift, "", "moving average")
    label_axes(spread, f"batch, {_days(control)}", kind)
    return made


def _plain_axes(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(GRAY)
    axes.tick_params(colors=GRAY, labelsize=9)
    axes.grid(color=PALE, linewidth=0.6)
    axes.set_axisbelow(True)


def _draw_series(axes: Axes, numbers: range | list[int], series: Series) -> None:
    values = [value * _POINTS for value in series.values]
    limits = series.limits
    axes.plot(numbers, values, color=GRAY, linewidth=1)
    axes.plot(numbers, values, "o", color=INK, markersize=4)
    axes.axhline(limits.center * _POINTS, color=GRAY, linewidth=1)
    for end in (limits.lower, limits.upper):
        axes.axhline(end * _POINTS, color=GRAY, linewidth=1, linestyle="--")
        axes.annotate(
            number_words(end * _POINTS, min_decimals=2),
            (1.003, end * _POINTS),
            xycoords=axes.get_yaxis_transform(),
            fontsize=8,
            color=GRAY,
            va="center",
        )
    beyond = [place for place, value in enumerate(series.values) if not limits.holds(value)]
    axes.plot(
        [numbers[place] for place in beyond],
        [values[place] for place in beyond],
        "o",
        color=ACCENT,
        markersize=5.5,
    )


def _days(control: ProductControl) -> str:
    days = [batch.made_on for batch in control.batches]
    return f"{min(days)} to {max(days)}"
