"""Volumes on the week, the year and year to date; what prices did after them; how many items
moved."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Any

from blend.domain.method import Method
from blend.errors import FileTrouble, did_you_mean, refusal
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, day, register
from blend.output.frames import DataFrame, frame
from blend.output.screen import table, with_sections, wrapped
from blend.reporter.indicators import (
    Breadth,
    Change,
    Indicator,
    Lag,
    Measure,
    Series,
    grouped,
    indicator,
    lagged,
    series_of,
    totals,
)
from blend.reporter.news import ItemNews, week_breadth
from blend.reporter.noting import check_series, days_of_store, item_news
from blend.reporter.quoting import heard
from blend.store.store import Store
from blend.units import POINTS_PER_SHARE

register(
    {
        "volume": Format("Volume", "", 0),
        "on_week_percent": Format("On week", "%", 1, is_signed=True),
        "on_year_percent": Format("On year", "%", 1, is_signed=True),
        "year_to_date_percent": Format("Year to date", "%", 1, is_signed=True),
        "year_to_date": Format("Year to date", "", 0),
        "weeks_after": Format("Weeks after", "", 0),
        "weeks_compared": Format("Weeks compared", "", 0),
        "correlation": Format("Correlation", "", 2),
        "slope_usd_per_cwt": Format("Price per 1% volume", "$/cwt", 2, is_signed=True),
        "items": Format("Items", "", 0),
    }
)


@dataclass(frozen=True)
class Volumes(Answer):
    """Volume series at their last day, lags of a price behind them, and how many items moved."""

    day: date
    headline: tuple[Indicator, ...]
    series: tuple[Indicator, ...]
    moved: Breadth
    price: str = ""
    lags: Mapping[str, Sequence[Lag]] = field(default_factory=dict)
    max_lag: int = 0

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        return {
            "volumes": volumes_frame(self.headline),
            "series": volumes_frame(self.series),
            "breadth": breadth_frame(self.moved),
            "lags": lags_frame(self.lags),
        }

    @property
    def figures(self) -> Mapping[str, Any]:
        return {"day": self.day} | {each.word: len(each.items) for each in self.moved.directions}

    def screen(self, sections: Collection[str] = ()) -> str:
        columns = ("series", "volume", "unit", "on_week_percent", "on_year_percent",
                   "year_to_date_percent", "of_total_percent")  # fmt: skip
        first = [
            wrapped(f"Volumes to {day(self.day)}, against a week and a year before."),
            f"\n{table(self.tables['volumes'], columns)}\n",
            wrapped(year_to_date_words(self.headline)),
            wrapped(f"Items on the week: {breadth_words(self.moved)}."),
            self._lag_words(),
        ]
        return with_sections(
            first,
            sections,
            {
                "by-series": lambda: table(self.tables["series"], columns, title="Every series",
                                        note=volumes_note(self.series)),
                "breadth": lambda: table(self.tables["breadth"], title="How many items moved",
                                         note=BREADTH_NOTE),
                "lags": self._lags,
            },
        )  # fmt: skip

    def _lag_words(self) -> str:
        if not self.price:
            return ""
        beyond = [name for name, lags in self.lags.items() if any(x.is_beyond_chance for x in lags)]
        names = ", ".join(beyond) or "no series"
        return wrapped(f"{self.price} moved with {names} beyond chance (--lags). Not a cause.")

    def _lags(self) -> str:
        if not self.price:
            return "Name an item to compare: --against ITEM."
        return table(
            self.tables["lags"],
            title=f"{self.price} after each volume, week to week",
            note=lags_note(self.lags, self.max_lag + 1),
        )

    def chart(self) -> Spec:
        return volumes_chart(self.headline, self.day)


def volumes_on(
    store: Store,
    on: date | None,
    method: Method,
    *,
    wanted: Collection[str] = (),
    levels: Collection[str] = (),
    item_id: str | None = None,
    max_lag: int = 4,
) -> Volumes:
    """Volumes of the store as known on a day, its last one if None.

    `levels` are inventory series; `item_id` an item whose price is compared with each. Raise
    FileTrouble for a store without volumes, InputRefused for unknown names.
    """
    volumes = store.volumes()
    every = series_of(volumes, levels)
    if not every:
        raise FileTrouble(f"{store.name} has no volumes. Add some: blend canvass import.")
    check_series(volumes, (*wanted, *levels))
    on = max(each.points[-1][0] for each in every) if on is None else on
    chosen = [each.until(on) for each in every if not wanted or each.series_id in wanted]
    chosen = [each for each in chosen if each.points]
    if not chosen:
        first = f"The first is of {day(min(each.points[0][0] for each in every))}."
        raise refusal("--day", None, f"no volumes on file by {day(on)}", "", first)
    known = heard(store, on, method)
    items = item_news(known, days_of_store(store, known, method), method)
    lags: dict[str, Sequence[Lag]] = {}
    if item_id is not None:
        price = Series(item_id, "$/cwt", Measure.LEVEL, _item(items, item_id).prices)
        lags = {each.name: lagged(each, price, range(max_lag + 1)) for each in chosen}
    whole_of = totals(chosen)
    return Volumes(
        on,
        _at(on, grouped(chosen)),
        _at(on, ((each, whole_of.get(each.series_id)) for each in chosen)),
        week_breadth(items),
        item_id or "",
        lags,
        max_lag,
    )


def _at(on: date, series: Iterable[tuple[Series, Series | None]]) -> tuple[Indicator, ...]:
    made = (indicator(each, on, whole) for each, whole in series)
    return tuple(each for each in made if each is not None)


def _item(items: Sequence[ItemNews], item_id: str) -> ItemNews:
    for each in items:
        if each.item.item_id == item_id:
            return each
    there = [each.item.item_id for each in items]
    hint = did_you_mean(item_id, there)
    allowed = f"an item: {', '.join(there)}"
    raise refusal("items", "item_id", item_id, allowed, hint)


# Frames ------------------------------------------------------------------------------------------


def volumes_frame(indicators: Iterable[Indicator]) -> DataFrame:
    """Each series at its last day against a week and a year before, and year to date."""
    columns = ("series", "to", "volume", "unit", "on_week_percent", "on_year_percent",
               "year_to_date", "periods", "year_to_date_percent", "of_total_percent")  # fmt: skip
    rows = []
    for each in indicators:
        to_date, share = each.year_to_date, each.year_to_date_share
        rows.append(
            (
                each.series.name,
                each.day,
                each.value,
                each.series.unit,
                _percent(each.on_week),
                _percent(each.on_year),
                None if to_date is None or share is None else to_date.value,
                f"{len(to_date.weeks)} of {each.day.isocalendar().week} weeks" if to_date else "",
                _points(share),
                each.share_of_total and POINTS_PER_SHARE * each.share_of_total,
            )
        )
    return frame(columns, rows)


def _percent(change: Change | None) -> float | None:
    return None if change is None else _points(change.share)


def _points(share: float | None) -> float | None:
    return None if share is None else POINTS_PER_SHARE * share


def year_to_date_words(indicators: Iterable[Indicator]) -> str:
    """Which weeks a year to date goes without, or why there is none; of the series that misses
    most. Empty where every week of this year has last year's figures."""
    lacking = [each for each in indicators if each.year_to_date and each.missing_weeks]
    if not lacking:
        return ""
    most = max(lacking, key=lambda each: len(each.missing_weeks))
    named = _weeks(most.missing_weeks)
    if most.year_to_date_share is not None:
        return f"Year to date of {most.series.name}: without {named}."
    of = most.day.isocalendar().week
    lacking_weeks = f"{len(most.missing_weeks)} of {of} weeks"
    return f"No year to date: {lacking_weeks} lack last year's figures ({named})."


def _weeks(numbers: Sequence[int]) -> str:
    """weeks 1 to 39 and 41."""
    spans: list[list[int]] = []
    for number in numbers:
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    words = [f"{a} to {b}" if a < b else f"{a}" for a, b in spans]
    joined = " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
    return f"week{'s' if len(numbers) > 1 else ''} {joined}"


def volumes_note(indicators: Iterable[Indicator]) -> str:
    note = (
        "On year: the same weekday of the same ISO week of the year before. Year to date: over "
        "the periods that the year before has too, if they are 9 of 10. Blank: too few to compare."
    )
    levels = [each.series.name for each in indicators if each.series.measure is Measure.LEVEL]
    return f"{note} {', '.join(levels)}: inventory, averaged to date." if levels else note


def breadth_frame(found: Breadth) -> DataFrame:
    """Items by the direction of their move on the week."""
    rows = [(each.word, len(each.items), each.term or "none", ", ".join(each.items))
            for each in found.directions]  # fmt: skip
    if found.not_compared:
        rows.append(("not compared", len(found.not_compared), "", ", ".join(found.not_compared)))
    return frame(("direction", "items", "term", "which"), rows)


BREADTH_NOTE = (
    "This week's average against the week before, to the same day; higher or lower where it moved "
    "measurably, both weighted by pounds and plain. The terms are those of public market news for "
    "fruit and vegetables; using them for meat is our extension."
)


def breadth_words(found: Breadth) -> str:
    parts = [f"{len(each.items)} {each.word}" for each in found.directions if each.items]
    parts += [f"{len(found.not_compared)} not compared"] if found.not_compared else []
    return ", ".join(parts) or "none"


def lags_frame(lags: Mapping[str, Sequence[Lag]]) -> DataFrame:
    """How a price moved in the weeks after each volume did."""
    columns = ("series", "weeks_after", "weeks_compared", "correlation", "slope_usd_per_cwt",
               "error_usd_per_cwt", "beyond_chance")  # fmt: skip
    rows = [
        (name, each.weeks, each.pairs, each.correlation, each.slope, each.standard_error,
         each.is_beyond_chance)
        for name, found in lags.items()
        for each in found
    ]  # fmt: skip
    return frame(columns, rows)


def lags_note(lags: Mapping[str, Sequence[Lag]], tried: int) -> str:
    note = (
        "Beyond chance: farther from zero than the farthest of a series' "
        f"{tried} lags is by chance in 95 of 100 cases; with many series some will be. That two "
        "things went together does not show that one moved the other."
    )
    missing = [name for name, found in lags.items() if not found]
    return f"{note} Too few weeks or no change: {', '.join(missing)}." if missing else note


def volumes_chart(indicators: Sequence[Indicator], on: date) -> Spec:
    """Volumes against the year before, in percent, one bar each."""
    from blend.output.charts import chart

    rows = [
        {"series": each.series.name, "change": POINTS_PER_SHARE * each.on_year.share}
        for each in indicators
        if each.on_year is not None and each.on_year.share is not None
    ]
    label = {"field": "series", "type": "nominal", "sort": None, "title": None,
             "axis": {"labelLimit": 220}}  # fmt: skip
    change = {"field": "change", "type": "quantitative", "title": "% on the year"}
    layers: list[Spec] = [
        {"mark": "bar", "encoding": {"y": label, "x": change}},
        {
            "mark": {"type": "text", "align": "left", "dx": 4},
            "encoding": {"y": label, "x": {"field": "end", "type": "quantitative"},
                         "text": {"field": "change", "format": "+.1f"}},
            "transform": [{"calculate": "max(datum.change, 0)", "as": "end"}],
        },
    ]  # fmt: skip
    subtitle = f"Latest to {day(on)}, against the same day a year before"
    return chart(
        "Volumes on the year", rows, layers, subtitle=subtitle, height_px=30 * max(3, len(rows))
    )
