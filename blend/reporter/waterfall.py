"""From before to after, driver by driver, with the quote next to it."""

from __future__ import annotations

from typing import Any

from blend.output.answer import Spec
from blend.output.charts import BLUE, GRAY, ORANGE, chart
from blend.reporter.explained import ItemMove
from blend.units import LB_PER_CWT

_MIN_USD_PER_CWT = 0.005
_ERRORS = 1.645
"""Standard errors that the quotation's range reaches to each side: 90 of 100 cases, as parts'."""
UP, DOWN, END, QUOTE = "up", "down", "before and after", "quote"


def waterfall(move: ItemMove, title: str, subtitle: str = "", *, height_px: int = 320) -> Spec:
    """Bars from the value before to the value after; drivers that moved nothing are left out."""
    rows = _rows(move)
    if any(row["has_range"] for row in rows):
        subtitle = f"{subtitle}; lines: ranges that hold 90 times in 100".removeprefix("; ")
    ends = [row[key] for row in rows for key in ("low", "high")]
    low, high = min(ends), max(ends)
    span = high - low or 1.0
    floor = low - 0.25 * span
    for row in rows:
        row["start"] = floor if row["start"] is None else row["start"]
    scale = {"domain": [floor, high + 0.1 * span], "nice": False, "zero": False}
    place = {"field": "name", "type": "nominal", "sort": None, "title": None,
             "axis": {"labelAngle": 0, "labelExpr": "split(datum.label, '/')"}}  # fmt: skip
    value = {"field": "end", "type": "quantitative", "scale": scale, "title": "$/cwt"}
    color = {
        "field": "kind",
        "type": "nominal",
        "legend": None,
        "scale": {"domain": [UP, DOWN, END, QUOTE], "range": [ORANGE, BLUE, "#d5dbe1", GRAY]},
    }
    label = {"field": "label", "type": "nominal"}
    bars = {"filter": f"datum.kind != '{QUOTE}'"}
    layers: list[Spec] = [
        {"mark": {"type": "bar", "size": 46}, "transform": [bars],
         "encoding": {"x": place, "y": value, "y2": {"field": "start"}, "color": color}},
        {"mark": {"type": "rule", "strokeWidth": 1.5, "color": GRAY},
         "transform": [{"filter": "datum.has_range"}],
         "encoding": {"x": place, "y": {"field": "low", "type": "quantitative", "scale": scale},
                      "y2": {"field": "range_high"}}},
        {"mark": {"type": "point", "shape": "diamond", "filled": True, "size": 90, "color": GRAY},
         "transform": [{"filter": f"datum.kind == '{QUOTE}'"}],
         "encoding": {"x": place, "y": value}},
        {"mark": {"type": "text", "dy": -9},
         "encoding": {"x": place, "y": {"field": "high", "type": "quantitative", "scale": scale},
                      "text": label}},
    ]  # fmt: skip
    return chart(title, rows, layers, subtitle=subtitle, height_px=height_px)


def _rows(move: ItemMove) -> list[dict[str, Any]]:
    before, after = move.next.before * LB_PER_CWT, move.next.after * LB_PER_CWT
    rows = [_row("before", None, before, f"{before:,.2f}", END)]
    level = before
    for each in move.next.contributions:
        amount = each.amount * LB_PER_CWT
        ends = None
        if each.low is not None and each.high is not None:
            ends = level + each.low * LB_PER_CWT, level + each.high * LB_PER_CWT
        if abs(amount) >= _MIN_USD_PER_CWT:
            kind = UP if amount > 0 else DOWN
            name = each.driver.replace(" ", "/")
            rows.append(_row(name, level, level + amount, f"{amount:+,.2f}", kind, ends))
        level += amount
    rows.append(_row("after", None, after, f"{after:,.2f}", END))
    if move.observed is not None:
        quoted = before + move.observed.move_usd_per_lb * LB_PER_CWT
        error = _ERRORS * (move.observed.standard_error_usd_per_lb or 0.0) * LB_PER_CWT
        name = "quote, from/the same start"
        ends = quoted - error, quoted + error
        rows.append(_row(name, quoted, quoted, f"{quoted:,.2f}", QUOTE, ends))
    return rows


def _row(
    name: str,
    start: float | None,
    end: float,
    label: str,
    kind: str,
    ends: tuple[float, float] | None = None,
) -> dict[str, Any]:
    """`ends` of the range that holds 90 times in 100."""
    tops = [end] if start is None else [start, end]
    low, high = ends or (min(tops), max(tops))
    return {
        "name": name, "start": start, "end": end, "label": label, "kind": kind,
        "has_range": ends is not None and low < high, "low": low, "range_high": high,
        "high": max([*tops, high]),
    }  # fmt: skip
