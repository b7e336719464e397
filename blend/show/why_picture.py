"""From before to after, driver by driver: a waterfall of contributions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blend.report.explained import ItemMove
from blend.show.pictures import ACCENT, GREY, INK, PALE, SECOND, figure, label_axes, plain
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LEAST_USD_PER_CWT = 0.005
_BAR = 0.62


def waterfall_picture(move: ItemMove, title: str, subtitle: str) -> Figure:
    """Bars that float from the value before to the value after, and the quotation beside.

    Drivers that moved nothing are left out.
    """
    parts = [
        each
        for each in move.next.contributions
        if abs(each.amount) * LB_PER_CWT >= _LEAST_USD_PER_CWT
    ]
    made, axes = figure(title, subtitle)
    before, after = move.next.before * LB_PER_CWT, move.next.after * LB_PER_CWT
    names = ["before", *(each.driver.replace(" ", "\n") for each in parts), "after"]
    levels = [before]
    for each in parts:
        levels.append(levels[-1] + each.amount * LB_PER_CWT)
    quoted = None if move.observed is None else before + move.observed.move_usd_per_lb * LB_PER_CWT
    widest = 2 * LB_PER_CWT * _error_of(move)
    ends = [*levels, after, *([] if quoted is None else [quoted - widest, quoted + widest])]
    span = max(ends) - min(ends) or 1.0
    floor = min(ends) - 0.25 * span
    _ends(axes, floor, (0, before), (len(parts) + 1, after))
    for place, each in enumerate(parts, 1):
        start, end = levels[place - 1], levels[place]
        error = each.standard_error * LB_PER_CWT
        axes.bar(
            place,
            end - start,
            _BAR,
            bottom=start,
            color=SECOND if end > start else ACCENT,
            yerr=error or None,
            error_kw={"ecolor": INK, "elinewidth": 1, "capsize": 3},
            zorder=2,
        )
        _tell(axes, place, max(start, end) + error + 0.02 * span, f"{end - start:+,.2f}")
    for place, level in enumerate(levels):
        axes.plot(
            [place + _BAR / 2, place + 1 - _BAR / 2], [level, level], color=GREY, linewidth=0.8
        )
    _tell(axes, 0, before + 0.02 * span, f"{before:,.2f}")
    _tell(axes, len(parts) + 1, after + 0.02 * span, f"{after:,.2f}")
    if quoted is not None:
        _quotation(axes, move, quoted, len(parts) + 2, span)
        names.append("quotation\n(from the\nsame start)")
    axes.set_xticks(
        range(len(names)), [plain(n) if "\n" not in n else n for n in names], fontsize=9
    )
    axes.set_ylim(floor, max(ends) + 0.2 * span)
    axes.grid(visible=False, axis="x")
    label_axes(axes, "", "USD/cwt")
    return made


def _ends(axes, floor: float, *bars: tuple[int, float]) -> None:
    for place, level in bars:
        axes.bar(
            place,
            level - floor,
            _BAR,
            bottom=floor,
            color=PALE,
            edgecolor=GREY,
            linewidth=0.6,
            zorder=2,
        )


def _error_of(move: ItemMove) -> float:
    return (move.observed and move.observed.standard_error_usd_per_lb) or 0.0


def _quotation(axes, move: ItemMove, quoted: float, place: int, span: float) -> None:
    error = _error_of(move) * LB_PER_CWT
    axes.errorbar(
        [place],
        [quoted],
        yerr=[2 * error] if error else None,
        fmt="D",
        color=INK,
        markersize=6,
        capsize=4,
        elinewidth=1,
        zorder=3,
    )
    words = f"{quoted:,.2f}" + (f"\n± {2 * error:,.2f}" if error else "")
    _tell(axes, place, quoted + 2 * error + 0.02 * span, words)


def _tell(axes, place: float, level: float, words: str) -> None:
    axes.annotate(words, (place, level), ha="center", va="bottom", fontsize=9, color=INK)
