"""What the note says: the lead a newsroom prints, the table and charts under it, and a second page
on why, what quotations are based on, and method.

Nothing is judged here that the parts did not establish: a trend is that of the tests, a driver
gets into a sentence only through `headline`, and an effect within its error is called that.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date

from blend.domain.market import EntryKind, Volume
from blend.reporter import words
from blend.reporter.assessed import Code
from blend.reporter.calendar import Span
from blend.reporter.evidence import Use
from blend.reporter.explained import Contribution
from blend.reporter.headline import headline_of, is_separable, no_cause_words
from blend.reporter.indicators import Change, Indicator
from blend.reporter.news import Explanation, ItemNews, News, week_breadth
from blend.reporter.note import (
    Block,
    Figure,
    Grid,
    Note,
    Paragraph,
    Part,
    Picture,
    Section,
    Sentence,
    Source,
    Unit,
    caution,
    sentence,
)
from blend.reporter.tone import Standing
from blend.reporter.trend import Trend
from blend.units import LB_PER_CWT

PRICES_CHART, WHY_CHART = "chart.prices", "chart.why"
MODEL_SAYS = "What the model says"
_ESTABLISHED = (Trend.HIGHER, Trend.FIRM, Trend.STEADY, Trend.WEAK, Trend.LOWER)


def note_of(news: News, title: str) -> Note:
    """The note of a day. Items that may not be shown are counted and not shown."""
    shown = [each for each in news.items if each.may_be_shown]
    quoted = [each for each in shown if each.usd_per_cwt is not None]
    sections = (
        _lead(news, quoted),
        _quotations(news, quoted),
        why(news),
        _supply(news),
        evidence(quoted),
        _method(news),
    )
    return Note(
        news.day,
        title,
        tuple(each for each in sections if each is not None),
        made_from=f"From the store up to import {news.position}, method {news.method_digest[:12]}.",
    )


# The lead ----------------------------------------------------------------------------------------


def _lead(news: News, quoted: Sequence[ItemNews]) -> Section:
    prices = [*_movers(news, quoted), *_breadth(quoted), *_trends(quoted), _together(news)]
    causes = [*_supply_sentences(news), *lead_why(news), *_heard(news)]
    told = (prices, causes, _held(news), _corrections(news))
    return Section("", tuple(Paragraph(tuple(each)) for each in told if each))


def _movers(news: News, quoted: Sequence[ItemNews]) -> list[Sentence]:
    """The items explained; without any, those that rose and fell most on the week."""
    by_id = {each.item.item_id: each for each in quoted}
    since = {each.item_id: each for each in news.explanations}
    chosen = [by_id[name] for name in since if name in by_id] or _extremes(quoted)
    made = []
    for each in chosen:
        low, high = _range(each)
        parts: list[Part] = [f"{each.item.item_id} "]
        if (move := _compared(each, Span.WEEK, "on week")) is not None:
            parts += ["averaged ", move.than(), " on the week and "]
        parts += ["were quoted at ", _price(each)]
        if low is not None and high is not None:
            parts += [" (", low, " to ", high, ")"]
        explained = since.get(each.item.item_id)
        if explained is not None and explained.why.price.observed is not None:
            parts += [", ", _observed(explained), " since ", _since(explained).cell()]
        made.append(sentence(*parts, "."))
    return made


def _extremes(quoted: Sequence[ItemNews]) -> list[ItemNews]:
    size = {each.item.item_id: move for each in quoted if (move := each.week_move) is not None}
    if not size:  # the first week on file
        return [each for each in quoted if each.quoted.assessed.usd_per_cwt is not None][:2]
    moved = sorted(
        (each for each in quoted if each.item.item_id in size),
        key=lambda each: size[each.item.item_id],
    )
    return [
        each
        for each, sign in zip(moved[-1:] + moved[:1], (1, -1), strict=False)
        if sign * size[each.item.item_id] >= each.quoted.tone.trend.measurable_usd_per_cwt
    ]


def _breadth(quoted: Sequence[ItemNews]) -> list[Sentence]:
    found = week_breadth(quoted)
    counted = sorted((each for each in found.directions if each.items), key=lambda d: -len(d.items))
    if not counted:
        return []
    keys = tuple(f"{each.item.item_id}.on week" for each in quoted)
    how = "the smaller of the changes by pounds and by days, against a measurable move"
    source = Source("figures", keys, how)
    parts: list[Part] = []
    for index, each in enumerate(counted):
        figure = Figure(f"breadth.{each.word}", len(each.items), Unit.COUNT, source)
        parts += [", " if index else "", figure]
        if not index:
            parts += [" of ", Figure("breadth.compared", found.compared, Unit.COUNT, source),
                      " items were"]  # fmt: skip
        parts.append(f" {each.word}")
    return [sentence(*parts, " on the week.")]


def _trends(quoted: Sequence[ItemNews]) -> list[Sentence]:
    """Items that moved one by one, those that were steady together."""
    made = []
    for word in _ESTABLISHED:
        own = [each for each in quoted if each.quoted.tone.trend.word is word]
        if word is Trend.STEADY and len(own) > 1:
            *others, last = (each.item.item_id for each in own)
            made.append(sentence(f"{', '.join(others)} and {last} ", _trend(own[-1]), "."))
            continue
        for each in own:
            trend = each.quoted.tone.trend
            moved, error = trend.change_usd_per_cwt or 0.0, trend.error_usd_per_cwt or 0.0
            made.append(
                sentence(
                    f"{each.item.item_id} ",
                    _trend(each),
                    ": ",
                    _of_trend(each, "trend move", moved, Unit.USD_PER_CWT_MOVE),
                    " (±",
                    _of_trend(each, "trend error", error, Unit.USD_PER_CWT).cell(),
                    ") against ",
                    _of_trend(
                        each, "compared with", trend.compared_with or news_day(each), Unit.DAY
                    ).cell(),
                    ".",
                )
            )
    return made


def news_day(each: ItemNews) -> date:
    return each.quoted.assessed.day


def _together(news: News) -> Sentence:
    """Demand, offerings and trades of all items next to their usual number."""
    parts: list[Part] = []
    for name, what in (
        ("demand", "companies bidding"),
        ("offerings", "offering"),
        ("activity", "trades"),
    ):
        standing: Standing = getattr(news.together, name)
        source = Source("canvass", (f"every item {news.day}",), f"{what}, next to the usual")
        count = Figure(f"together.{what}", standing.count, Unit.COUNT, source)
        word = standing.word or "not rated"
        parts += ["; trading " if name == "activity" else f"{', ' if parts else ''}{name} "]
        parts.append(Figure(f"together.{name}", word, Unit.WORD, source))
        if not standing.word and not standing.count:
            continue
        parts += [" (", count, f" {what}"]
        if standing.normal is not None:
            usual = Figure(f"together.{what} usually", standing.normal, Unit.NUMBER, source)
            parts += [", usually ", usual]
        parts.append(")")
    return sentence("Overall, ", *parts, ".")


def _supply_sentences(news: News) -> list[Sentence]:
    """Availability by origin against a year ago."""
    parts: list[Part] = []
    for each in news.indicators:
        name = each.series.name
        change = _change(each, "on year", each.on_year)
        if change is not None and name.startswith("availability, ") and not name.endswith("all"):
            supply = "supply was " if not parts else ""
            parts += [", " if parts else "", f"{name.partition(', ')[2]} {supply}", change]
    return [sentence(*_capital(parts), " on the year.")] if parts else []


def _capital(parts: Sequence[Part]) -> list[Part]:
    text = "".join(part for part in parts[:2] if isinstance(part, str))
    return [text[:1].upper() + text[1:], *parts[2:]]


def lead_why(news: News) -> list[Sentence]:
    """Causes that may be named; where the first move gets none, why not."""
    if not news.explanations:
        return []
    named = [(each, headline_of(each.why.price).driver) for each in news.explanations]
    first, driver = named[0]
    if driver is None:
        return [caution(no_cause_words(headline_of(first.why.price), first.item_id))]
    made = []
    for each, part in named:
        if part is not None:
            made.append(
                sentence(
                    f"In our model, {part.driver} moved the clearing price of {each.item_id} ",
                    _part(each, part),
                    " (±",
                    _part_error(each, part).cell(),
                    "); all drivers together, ",
                    _modeled(each),
                    ".",
                )
            )
    return made


def _heard(news: News) -> list[Sentence]:
    """What companies said, counted; no figure is based on it."""
    said: dict[str, list[str]] = defaultdict(list)
    for entry in news.talk:
        if entry.kind is EntryKind.OTHER:
            said[" ".join(entry.note.split())].append(entry.entry_id)
    if not said:
        return []
    parts: list[Part] = ["Heard in the trade, not used in any figure: "]
    for index, (text, ids) in enumerate(sorted(said.items(), key=lambda pair: -len(pair[1]))):
        count = Figure(f"said.{text}", len(ids), Unit.COUNT, Source("canvass", tuple(ids), "notes"))
        parts += [", " if index else "", f"“{text}” (", count, " times)"]
    orders = next((e for e in news.indicators if e.series.name.startswith("orders")), None)
    change = orders and _change(orders, "on year", orders.on_year)
    if change:
        parts += ["; orders on the year: ", change]
    return [sentence(*parts, ".")]


def _held(news: News) -> list[Sentence]:
    """Items that are not shown, and why."""
    made = []
    hidden = sum(not each.quoted.confidentiality.may_be_shown for each in news.items)
    if hidden:
        source = Source("canvass", (), "items that fail the 3/70/20 guideline on confidentiality")
        count = Figure("withheld", hidden, Unit.COUNT, source)
        made.append(caution(count, " items are not shown: they could show a company."))
    waiting = [
        each
        for each in news.items
        if not each.may_be_shown and each.quoted.confidentiality.may_be_shown
    ]
    second = sum(Code.HELD in each.quoted.assessed.codes for each in waiting)
    undecided = len(waiting) - second
    if undecided:
        source = Source("canvass", (), "items carried unchanged, for the reporter to decide")
        count = Figure("undecided", undecided, Unit.COUNT, source)
        made.append(
            caution("Too few companies traded, bid or offered to quote ", count, " of the items.")
        )
    if second:
        source = Source("canvass", (), "items held for a second look, for the reporter to decide")
        count = Figure("second_look", second, Unit.COUNT, source)
        made.append(caution("Held for a second look and not quoted here: ", count, "."))
    return made


def _corrections(news: News) -> list[Sentence]:
    made = []
    for each in news.corrections:
        key = f"{each.item_id} {each.market_day}"
        source = Source("published", (key,), f"corrected by {each.assessor}: {each.reason}")
        name = f"correction.{key}.{each.made_at:%H%M%S}"
        before = Figure(f"{name}.before", each.before_usd_per_cwt, Unit.USD_PER_CWT, source)
        of = Figure(f"{name}.day", each.market_day, Unit.DAY, source)
        parts: list[Part] = [f"Withdrawn: {each.item_id} for ", of, ", published at ", before]
        if each.after_usd_per_cwt is not None:
            after = Figure(f"{name}.after", each.after_usd_per_cwt, Unit.USD_PER_CWT, source)
            parts = [f"Correction: {each.item_id} for ", of, " is ", after, ", not ", before]
        made.append(caution(*parts, f". Reason: {each.reason}"))
    return made


# Figures of items --------------------------------------------------------------------------------


def _price(each: ItemNews) -> Figure:
    price = each.usd_per_cwt
    assert price is not None, "only quoted items are printed"
    return Figure(f"{each.item.item_id}.price", price, Unit.USD_PER_CWT, _price_source(each))


def _price_source(each: ItemNews) -> Source:
    assessed, item_id = each.quoted.assessed, each.item.item_id
    based_on = words.BASED_ON[assessed.rung]
    if each.published is not None:
        reason = each.published.override_reason
        how = f"set by the reporter: {reason}" if reason else f"{based_on}, as published"
        return Source("published", (f"{item_id} {assessed.day}",), how)
    if assessed.carried_from is not None:
        return Source("canvass", (f"{item_id} {assessed.carried_from}",), "earlier quotation")
    return _evidence_source(each, f"quotation based on {based_on}")


def _evidence_source(each: ItemNews, how: str) -> Source:
    """The entries that the quotation is based on."""
    used = [e.entry.entry_id for e in each.quoted.assessed.evidence if e.use is Use.USED]
    return Source("canvass", tuple(used), how)


def _of_evidence(each: ItemNews, name: str, value: float | str, unit: Unit, how: str) -> Figure:
    return Figure(f"{each.item.item_id}.{name}", value, unit, _evidence_source(each, how))


def _compared(each: ItemNews, span: Span, name: str) -> Figure | None:
    move = each.change(span)
    if move is None:
        return None
    now, then = each.comparison(span).now, each.comparison(span).then
    keys = (f"{each.item.item_id} {now.first} to {now.last} and {then.first} to {then.last}",)
    source = Source("canvass", keys, f"{span}: change of the average weighted by pounds traded")
    return Figure(f"{each.item.item_id}.{name}", move, Unit.USD_PER_CWT_MOVE, source)


def _range(each: ItemNews) -> list[Figure | None]:
    assessed, published = each.quoted.assessed, each.published
    low = assessed.low_usd_per_cwt if published is None else published.low_usd_per_cwt
    high = assessed.high_usd_per_cwt if published is None else published.high_usd_per_cwt
    return [
        None if value is None else _of_evidence(each, name, value, Unit.USD_PER_CWT, how)
        for name, value, how in (("low", low, "lowest used"), ("high", high, "highest used"))
    ]


def _trend(each: ItemNews) -> Figure:
    return _of_trend(each, "trend", each.quoted.tone.trend.word.value, Unit.WORD)


def _of_trend(each: ItemNews, name: str, value: float | str | date, unit: Unit) -> Figure:
    trend = each.quoted.tone.trend
    against = f"{trend.day} against {trend.compared_with or 'no day'}"
    source = Source("canvass", (f"{each.item.item_id} {against}",), "trend, all items pooled")
    return Figure(f"{each.item.item_id}.{name}", value, unit, source)


# Quotations --------------------------------------------------------------------------------------

_SPANS = (
    (Span.WEEK, "on week", "Week"),
    (Span.MONTH, "on month", "Month"),
    (Span.WEEK_OF_YEAR, "on year", "Year"),
    (Span.YEAR_TO_DATE, "year to date", "To date"),
)


def _quotations(news: News, quoted: Sequence[ItemNews]) -> Section:
    spans = [
        (span, name, heading)
        for span, name, heading in _SPANS
        if any(_compared(each, span, name) for each in quoted)
    ]
    headings = ("Item", "$/cwt", "Low", "High", *(heading for *_, heading in spans), "Trend")
    rows = [
        (
            each.item.item_id,
            _price(each),
            *_range(each),
            *(_compared(each, span, name) for span, name, _ in spans),
            _trend(each),
        )
        for each in quoted
    ]
    grid = Grid(headings, _cells(rows), frozenset(range(1, len(headings) - 1)))
    note = (
        "$/cwt. Changes are of averages weighted by pounds traded, against the same part of the "
        "week or month before and the same week a year ago; blank where more than a quarter of the "
        "days are missing."
    )
    missing = [each.item.item_id for each in news.items if each.usd_per_cwt is None]
    said = [sentence(note)]
    said += [sentence(f"Not quoted: {', '.join(missing)}.")] if missing else []
    charts: list[Block] = [Picture(PRICES_CHART, "Last quotation of each week, $/cwt")]
    if news.explanations:
        caption = f"{news.explanations[0].item_id} in our model, driver by driver, $/cwt"
        charts.append(Picture(WHY_CHART, caption))
    return Section("Quotations", (grid, Paragraph(tuple(said)), *charts))


def _cells(rows: Iterable[Iterable[Part | None]]) -> tuple[tuple[Part | None, ...], ...]:
    return tuple(
        tuple(cell.cell() if isinstance(cell, Figure) else cell for cell in row) for row in rows
    )


def evidence(quoted: Sequence[ItemNews]) -> Section:
    rows = []
    for each in quoted:
        made = each.quoted.assessed
        codes = made.codes if each.published is None else each.published.rationale
        shares = words.weights(made.shares)
        rows.append(
            (
                each.item.item_id,
                _of_evidence(each, "trades", made.trades, Unit.COUNT, "trades used"),
                _of_evidence(each, "pounds", made.pounds_lb, Unit.POUNDS, "of trades used"),
                _of_evidence(each, "weight", shares, Unit.WORD, "of the weight"),
                _of_evidence(each, "adjustments", "|".join(codes), Unit.CODES, "by the method"),
            )
        )
    headings = ("Item", "Trades", "Pounds", "Based on", "Adjustments")
    return Section(
        "What quotations are based on", (Grid(headings, _cells(rows), frozenset({1, 2})),)
    )


# Supply ------------------------------------------------------------------------------------------


def _supply(news: News) -> Section | None:
    if not news.indicators:
        return None
    rows = [
        (
            each.series.name,
            _volume(each, "day", each.day, Unit.DAY),
            _volume(each, "volume", each.value, Unit.NUMBER),
            _change(each, "on week", each.on_week),
            _change(each, "on year", each.on_year),
            _to_date(each),
            None
            if each.share_of_total is None
            else _volume(each, "share", each.share_of_total, Unit.SHARE),
        )
        for each in news.indicators
    ]
    headings = ("Series", "To", "Volume", "Week", "Year", "To date", "Of total")
    return Section("Supply and orders", (Grid(headings, _cells(rows), frozenset({2, 3, 4, 5, 6})),))


def _volume(
    each: Indicator,
    name: str,
    value: float | date,
    unit: Unit,
    how: str = "",
    against: date | None = None,
) -> Figure:
    names = each.series.parts or (each.series.name,)
    days = [day for day in (against, each.day) if day is not None]
    keys = tuple(f"{series} {day}" for day in days for series in names)
    source = Source("volumes", keys, how)
    return Figure(f"{each.series.name}.{name}", value, unit, source, unit_name=each.series.unit)


def _change(each: Indicator, name: str, change: Change | None) -> Figure | None:
    if change is None or change.share is None:
        return None
    how, against = "the later over the earlier", change.against
    return _volume(each, name, change.share, Unit.SHARE_MOVE, how, against)


def _to_date(each: Indicator) -> Figure | None:
    found, share = each.year_to_date, each.year_to_date_share
    if found is None or share is None:
        return None
    how = f"over {found.periods} periods both years have, {found.left_out} left out"
    return _volume(each, "year to date", share, Unit.SHARE_MOVE, how)


# Why ---------------------------------------------------------------------------------------------


def why(news: News) -> Section | None:
    if not news.explanations:
        return None
    has_cause = any(headline_of(each.why.price).driver for each in news.explanations)
    no_proof = caution(
        "A part is the mean, over every order in which the drivers could have moved, of what its "
        "move changes in a model of the whole market: what counted pounds and stated elasticities "
        "imply, not proof of cause. Errors are drawn over pounds, elasticities and demand's shape; "
        "a part is measurable where none of them all would be by chance, 95 of 100 times."
    )
    blocks = [Paragraph(tuple(_explained(each))) for each in news.explanations]
    return Section("Why it moved" if has_cause else MODEL_SAYS, (*blocks, Paragraph((no_proof,))))


def _explained(each: Explanation) -> list[Sentence]:
    move = each.why.price
    parts = move.next.contributions
    apart = [part for part in parts if is_separable(part)]
    within = [p for p in parts if not is_separable(p) and (p.amount or p.standard_error)]
    made = _quote_moved(each)
    headline = headline_of(move)
    if headline.driver is None:
        made.append(caution(no_cause_words(headline, each.item_id)))
        made.append(caution(f"{MODEL_SAYS}, not a cause of the move:"))
    made.append(_model_moved(each))
    made += [_unchanged(each, part) for part in sorted(apart, key=lambda p: -abs(p.amount))]
    if within:
        words_: list[Part] = ["No measurable effect: "]
        for index, part in enumerate(within):
            words_ += ["; " if index else "", f"{part.driver} ", _part(each, part), " (±",
                       _part_error(each, part).cell(), ")"]  # fmt: skip
        made.append(sentence(*words_, "."))
    return made + _not_explained(each)


def _of_why(each: Explanation, name: str, usd_per_lb: float, unit: Unit, how: str) -> Figure:
    keys = tuple(dict.fromkeys(map(_volume_key, each.volumes)))
    source = Source(f"volumes, and quotations of {each.since}", keys, how)
    return Figure(f"why.{each.item_id}.{name}", usd_per_lb * LB_PER_CWT, unit, source)


def _volume_key(volume: Volume) -> str:
    return " ".join(filter(None, (volume.series_id, volume.item_id, str(volume.period_end))))


def _since(each: Explanation) -> Figure:
    return Figure(f"why.{each.item_id}.since", each.since, Unit.DAY, Source("asked"))


def _observed(each: Explanation) -> Figure:
    seen = each.why.price.observed
    moved = 0.0 if seen is None else seen.move_usd_per_lb * LB_PER_CWT
    source = Source("canvass", (f"{each.item_id} on both days",), "quotation less the earlier one")
    return Figure(f"why.{each.item_id}.quote", moved, Unit.USD_PER_CWT_MOVE, source)


def _part(each: Explanation, part: Contribution) -> Figure:
    name = part.driver
    how = f"Shapley part of {name} in the clearing price, {each.why.markets} markets"
    return _of_why(each, name, part.amount, Unit.USD_PER_CWT_MOVE, how)


def _part_error(each: Explanation, part: Contribution) -> Figure:
    how = "standard error, by draws of volumes, elasticities, demand's shape and the quotations"
    name = f"{part.driver}.error"
    return _of_why(each, name, part.standard_error, Unit.USD_PER_CWT, how)


def _modeled(each: Explanation) -> Figure:
    how = "clearing price of the market after, less the one before"
    return _of_why(each, "modeled", each.why.price.next.change, Unit.USD_PER_CWT_MOVE, how)


def _quote_moved(each: Explanation) -> list[Sentence]:
    seen = each.why.price.observed
    if seen is None:
        return []
    parts: list[Part] = [f"{each.item_id}: since ", _since(each), " the quote is ", _observed(each)]
    if seen.standard_error_usd_per_lb is not None:
        source = Source("canvass", (f"{each.item_id} on both days",), "from both standard errors")
        value = seen.standard_error_usd_per_lb * LB_PER_CWT
        error = Figure(f"why.{each.item_id}.quote.error", value, Unit.USD_PER_CWT, source)
        parts += [" (±", error.cell(), ")"]
    return [sentence(*parts, ".")]


def _model_moved(each: Explanation) -> Sentence:
    counted = [volume.period_end for volume in each.volumes]
    how = "standard error of the model's move"
    error = _of_why(
        each, "modeled.error", each.why.price.next.standard_error, Unit.USD_PER_CWT, how
    )
    return sentence(
        "In the model, fitted to that day's quotations, with pounds counted to ",
        _counted_to(each, "first", min(counted)),
        " and ",
        _counted_to(each, "last", max(counted)),
        ", the clearing price is ",
        _modeled(each),
        " (±",
        error.cell(),
        ").",
    )


def _counted_to(each: Explanation, name: str, to: date) -> Figure:
    keys = tuple(dict.fromkeys(_volume_key(v) for v in each.volumes if v.period_end == to))
    return Figure(f"why.{each.item_id}.{name} count", to, Unit.DAY, Source("volumes", keys)).cell()


def _unchanged(each: Explanation, part: Contribution) -> Sentence:
    name, after = part.driver, each.why.price.next.after
    how = f"clearing price with {name} alone as before"
    return sentence(
        f"{name.capitalize()}: ",
        _part(each, part),
        " (±",
        _part_error(each, part).cell(),
        ")",
        *_pounds_moved(each, part),
        f"; had {name} stayed as before, {each.item_id} would clear at ",
        _of_why(each, f"{name}.if unchanged", part.put_back, Unit.USD_PER_CWT, how),
        " instead of ",
        _of_why(each, "after", after, Unit.USD_PER_CWT, "clearing price after"),
        ".",
    )


def _pounds_moved(each: Explanation, part: Contribution) -> list[Part]:
    """The pounds behind a driver, since the earlier day and on the year."""
    was, now = part.pounds_lb
    if not was:
        return []
    name = part.driver
    keys = tuple(dict.fromkeys(map(_volume_key, each.volumes)))
    since = Source("volumes", keys, "pounds of its items, the later day over the earlier")
    change = Figure(f"why.{each.item_id}.{name}.pounds", now / was - 1, Unit.SHARE_MOVE, since)
    parts: list[Part] = [", pounds ", change, " since ", _since(each).cell()]
    items = {item.name for item in part.within}
    last_year = [volume for volume in each.year_ago if volume.item_id in items]
    if last_year:
        last = max(volume.period_end for volume in each.volumes)
        then = math.fsum(volume.value for volume in last_year)
        today = math.fsum(
            volume.value
            for volume in each.volumes
            if volume.item_id in items and volume.period_end == last
        )
        source = Source("volumes", tuple(map(_volume_key, last_year)), "over the year before")
        figure = Figure(
            f"why.{each.item_id}.{name}.pounds on year", today / then - 1, Unit.SHARE_MOVE, source
        )
        parts += [" and ", figure, " on the year"]
    return [*parts, f", mostly {part.mostly}"] if part.mostly else parts


def _not_explained(each: Explanation) -> list[Sentence]:
    move = each.why.price
    rest, error = move.unexplained_usd_per_lb, move.unexplained_error_usd_per_lb
    if rest is None:
        return []
    how = "the quote's move less the model's"
    parts: list[Part] = [
        "Not explained: ",
        _of_why(each, "not explained", rest, Unit.USD_PER_CWT_MOVE, how),
    ]
    if error is None:
        parts.append(" (no error: a quote is based on too few prices)")
    else:
        how = "from the errors of both quotations and of the volumes"
        figure = _of_why(each, "not explained.error", error, Unit.USD_PER_CWT, how)
        parts += [" (±", figure.cell(), ")"]
    return [caution(*parts, ".")]


# Method ------------------------------------------------------------------------------------------


def _method(news: News) -> Section:
    version = Figure("method.version", news.method_version, Unit.WORD, Source("method"))
    digest = Figure("method.digest", news.method_digest[:12], Unit.WORD, Source("method"))
    sentences = [
        sentence("Quotations by method ", version, " (digest ", digest,
                 "); the store gives the same numbers again."),
        sentence(
            "Evidence counts in the order of IOSCO's principles for oil price reporting agencies "
            "(FR06/12), trades first; no claim to follow them."
        ),
        *_of_the_model(news),
        sentence(
            "After ±, one standard error. Trends pool three weeks of all items; demand, offerings "
            "and trades are counted as heard, never taken from prices."
        ),
        sentence("No advice to buy, sell or hold anything."),
    ]  # fmt: skip
    return Section("Method", (Paragraph(tuple(sentences)),))


def _of_the_model(news: News) -> list[Sentence]:
    """What the explanations take as given."""
    if not news.explanations:
        return []
    parts: list[Part] = ["Elasticities given to the model, not estimated: "]
    for index, each in enumerate(news.explanations[0].market.demands):
        name, source = each.product_id, Source("market", (f"product_demand {each.product_id}",))
        figure = Figure(f"{name}.elasticity", each.elasticity, Unit.NUMBER, source)
        parts += [", " if index else "", f"{name} ", figure]
    error = Figure("volume error", news.volume_error_share, Unit.SHARE, Source("asked"))
    return [
        sentence(*parts, "."),
        sentence("Volumes are assumed off by ±", error, "."),
    ]
