"""Pictures of the note: where prices stood, and what the model makes of a move."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING

from blend.reporter.news import News
from blend.reporter.note_items import PRICES_PICTURE
from blend.reporter.note_why import WHY_PICTURE
from blend.show.figures import day_words
from blend.show.pictures import ACCENT, GRAY, INK, SECOND, figure, label_axes, plain, spaced
from blend.show.why_picture import waterfall_picture

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Prices = Sequence[tuple[date, float]]

_NOTE_INCHES = (9.0, 2.5)
_LABEL_SHARE = 0.062
"""Of the height of the picture, what one label takes up."""


def pictures_of(news: News) -> dict[str, bytes]:
    """The note's pictures by their ids, as SVG."""
    explained = [each.item_id for each in news.explanations[:2]]
    marked = dict(zip(explained, ("first", "second"), strict=False))
    weekly = {
        each.item.item_id: _last_of_weeks(each.prices)
        for each in news.items
        if each.quoted.confidentiality.may_be_shown
    }
    made = {PRICES_PICTURE: svg_of(prices_picture(weekly, marked))}
    if news.explanations:
        first = news.explanations[0]
        title = f"{first.item_id}, {day_words(first.since)} to {day_words(news.day)}"
        subtitle = "the price that clears the market, in the model; not proof of cause"
        drawn = waterfall_picture(first.why.price, title, subtitle)
        drawn.set_size_inches(_NOTE_INCHES)
        made[WHY_PICTURE] = svg_of(drawn)
    return made


def svg_of(made: Figure) -> bytes:
    """The picture as SVG; the same picture is the same bytes."""
    import matplotlib

    held = io.BytesIO()
    with matplotlib.rc_context({"svg.hashsalt": "blend"}):
        made.savefig(held, format="svg", metadata={"Date": None})
    return held.getvalue()


def _last_of_weeks(prices: Prices) -> Prices:
    return tuple({day.isocalendar()[:2]: (day, usd) for day, usd in prices}.values())


def prices_picture(prices: Mapping[str, Prices], marked: Mapping[str, str]) -> Figure:
    """Prices of items through time, USD per cwt, each named at its end.

    `marked` are the items that the note speaks of, with their color's place: "first" or
    "second"; the others stay gray.
    """
    made, axes = figure("", inches=_NOTE_INCHES)
    colors = {"first": ACCENT, "second": SECOND}
    drawn = {name: points for name, points in prices.items() if points}
    for name, points in drawn.items():
        days, usd = zip(*points, strict=True)
        is_marked = name in marked
        axes.plot(
            days,
            usd,
            color=colors[marked[name]] if is_marked else GRAY,
            linewidth=1.8 if is_marked else 0.8,
            zorder=3 if is_marked else 2,
        )
    if drawn:
        _name_lines(axes, drawn, {name: colors[place] for name, place in marked.items()})
    axes.xaxis.set_major_formatter(_short_day)
    label_axes(axes, "", "USD per cwt")
    return made


def _name_lines(axes, drawn: Mapping[str, Prices], colors: Mapping[str, str]) -> None:
    """Names beside the ends of the lines, moved apart where they would lie on each other."""
    lows, highs = axes.get_ylim()
    ends = [points[-1][1] for points in drawn.values()]
    heights = spaced(ends, (highs - lows) * _LABEL_SHARE)
    last = max(points[-1][0] for points in drawn.values())
    for name, height in zip(drawn, heights, strict=True):
        axes.annotate(
            plain(name),
            (last, height),
            xytext=(6, 0),
            textcoords="offset points",
            fontsize=8,
            color=colors.get(name, INK),
            va="center",
            annotation_clip=False,
        )
    axes.set_ylim(min(lows, min(heights)), max(highs, max(heights)))


def _short_day(number: float, _: int) -> str:
    from matplotlib.dates import num2date

    day = num2date(number)
    return f"{day.day} {_MONTHS[day.month - 1]} {day:%y}"


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
