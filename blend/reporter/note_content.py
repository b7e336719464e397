"""What the note says: every sentence and table made of figures, each with where it is from.

Nothing is judged here that the parts did not establish: a word of tone is that of the tone, a
driver's part that of the split with its error, and where a part cannot be told from nothing the
note says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from blend.reporter.indicators import Change, Indicator, YearToDate
from blend.reporter.news import ItemNews, News
from blend.reporter.note import (
    Figure,
    Grid,
    Note,
    Paragraph,
    Points,
    Section,
    Source,
    Unit,
    sentence,
)
from blend.reporter.note_items import breadth_sentences, evidence, extremes, quotations, tone
from blend.reporter.note_why import of_the_model, shortest_why, why


def note_of(news: News, title: str) -> Note:
    """The note of a day. Items that may not be shown are counted and not shown."""
    shown = [each for each in news.items if each.may_be_shown]
    quoted = [each for each in shown if each.usd_per_cwt is not None]
    sections = (
        _the_day(news, quoted),
        quotations(news, quoted),
        tone(news, quoted),
        _supply(news),
        why(news),
        evidence(quoted),
        _method(news),
    )
    return Note(
        news.day,
        title,
        tuple(each for each in sections if each is not None),
        made_from=f"The store up to append {news.position}, by method {news.method_digest}.",
    )


def _the_day(news: News, quoted: Sequence[ItemNews]) -> Section:
    sentences = [*breadth_sentences(quoted), *extremes(quoted), *shortest_why(news)]
    withheld = sum(not each.quoted.confidentiality.may_be_shown for each in news.items)
    if withheld:
        source = Source("canvass", (), "items that fail the 3/70/20 guideline on confidentiality")
        count = Figure("withheld", withheld, Unit.COUNT, source)
        sentences.append(sentence(count, " items are not shown, as that could show a firm."))
    undecided = sum(
        not each.may_be_shown and each.quoted.confidentiality.may_be_shown for each in news.items
    )
    if undecided:
        source = Source("canvass", (), "items carried unchanged, to be decided by the reporter")
        count = Figure("undecided", undecided, Unit.COUNT, source)
        sentences.append(
            sentence("Too few companies traded, bid or offered to quote ", count, " of the items.")
        )
    return Section("The day in short", (Paragraph(tuple(sentences)),))


def _supply(news: News) -> Section | None:
    if not news.indicators:
        return None
    headings = ("Series", "To", "Figure", "On week", "On year", "Year to date", "Of its total")
    rows = [
        (
            each.series.name,
            _volume(each, "day", each.day, Unit.DAY, [each.day]),
            _volume(each, "figure", each.value, Unit.NUMBER, [each.day]),
            _change(each, "on week", each.on_week),
            _change(each, "on year", each.on_year),
            _to_date(each, each.year_to_date),
            None
            if each.share_of_total is None
            else _volume(each, "share", each.share_of_total, Unit.SHARE, [each.day]),
        )
        for each in news.indicators
    ]
    below = sentence(
        "On year: against the same week of the year before; year to date: the change over those "
        "of its periods that the year before has too."
    )
    grid = Grid(headings, tuple(rows), frozenset({2, 3, 4, 5, 6}))
    return Section("Supply and orders", (grid, Paragraph((below,))))


def _volume(
    each: Indicator, name: str, value: float | date, unit: Unit, days: Sequence[date], how: str = ""
) -> Figure:
    series = each.series
    names = series.parts or (series.name,)
    keys = tuple(f"{name} {day}" for day in days for name in names)
    an_id = f"{series.name}.{name}"
    return Figure(an_id, value, unit, Source("volumes", keys, how), unit_name=series.unit)


def _change(each: Indicator, name: str, change: Change | None) -> Figure | None:
    if change is None or change.share is None:
        return None
    days = [each.day, change.against]
    return _volume(each, name, change.share, Unit.SHARE_MOVE, days, "the later over the earlier")


def _to_date(each: Indicator, to_date: YearToDate | None) -> Figure | None:
    if to_date is None or to_date.share is None:
        return None
    how = f"{to_date.periods} periods that both years have, {to_date.left_out} left out"
    return _volume(each, "year to date", to_date.share, Unit.SHARE_MOVE, [each.day], how)


def _method(news: News) -> Section:
    digest = Figure("method.digest", news.method_digest[:12], Unit.WORD, Source("method"))
    version = Figure("method.version", news.method_version, Unit.WORD, Source("method"))
    return Section(
        "Method and cautions",
        (
            Points(
                (
                    sentence(
                        "Quotations by method ",
                        version,
                        " (digest ",
                        digest,
                        "); from the store the same numbers can be made again.",
                    ),
                    sentence(
                        "Evidence counts in the order of the principles for oil price reporting "
                        "agencies (IOSCO, FR06/12), trades first; no claim to follow them."
                    ),
                    *of_the_model(news),
                    sentence(
                        "Words for counts of items are those of public market news for fruit and "
                        "vegetables; using them of meat is our extension."
                    ),
                    sentence("No advice to buy, sell or hold anything."),
                )
            ),
        ),
    )
