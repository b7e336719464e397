"""Charts of the note: where prices stood, and what the model makes of a move."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from itertools import pairwise

from blend.output.answer import Spec
from blend.output.charts import BLUE, GRAY, ORANGE, chart, picture
from blend.reporter.news import News
from blend.reporter.note_text import PRICES_CHART, WHY_CHART
from blend.reporter.waterfall import waterfall

Prices = Sequence[tuple[date, float]]
_HEIGHT_PX = 190
_LABEL_SHARE = 0.075
"""Of the chart's height, what one label takes up."""


_SHORT_DAYS = 120
"""A span this short is marked with its days, and with points, as a line of one point is none."""


def charts_of(news: News) -> dict[str, Spec]:
    """The note's charts by their ids."""
    named = [each.item_id for each in news.explanations[:2]]
    weekly = {
        each.item.item_id: _last_of_weeks(each.prices)
        for each in news.items
        if each.quoted.confidentiality.may_be_shown
    }
    made = {PRICES_CHART: prices_chart(weekly, named)}
    if news.explanations:
        made[WHY_CHART] = waterfall(news.explanations[0].why.price, "", height_px=_HEIGHT_PX)
    return made


def pictures_of(news: News) -> dict[str, bytes]:
    """The note's charts by their ids, as SVG."""
    return {name: picture(spec, ".svg") for name, spec in charts_of(news).items()}


def _last_of_weeks(prices: Prices) -> Prices:
    return tuple({day.isocalendar()[:2]: (day, usd) for day, usd in prices}.values())


def prices_chart(prices: Mapping[str, Prices], named: Sequence[str] = ()) -> Spec:
    """Prices of items through time, $/cwt, each labeled at its end; `named` are the items the
    note speaks of, in color, the others gray."""
    lines = {name: points for name, points in prices.items() if points}
    rows = [
        {"item": name, "day": day.isoformat(), "usd": usd}
        for name, points in lines.items()
        for day, usd in points
    ]
    every = [usd for points in lines.values() for _, usd in points] or [0.0]
    ends = {name: points[-1][1] for name, points in lines.items()}
    heights = _spaced(list(ends.values()), (max(every) - min(every)) * _LABEL_SHARE)
    last = max((points[-1][0] for points in lines.values()), default=date.min).isoformat()
    labels = [
        {"item": name, "day": last, "usd": at} for name, at in zip(ends, heights, strict=True)
    ]
    colors = [BLUE, ORANGE]
    of_name = {name: colors[place % 2] for place, name in enumerate(named)}
    color = {
        "field": "item",
        "type": "nominal",
        "legend": None,
        "scale": {"domain": list(lines), "range": [of_name.get(name, GRAY) for name in lines]},
    }
    size = {
        "condition": {"test": {"field": "item", "oneOf": list(named)}, "value": 2.4},
        "value": 0.9,
    }
    days = sorted({day for points in lines.values() for day, _ in points})
    is_short = not days or (days[-1] - days[0]).days < _SHORT_DAYS
    written = "%b %-d" if is_short else "%b %Y"
    x = {"field": "day", "type": "temporal", "title": None, "axis": {"format": written}}
    y = {"field": "usd", "type": "quantitative", "title": "$/cwt", "scale": {"zero": False}}
    layers: list[Spec] = [
        {"data": {"name": "prices"}, "mark": {"type": "line", "point": is_short},
         "encoding": {"x": x, "y": y, "color": color, "strokeWidth": size}},
        {"data": {"name": "labels"}, "mark": {"type": "text", "align": "left", "dx": 5},
         "encoding": {"x": x, "y": y, "color": color, "text": {"field": "item"}}},
    ]  # fmt: skip
    return chart("", {"prices": rows, "labels": labels}, layers, height_px=_HEIGHT_PX)


def _spaced(ends: Sequence[float], room: float) -> list[float]:
    """Heights of labels near their lines' ends, at least `room` apart."""
    order = sorted(range(len(ends)), key=ends.__getitem__)
    heights = list(ends)
    for lower, upper in pairwise(order):
        heights[upper] = max(heights[upper], heights[lower] + room)
    return heights
