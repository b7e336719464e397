"""From before to after, driver by driver: a waterfall of contributions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from blend.reporter.explained import Contribution, ItemMove
from blend.show.pictures import ACCENT, GRAY, INK, PALE, SECOND, figure, label_axes
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MIN_USD_PER_CWT = 0.005
_BAR = 0.62
_ERRORS = 2
"""Standard errors that a bar reaches to each side."""


def waterfall_picture(move: ItemMove, title: str, subtitle: str) -> Figure:
    """Bars that float from the value before to the value after, and the quotation beside.

    Drivers that moved nothing are left out.
    """
    parts = [
        each
        for each in move.next.contributions
        if abs(each.amount) * LB_PER_CWT >= _MIN_USD_PER_CWT
    ]
    if _error_of(move) or any(each.standard_error for each in parts):
        subtitle += "; bars: two standard errors to each side"
    made, axes = figure(title, subtitle)
    before, after = move.next.before * LB_PER_CWT, move.next.after * LB_PER_CWT
    levels = [before]
    for each in parts:
        levels.append(levels[-1] + each.amount * LB_PER_CWT)
    names = ["before", *(each.driver.replace(" ", "\n") for each in parts), "after"]
    reach = [(level, level) for level in (*levels, after)]
    reach += [
        (end - _bar_of(p), end + _bar_of(p)) for end, p in zip(levels[1:], parts, strict=True)
    ]
    if move.observed is not None:
        quoted = before + move.observed.move_usd_per_lb * LB_PER_CWT
        reach.append((quoted - _error_of(move), quoted + _error_of(move)))
    low, high = min(minimum for minimum, _ in reach), max(maximum for _, maximum in reach)
    span = high - low or 1.0
    floor = low - 0.25 * span
    _ends(axes, floor, (0, before), (len(parts) + 1, after))
    _steps(axes, parts, levels, span)
    _tell(axes, 0, before + 0.02 * span, f"{before:,.2f}")
    _tell(axes, len(parts) + 1, after + 0.02 * span, f"{after:,.2f}")
    if move.observed is not None:
        _quotation(axes, move, quoted, len(parts) + 2, span)
        names.append("quotation\n(from the\nsame start)")
    axes.set_xticks(range(len(names)), names, fontsize=9)
    axes.set_ylim(floor, high + 0.2 * span)
    axes.grid(visible=False, axis="x")
    label_axes(axes, "", "USD/cwt")
    return made


def _bar_of(part: Contribution) -> float:
    return _ERRORS * part.standard_error * LB_PER_CWT


def _steps(axes, parts: list[Contribution], levels: list[float], span: float) -> None:
    """A bar for each part, from level to level, and thin lines that carry the level on."""
    for place, each in enumerate(parts, 1):
        start, end = levels[place - 1], levels[place]
        axes.bar(
            place,
            end - start,
            _BAR,
            bottom=start,
            color=SECOND if end > start else ACCENT,
            yerr=_bar_of(each) or None,
            error_kw={"ecolor": INK, "elinewidth": 1, "capsize": 3},
            zorder=2,
        )
        top = max(start, end + _bar_of(each))
        _tell(axes, place, top + 0.02 * span, f"{end - start:+,.2f}")
    for place, level in enumerate(levels):
        ends = [place + _BAR / 2, place + 1 - _BAR / 2]
        axes.plot(ends, [level, level], color=GRAY, linewidth=0.8)


def _ends(axes, floor: float, *bars: tuple[int, float]) -> None:
    for place, level in bars:
        axes.bar(
            place,
            level - floor,
            _BAR,
            bottom=floor,
            color=PALE,
            edgecolor=GRAY,
            linewidth=0.6,
            zorder=2,
        )


def _error_of(move: ItemMove) -> float:
    """How far the quotation's bar reaches to each side, USD per cwt."""
    error = move.observed and move.observed.standard_error_usd_per_lb
    return _ERRORS * (error or 0.0) * LB_PER_CWT


def _quotation(axes, move: ItemMove, quoted: float, place: int, span: float) -> None:
    error = _error_of(move)
    axes.errorbar(
        [place],
        [quoted],
        yerr=[error] if error else None,
        fmt="D",
        color=INK,
        markersize=6,
        capsize=4,
        elinewidth=1,
        zorder=3,
    )
    words = f"{quoted:,.2f}" + (f"\n± {error:,.2f}" if error else "")
    _tell(axes, place, quoted + error + 0.02 * span, words)


def _tell(axes, place: float, level: float, words: str) -> None:
    axes.annotate(words, (place, level), ha="center", va="bottom", fontsize=9, color=INK)
