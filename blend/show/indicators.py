"""Supply indicators and the breadth of the market, as tables and words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from blend.reporter.indicators import Breadth, Change, Indicator, Lag, Measure, YearToDate
from blend.show.amounts import count_of, number_words
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column
from blend.units import POINTS_PER_SHARE


def indicators_table(indicators: Sequence[Indicator]) -> ShownTable:
    """Each series at its last day against week, year and year to date."""
    columns = (
        ShownColumn("Series"),
        ShownColumn("To"),
        ShownColumn("Figure", format=Format.READING),
        ShownColumn("On week", "%", Format.TENTHS),
        ShownColumn("On year", "%", Format.TENTHS),
        ShownColumn("Year to date", format=Format.READING),
        ShownColumn("Of periods", format=Format.READING),
        ShownColumn("On year", "%", Format.TENTHS),
        ShownColumn("Of total", "%", Format.TENTHS),
    )
    rows: list[tuple[Cell, ...]] = [
        (
            each.series.name,
            each.day,
            f"{number_words(each.value)} {each.series.unit}",
            _per_cent(each.on_week),
            _per_cent(each.on_year),
            *_to_date_cells(each.year_to_date),
            _per_cent(each.year_to_date),
            None if each.share_of_total is None else POINTS_PER_SHARE * each.share_of_total,
        )
        for each in indicators
    ]
    return shown_table("Supply indicators", columns, rows, _note(indicators))


def _to_date_cells(to_date: YearToDate | None) -> tuple[Cell, Cell]:
    if to_date is None:
        return "", ""
    counted = f"{to_date.periods} of {to_date.periods + to_date.left_out}"
    return number_words(to_date.value), counted


def _per_cent(change: Change | object | None) -> float | None:
    share = None if change is None else change.share
    return None if share is None else POINTS_PER_SHARE * share


def _note(indicators: Sequence[Indicator]) -> str:
    note = (
        "On year: against the same weekday of the same week (ISO 8601) of the year before. Year to "
        "date: over those of the year's periods so far that the year before has too. Blank: "
        "nothing to compare with."
    )
    levels = [each.series.name for each in indicators if each.series.measure is Measure.LEVEL]
    if levels:
        note += f" {', '.join(levels)}: stands at a time, so to date it is averaged, not summed."
    return note


def lags_table(price: str, lags: Mapping[str, Sequence[Lag]], asked: int) -> ShownTable:
    """How a price moved in the weeks after each volume did; `lags` by series."""
    columns = (
        ShownColumn("Series"),
        ShownColumn("Weeks after", format=Format.WHOLE),
        ShownColumn("Weeks held together", format=Format.WHOLE),
        ShownColumn("Correlation", format=Format.HUNDREDTHS),
        usd_per_cwt_column("Price per 1 % of volume"),
        usd_per_cwt_column("±"),
        ShownColumn("Beyond chance"),
    )
    rows = [
        (
            name if index == 0 else "",
            each.weeks,
            each.pairs,
            each.correlation,
            each.slope,
            each.standard_error,
            "yes" if each.is_beyond_chance else "no",
        )
        for name, found in lags.items()
        for index, each in enumerate(found)
    ]
    note = (
        "Changes from week to week. ± is one standard error. Beyond chance: farther from zero than "
        f"the farthest of a series' {count_of(asked, 'lag')} is by chance in 95 of 100 cases; of "
        "many series some will be. That two things went together does not say that one moved the "
        "other."
    )
    missing = [name for name, found in lags.items() if not found]
    if missing:
        note += f" Too few weeks, or a volume that never changed: {', '.join(missing)}."
    return shown_table(f"{price} after volumes", columns, rows, note)


def breadth_table(found: Breadth) -> ShownTable:
    """Items by the direction of their move, with the qualifying term for each count."""
    columns = (
        ShownColumn("Items"),
        ShownColumn("Count", format=Format.WHOLE),
        ShownColumn("Term"),
        ShownColumn("Which"),
    )
    rows = [
        (each.word, len(each.items), each.term or "none", ", ".join(each.items))
        for each in found.directions
    ]
    if found.not_compared:
        rows.append(("not compared", len(found.not_compared), "", ", ".join(found.not_compared)))
    note = (
        "This week's average against that of the week before, up to the same day: higher or lower "
        "where it moved measurably, both weighted by pounds and plain. "
        "Terms are those that public market news publishes for fruit and vegetables; using them of "
        "meat is our extension."
    )
    return shown_table("Breadth on the week", columns, rows, note)
