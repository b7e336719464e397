"""Tone, and how spans compare, as tables; each word with where it is from."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date

from blend.domain.method import Method
from blend.reporter.calendar import Average, Span
from blend.reporter.quoting import Compared, Quoted
from blend.reporter.tone import SOURCES, Standing, Standings
from blend.show.amounts import count_of, number_words
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column

NO_WORD = "no normal"


def tone_tables(quoted: Sequence[Quoted], together: Standings, method: Method) -> list[ShownTable]:
    """Which way each item went, and how demand and offerings stood, item by item and together."""
    return [trends_table(quoted, method), standings_table(quoted, together, method)]


def trends_table(quoted: Sequence[Quoted], method: Method) -> ShownTable:
    columns = (
        ShownColumn("Item"),
        ShownColumn("Trend"),
        usd_per_cwt_column("Change"),
        ShownColumn("Against"),
        ShownColumn("Firms", "", Format.WHOLE),
        ShownColumn("Up", "%", Format.WHOLE),
        ShownColumn("Down", "%", Format.WHOLE),
        ShownColumn("p", "", Format.TEN_THOUSANDTHS),
        ShownColumn("Least p", "", Format.TEN_THOUSANDTHS),
        ShownColumn("Steady p", "", Format.TEN_THOUSANDTHS),
        usd_per_cwt_column("Measurable"),
    )
    rows = []
    for each in quoted:
        trend = each.tone.trend
        is_compared = trend.steady_p is not None
        rows.append(
            (
                each.assessed.item.item_id,
                trend.word.value,
                trend.change_usd_per_cwt,
                trend.compared_with,
                trend.firms if trend.compared_with else None,
                trend.share_up * 100 if is_compared else None,
                trend.share_down * 100 if is_compared else None,
                trend.moved.p if trend.moved else None,
                trend.moved.smallest_p if trend.moved else None,
                trend.steady_p,
                trend.measurable_usd_per_cwt,
            )
        )
    note = (
        "Change of firms that spoke on both days; up, down: those that moved measurably. Words: "
        "USDA Market News glossary, price trend; the numbers behind them are house rules. p: how "
        "often the change would be as large, or larger, if each firm's could as well have gone the "
        "other way (all ways counted); a move is told where p is at most "
        f"{number_words(method.tone_level)}. Least p: the smallest that so few firms could reach. "
        "Steady p: how often it would be as near to nothing if the market had made a measurable "
        f"move, up or down; steady where that is at most {number_words(method.tone_level / 2)}. "
        "Many items are tested, and nothing is adjusted for that. Firms that heed one another are "
        "fewer than they seem."
    )
    return shown_table(f"Tone of {quoted[0].assessed.day}", columns, rows, note)


def standings_table(quoted: Sequence[Quoted], together: Standings, method: Method) -> ShownTable:
    usual = ShownColumn("usually", "", Format.TENTHS)
    columns = (
        ShownColumn("Item"),
        ShownColumn("Demand"),
        ShownColumn("Bidding", "firms", Format.WHOLE),
        usual,
        ShownColumn("Offerings"),
        ShownColumn("Offering", "firms", Format.WHOLE),
        usual,
        ShownColumn("Trading"),
        ShownColumn("Trades", "", Format.WHOLE),
        usual,
    )
    of_items = [(each.assessed.item.item_id, each.tone.standings) for each in quoted]
    rows = [
        (name, *(cell for each in _each(of) for cell in _standing_cells(each)))
        for name, of in (*of_items, ("every item of the store", together))
    ]
    note = (
        "Counted as heard, whether a quotation uses it or not, never read off prices; a firm that "
        "bids for two items counts twice. Usually: the median of up to "
        f"{count_of(method.normal_days, 'market day')} before; no normal where that is below "
        f"{number_words(method.normal_min_count)} or the days too few. Words: USDA Market News "
        "glossary, demand, supply and market activity; where one ends and the next begins is a "
        "house rule."
    )
    return shown_table("Demand, offerings and trading", columns, rows, note)


def _standing_cells(each: Standing) -> tuple[Cell, ...]:
    return each.word or NO_WORD, each.count, each.normal


def _each(of: Standings) -> tuple[Standing, ...]:
    return of.demand, of.offerings, of.activity


SPAN_WORDS = {
    Span.WEEK: ("week", "week before"),
    Span.WEEK_OF_YEAR: ("week", "year before"),
    Span.MONTH: ("month", "month before"),
    Span.MONTH_OF_YEAR: ("month", "year before"),
    Span.YEAR_TO_DATE: ("year", "year before"),
}


def comparisons_table(compared: Sequence[Compared], day: date) -> ShownTable:
    """Week, month and year to date of each item."""
    columns = (
        ShownColumn("Item"),
        ShownColumn("Span"),
        ShownColumn("Against"),
        usd_per_cwt_column("Weighted"),
        usd_per_cwt_column("before"),
        usd_per_cwt_column("change"),
        usd_per_cwt_column("Simple"),
        usd_per_cwt_column("change"),
        ShownColumn("Traded", "lb", Format.WHOLE),
        ShownColumn("Days", "", Format.READING),
        ShownColumn("before", "", Format.READING),
    )
    rows = [row for each in compared for row in _span_rows(each)]
    note = (
        "Weighted: sum(price x pounds) / sum(pounds) of the trades used. Simple: the mean of the "
        "days' quotations. Days with a quotation of their own, of the market days there were. So "
        "far: under way, and held against as many days of the span before. No change is told where "
        "more than a quarter of the market days of either span are missing. Weeks are of ISO 8601."
    )
    return shown_table(f"Spans up to {day}", columns, rows, note)


def _span_rows(each: Compared) -> Iterator[tuple[Cell, ...]]:
    for made in each.comparisons:
        now, then = made.now, made.then
        span, against = SPAN_WORDS[made.span]
        yield (
            each.item.item_id,
            span if made.is_whole else f"{span} so far",
            against,
            now.weighted_usd_per_cwt,
            then.weighted_usd_per_cwt,
            made.weighted_change,
            now.simple_usd_per_cwt,
            made.simple_change,
            now.pounds_lb,
            _days_words(now),
            _days_words(then),
        )
    last = each.five_days
    if last is not None:
        averages = (last.weighted_usd_per_cwt, None, None, last.simple_usd_per_cwt, None)
        days = f"last {count_of(last.days, 'day')}"
        yield (each.item.item_id, days, "", *averages, last.pounds_lb, _days_words(last), "")


def _days_words(average: Average) -> str:
    return f"{average.days} of {average.days + average.missing}"


def sources_table(words: Iterable[str]) -> ShownTable:
    """Where each word that was used is from."""
    rows = sorted({(word, SOURCES[word]) for word in words})
    return shown_table("Words", (ShownColumn("Word"), ShownColumn("From")), rows)


def words_used(quoted: Iterable[Quoted], together: Standings) -> Iterator[str]:
    """Every word of the tables of tone."""
    for each in quoted:
        yield each.tone.trend.word.value
    for of in (together, *(each.tone.standings for each in quoted)):
        yield from (each.word for each in _each(of) if each.word is not None)
