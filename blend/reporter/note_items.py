"""What the note says of items: how they stood and moved, their tone, what quotations rest on."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from blend.reporter.calendar import Span
from blend.reporter.evidence import Use
from blend.reporter.news import ItemNews, News, week_breadth
from blend.reporter.note import (
    Block,
    Figure,
    Grid,
    Paragraph,
    Picture,
    Section,
    Sentence,
    Source,
    Unit,
    sentence,
)
from blend.reporter.tone import Standing, Trend

PRICES_PICTURE = "picture.prices"

# Figures -----------------------------------------------------------------------------------------


def _price(each: ItemNews) -> Figure:
    return Figure(
        f"{each.item.item_id}.price", each.usd_per_cwt, Unit.USD_PER_CWT, _price_source(each)
    )


def _price_source(each: ItemNews) -> Source:
    assessed = each.quoted.assessed
    if each.published is not None:
        reason = each.published.override_reason
        how = f"overridden: {reason}" if reason else f"{assessed.rung}, as published"
        return Source("published", (f"{each.item.item_id} {assessed.day}",), how)
    if assessed.carried_from is not None:
        how = f"carried from {assessed.carried_from}"
        return Source("canvass", (f"{each.item.item_id} {assessed.carried_from}",), how)
    return _evidence_source(each, f"quotation on {assessed.rung.replace('_', ' ')}")


def _evidence_source(each: ItemNews, how: str) -> Source:
    """The entries that the quotation rests on."""
    used = [e.entry.entry_id for e in each.quoted.assessed.evidence if e.use is Use.USED]
    return Source("canvass", tuple(used), how)


def _of_evidence(each: ItemNews, name: str, value: float | str, unit: Unit, how: str) -> Figure:
    return Figure(f"{each.item.item_id}.{name}", value, unit, _evidence_source(each, how))


_HOW_COMPARED = "change of Σ price × pounds / Σ pounds of the trades used"


def _compared(each: ItemNews, span: Span, name: str) -> Figure | None:
    move = each.change(span)
    if move is None:
        return None
    now, then = each.comparison(span).now, each.comparison(span).then
    source = Source(
        "canvass",
        (f"{each.item.item_id} {now.first} to {now.last} and {then.first} to {then.last}",),
        f"{span}: {_HOW_COMPARED}",
    )
    return Figure(f"{each.item.item_id}.{name}", move, Unit.USD_PER_CWT_MOVE, source)


# The day in short --------------------------------------------------------------------------------


def breadth_sentences(quoted: Sequence[ItemNews]) -> list[Sentence]:
    found = week_breadth(quoted)
    counted = sorted(
        (each for each in found.directions if each.items), key=lambda each: -len(each.items)
    )
    if not counted:
        return []
    keys = tuple(f"{each.item.item_id}.on week" for each in quoted)
    how = "by the smaller of the changes by pounds and by days, at least the measurable of tone"
    parts: list[str | Figure] = ["On the week items were "]
    for index, each in enumerate(counted):
        figure = Figure(
            f"breadth.{each.word}", len(each.items), Unit.COUNT, Source("figures", keys, how)
        )
        parts += [", " if index else "", f"{each.term} {each.word} (", figure, ")"]
    compared = Figure("breadth.compared", found.compared, Unit.COUNT, Source("figures", keys, how))
    return [sentence(*parts, ", of ", compared, " compared.")]


def extremes(quoted: Sequence[ItemNews]) -> list[Sentence]:
    """The items that rose and fell most on the week, if they did measurably."""
    size = {each.item.item_id: move for each in quoted if (move := each.week_move) is not None}
    moved = sorted(
        (each for each in quoted if each.item.item_id in size),
        key=lambda each: size[each.item.item_id],
    )
    made = []
    for each, sign in zip(moved[-1:] + moved[:1], (1, -1), strict=False):
        measurable = each.quoted.tone.trend.measurable_usd_per_cwt
        if sign * size[each.item.item_id] >= measurable:
            way = "rose" if sign > 0 else "fell"
            made.append(
                sentence(
                    f"{each.item.item_id} {way} most: the week's average ",
                    _compared(each, Span.WEEK, "on week"),
                    " USD per cwt on that of the week before; quoted at ",
                    _price(each),
                    ".",
                )
            )
    return made


# Quotations --------------------------------------------------------------------------------------

_COMPARED_SPANS = (
    (Span.WEEK, "on week", "On week"),
    (Span.MONTH, "on month", "On month"),
    (Span.WEEK_OF_YEAR, "on year", "Week on year"),
    (Span.YEAR_TO_DATE, "year to date", "Year to date"),
)


def quotations(news: News, quoted: Sequence[ItemNews]) -> Section:
    spans = [
        (span, name, heading)
        for span, name, heading in _COMPARED_SPANS
        if any(_compared(each, span, name) for each in quoted)
    ]
    headings = ("Item", "USD/cwt", "Low", "High", "Trend", *(heading for *_, heading in spans))
    rows = [
        (
            each.item.item_id,
            _price(each),
            *_range(each),
            _trend(each),
            *(_compared(each, span, name) for span, name, _ in spans),
        )
        for each in quoted
    ]
    missing = [each.item.item_id for each in news.items if each.usd_per_cwt is None]
    words = sentence(
        "USD per cwt. Changes are of averages weighted by the pounds traded, against the same part "
        "of the week, month or year before (weeks of ISO 8601); blank where more than a quarter of "
        "the market days of either are missing."
    )
    blocks: list[Block] = [
        Grid(headings, tuple(rows), frozenset({1, 2, 3, 5, 6, 7, 8})),
        Paragraph((words,)),
    ]
    if missing:
        blocks.append(Paragraph((sentence(f"Not quoted: {', '.join(missing)}."),)))
    blocks.append(Picture(PRICES_PICTURE, "The last quotation of each week, USD per cwt"))
    return Section("Quotations", tuple(blocks))


def _range(each: ItemNews) -> tuple[Figure | None, Figure | None]:
    assessed, published = each.quoted.assessed, each.published
    low = assessed.low_usd_per_cwt if published is None else published.low_usd_per_cwt
    high = assessed.high_usd_per_cwt if published is None else published.high_usd_per_cwt
    return tuple(
        None if value is None else _of_evidence(each, name, value, Unit.USD_PER_CWT, how)
        for name, value, how in (("low", low, "lowest used"), ("high", high, "highest used"))
    )


# Tone --------------------------------------------------------------------------------------------

_ESTABLISHED = (Trend.HIGHER, Trend.FIRM, Trend.STEADY, Trend.WEAK, Trend.LOWER)


def _trend(each: ItemNews) -> Figure:
    return _of_trend(each, "trend", str(each.quoted.tone.trend.word), Unit.WORD)


def _of_trend(each: ItemNews, name: str, value: float | str, unit: Unit) -> Figure:
    trend = each.quoted.tone.trend
    told = f"{trend.day} against {trend.compared_with or 'no day'}"
    tested = "" if trend.moved is None else f", exact sign-flip p {trend.moved.p:.3f}"
    source = Source("canvass", (f"{each.item.item_id} {told}",), f"trend of tone{tested}")
    return Figure(f"{each.item.item_id}.{name}", value, unit, source)


def tone(news: News, quoted: Sequence[ItemNews]) -> Section:
    sentences = [_together(news)]
    by_word: dict[Trend, list[ItemNews]] = defaultdict(list)
    for each in quoted:
        by_word[each.quoted.tone.trend.word].append(each)
    for word in _ESTABLISHED:
        sentences += [_established(each) for each in by_word[word]]
    for word in Trend:
        if word not in _ESTABLISHED and by_word[word]:
            names = ", ".join(each.item.item_id for each in by_word[word])
            sentences.append(sentence(f"{word.capitalize()}: {names}."))
    words = sentence(
        "Trends are of firms that spoke on both days; demand counts firms that bid, offerings "
        "those that offer, trade the trades heard, whether a quotation uses them or not, and none "
        "is read off prices."
    )
    return Section("Tone", (Paragraph((*sentences, words)),))


_COUNTED = {"demand": "firms bidding", "offerings": "firms offering", "activity": "trades"}


def _together(news: News) -> Sentence:
    """Demand, offerings and trade of all items."""
    parts: list[str | Figure] = ["All items together: "]
    for index, name in enumerate(("demand", "offerings", "activity")):
        standing: Standing = getattr(news.together, name)
        what = _COUNTED[name]
        label = "trade" if name == "activity" else name
        source = Source("canvass", (f"every item {news.day}",), f"{what} beside the usual")
        parts += ["; " if index else "", f"{label} "]
        if standing.word is None:
            parts.append("without a normal yet")
            continue
        parts += [
            Figure(f"together.{label}", standing.word, Unit.WORD, source),
            " (",
            Figure(f"together.{what}", standing.count, Unit.COUNT, source),
            f" {what}, usually ",
            Figure(f"together.{what} usually", standing.normal, Unit.COUNT, source),
            ")",
        ]
    return sentence(*parts, ".")


def _established(each: ItemNews) -> Sentence:
    trend = each.quoted.tone.trend
    return sentence(
        f"{each.item.item_id} ",
        _trend(each),
        ": the ",
        _of_trend(each, "firms on both days", trend.firms, Unit.COUNT),
        " firms that spoke on both days moved ",
        _of_trend(each, "trend move", trend.change_usd_per_cwt, Unit.USD_PER_CWT_MOVE),
        " USD per cwt on average, against ",
        _of_trend(each, "compared with", trend.compared_with, Unit.DAY),
        ".",
    )


# Evidence ----------------------------------------------------------------------------------------


def evidence(quoted: Sequence[ItemNews]) -> Section:
    headings = ("Item", "Trades", "Pounds", "From trades", "Bids, offers", "Other", "Judgment")
    rows = []
    for each in quoted:
        assessed = each.quoted.assessed
        codes = assessed.codes if each.published is None else each.published.rationale
        rows.append(
            (
                each.item.item_id,
                _of_evidence(each, "trades", assessed.trades, Unit.COUNT, "trades used"),
                _of_evidence(each, "pounds", assessed.pounds_lb, Unit.POUNDS, "of trades used"),
                *(
                    _of_evidence(each, f"{name} share", share, Unit.SHARE, "of the weight")
                    for name, share in (
                        ("trades", assessed.shares.trades),
                        ("bids and offers", assessed.shares.bids_offers),
                        ("other", assessed.shares.other),
                    )
                ),
                _of_evidence(each, "judgment", "|".join(codes), Unit.CODES, "by the method"),
            )
        )
    words = sentence(
        "Shares are of the weight that each kind of data bears in the quotation; one that is "
        "carried rests on none of that day."
    )
    grid = Grid(headings, tuple(rows), frozenset({1, 2, 3, 4, 5}))
    return Section("What the quotations rest on", (grid, Paragraph((words,))))
