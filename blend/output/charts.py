"""One chart language: Vega-Lite specifications, shown live on the page and saved for print.

A question returns its chart as a plain specification; this module adds the look (fonts, ink,
colors that colorblind readers can distinguish, light and dark) and saves files without a browser.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from blend.errors import FileTrouble
from blend.files import check_place, write_bytes
from blend.output.frames import DataFrame

Spec = dict[str, Any]
Theme = Literal["light", "dark"]
ENDINGS = (".png", ".svg", ".pdf")
WIDTH_PX, HEIGHT_PX = 720, 320
_INK = {"light": ("#1d2733", "#d5dbe1", "#ffffff"), "dark": ("#e8edf2", "#46515c", "#171c21")}
BLUE, ORANGE, GREEN, PURPLE, GRAY = "#0072b2", "#d55e00", "#009e73", "#cc79a7", "#6b6b6b"
"""Colors of Okabe and Ito's palette, which colorblind readers can distinguish."""
PALETTE = [BLUE, ORANGE, GREEN, PURPLE, "#e69f00", "#56b4e9", GRAY]
GAIN, LOSS = BLUE, ORANGE
"""Gains and losses differ by sign and label too, never by color alone."""


def chart(
    title: str,
    values: Sequence[Mapping[str, Any]] | Mapping[str, Sequence[Mapping[str, Any]]],
    layers: Sequence[Spec] | Spec,
    *,
    subtitle: str = "",
    description: str = "",
    height_px: int = HEIGHT_PX,
    **more: Any,
) -> Spec:
    """A chart of these values: rows as dicts, or named sets of rows for layers that name theirs.

    `layers` are Vega-Lite layers (mark, encoding, transform); one alone may be given bare.
    Axis titles carry the unit, and `subtitle` the date and source.
    """
    data = (
        {"datasets": {name: list(rows) for name, rows in values.items()}}
        if isinstance(values, Mapping)
        else {"data": {"values": list(values)}}
    )
    heading: Spec = {"text": title, "anchor": "start"} | (
        {"subtitle": subtitle} if subtitle else {}
    )
    marks = layers if isinstance(layers, Mapping) else {"layer": list(layers)}
    # The panels of several plots have sizes of their own.
    has_panels = marks.keys() & {"hconcat", "vconcat", "facet"}
    size = {} if has_panels else {"width": WIDTH_PX, "height": height_px}
    return {"title": heading, "description": description or title, **size, **data, **marks, **more}


def signed_bars(
    title: str,
    amounts: Mapping[str, float],
    unit: str,
    *,
    subtitle: str = "",
    decimals: int = 2,
    is_horizontal: bool = False,
) -> Spec:
    """A bar for each name, above or below zero, with its amount written at it."""
    rows = [
        {"name": name, "amount": amount, "way": "up" if amount > 0 else "down"}
        for name, amount in amounts.items()
    ]
    names = {"field": "name", "type": "nominal", "sort": None, "title": None}
    room = {"padding": 44 if is_horizontal else 16}  # pixels, for the amounts at the bars' ends
    scale = {"field": "amount", "type": "quantitative", "title": unit, "scale": room}
    written = f"+,.{decimals}f"
    offset = "dx" if is_horizontal else "dy"
    place = "datum.amount < 0 ? -24 : 24" if is_horizontal else "datum.amount < 0 ? 10 : -8"
    return chart(
        title,
        rows,
        [
            {"mark": {"type": "bar"}},
            {
                "mark": {"type": "text", offset: {"expr": place}},
                "encoding": {"text": {"field": "amount", "format": written}},
            },
        ],
        subtitle=subtitle,
        encoding={
            "x": scale if is_horizontal else names | {"axis": {"labelAngle": 0}},
            "y": names if is_horizontal else scale,
            "color": {
                "field": "way",
                "type": "nominal",
                "legend": None,
                "scale": {"domain": ["up", "down"], "range": [GAIN, LOSS]},
            },
            "tooltip": [
                {"field": "name", "title": " "},
                {"field": "amount", "title": unit, "format": written},
            ],
        },
    )


def amount(field: str, title: str | None = None, **more: Any) -> Spec:
    """An encoding by a number; `title` is its axis title, with the unit.

    Layers that share an axis must give it the same title."""
    return {"field": field, "type": "quantitative", "title": title, **more}


def name(field: str, title: str | None = None, **more: Any) -> Spec:
    """An encoding by a name, in the order of the rows."""
    return {"field": field, "type": "nominal", "sort": None, "title": title, **more}


def layer(mark: str | Spec, data: str = "", **encoding: Spec | Sequence[Spec]) -> Spec:
    """A layer: its mark, its encoding, and the named rows it draws."""
    of_data = {"data": {"name": data}} if data else {}
    return {"mark": mark, "encoding": encoding, **of_data}


def rows_of(frame: DataFrame, *columns: str) -> list[dict[str, Any]]:
    """A frame's rows as a chart takes them, all columns unless some are named."""
    names = [str(name) for name in columns or frame.columns]
    rows = frame[names].itertuples(index=False, name=None)
    return [dict(zip(names, row, strict=True)) for row in rows]


def themed(spec: Spec, theme: Theme = "light") -> Spec:
    """The chart with the one look that all charts share."""
    schema = "https://vega.github.io/schema/vega-lite/v6.json"
    return {"$schema": schema, "config": look(theme)} | spec


def look(theme: Theme) -> Spec:
    """The configuration of every chart."""
    ink, lines, paper = _INK[theme]
    axis = {
        "labelColor": ink, "titleColor": ink, "gridColor": lines, "domainColor": lines,
        "tickColor": lines, "labelFontSize": 12, "titleFontSize": 12, "titleFontWeight": "normal",
        "labelSeparation": 8,
    }  # fmt: skip
    return {
        "background": paper,
        "font": "Liberation Sans, Arial, sans-serif",
        "axis": axis,
        "legend": {"labelColor": ink, "titleColor": ink, "labelFontSize": 12},
        "title": {"color": ink, "subtitleColor": ink, "fontSize": 15, "subtitleFontSize": 12},
        "view": {"stroke": None},
        "text": {"color": ink, "fontSize": 12},
        "range": {"category": PALETTE},
        "bar": {"color": BLUE},
        "line": {"color": BLUE},
        "point": {"color": BLUE},
    }


def check_chart_path(path: Path) -> None:
    """Before anything is computed: can the chart be saved there? FileTrouble if not."""
    if path.suffix.lower() not in ENDINGS:
        raise FileTrouble(f"{path}: a chart is saved as .png, .svg or .pdf. Change the ending.")
    check_place(path)


def save(spec: Spec, path: Path) -> None:
    """Write the chart as .png, .svg or .pdf, whole or not at all. Fetches nothing."""
    check_chart_path(path)
    write_bytes(path, picture(spec, path.suffix.lower()))


def picture(spec: Spec, ending: str, theme: Theme = "light") -> bytes:
    """The chart as the bytes of a file with this ending."""
    import vl_convert

    whole = themed(spec, theme)
    if ending == ".svg":
        return vl_convert.vegalite_to_svg(whole, allowed_base_urls=[]).encode()
    if ending == ".pdf":
        return vl_convert.vegalite_to_pdf(whole, allowed_base_urls=[])
    return vl_convert.vegalite_to_png(whole, scale=2, allowed_base_urls=[])
