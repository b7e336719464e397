"""From what was heard and counted to the news of a day."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from blend.domain.clearing import Market
from blend.domain.market import CanvassEntry, Published, Volume
from blend.domain.method import Method
from blend.errors import InputRefused, Problem
from blend.reporter.calendar import DayFigure, compare
from blend.reporter.draws import priors_of
from blend.reporter.indicators import grouped, indicator, series_of
from blend.reporter.market_on_day import QuotedPrice, market_on, volumes_used, why_item_moved
from blend.reporter.news import Explanation, ItemNews, News, price_of, quotable
from blend.reporter.quoting import YEARS_BACK, Heard, figures, heard, quote, standings
from blend.store.store import Store

_YEAR = timedelta(weeks=52)


@dataclass(frozen=True, slots=True)
class Asked:
    """What a note is asked to explain, and with what.

    Moves are explained since the day of `since`. `market` holds the blends, rules and
    elasticities that the store does not; `market_before` those of the earlier day, where they
    have changed since; `item_ids` are the items, none of them: those that
    moved most up and most down. `talk` are the entries of the days after. `volume_error_share`
    is the standard error of a volume, a share of it.
    """

    since: Heard
    talk: tuple[CanvassEntry, ...]
    market: Market
    item_ids: tuple[str, ...] = ()
    volume_error_share: float = 0.01
    market_before: Market | None = None


def news_of(
    known: Heard,
    days: Mapping[str, Sequence[DayFigure]],
    volumes: Sequence[Volume],
    method: Method,
    *,
    asked: Asked | None = None,
    levels: Collection[str] = (),
) -> News:
    """All that the note of the day that `known` is of is made of.

    `days` are the quotations of each item, two years of them if there are; `volumes` all
    figures. Without `asked` nothing is explained. `levels` are the series that stand at a time.
    Raise InputRefused for items and volumes that are missing.
    """
    items = item_news(known, days, method)
    indicators = (
        indicator(each, known.day, whole) for each, whole in grouped(series_of(volumes, levels))
    )
    return News(
        day=known.day,
        items=items,
        together=standings(known, method),
        indicators=tuple(each for each in indicators if each is not None),
        explanations=() if asked is None else explain(known, volumes, method, asked),
        talk=() if asked is None else quotable(asked.talk),
        volume_error_share=0.0 if asked is None else asked.volume_error_share,
        method_version=method.version,
        method_digest=method.digest,
        position=known.position,
        corrections=known.corrections,
    )


def item_news(
    known: Heard, days: Mapping[str, Sequence[DayFigure]], method: Method
) -> tuple[ItemNews, ...]:
    """Every item on the day that `known` is of, in the store's order."""
    published = _published_on(known)
    return tuple(
        ItemNews(
            quote(known, item_id, method),
            compare(days[item_id], known.day),
            tuple(days[item_id]),
            published.get(item_id),
        )
        for item_id in known.items
    )


# From the store ----------------------------------------------------------------------------------


def asked_of_store(
    store: Store,
    known: Heard,
    method: Method,
    market: Market,
    since: date,
    item_ids: tuple[str, ...] = (),
    volume_error_share: float = 0.01,
    market_before: Market | None = None,
) -> Asked:
    """What is asked, with what was heard since; as the store stood for `known`."""
    then = heard(store, since, method, known.position)
    talk = store.entries(days=(since + timedelta(days=1), known.day), as_of=known.position)
    return Asked(then, talk, market, item_ids, volume_error_share, market_before)


def days_of_store(store: Store, known: Heard, method: Method) -> dict[str, list[DayFigure]]:
    """Two years of quotations of every item."""
    first = known.day - YEARS_BACK
    return {
        item_id: figures(store, item, first, known.day, method, known.position)
        for item_id, item in known.items.items()
    }


def check_series(volumes: Sequence[Volume], named: Collection[str]) -> None:
    """Raise InputRefused for names that are no series of these volumes."""
    there = list(dict.fromkeys(each.series_id for each in volumes))
    problems = [
        Problem("volumes", None, "series_id", name, f"a series of the store: {', '.join(there)}")
        for name in dict.fromkeys(named)
        if name not in there
    ]
    if problems:
        raise InputRefused(problems)


def _published_on(known: Heard) -> dict[str, Published]:
    return {each.item_id: each for each in known.published if each.market_day == known.day}


def explain(
    known: Heard, volumes: Sequence[Volume], method: Method, asked: Asked
) -> tuple[Explanation, ...]:
    """Why items moved up to the day that `known` is of; raise InputRefused for what is missing."""
    ends = (asked.since, known)
    before, after = (_prices(end, method) for end in ends)
    frame = asked.market
    frames = (asked.market_before or frame, frame)
    used = [volumes_used(of, volumes, end.day) for of, end in zip(frames, ends, strict=True)]
    was, now = (
        market_on(of, counted, prices, end.day)
        for of, counted, prices, end in zip(frames, used, (before, after), ends, strict=True)
    )
    try:
        year_ago = tuple(volumes_used(frame, volumes, known.day - _YEAR).values())
    except InputRefused:
        year_ago = ()
    shown = {item_id for item_id in known.items if quote(known, item_id, method).may_be_published}
    moves = {
        lot.lot_id: after[lot.lot_id].usd_per_cwt - before[lot.lot_id].usd_per_cwt
        for lot in frame.case.lots
        if lot.lot_id in shown
    }
    return tuple(
        Explanation(
            item_id,
            asked.since.day,
            why_item_moved(
                was,
                now,
                item_id,
                (before[item_id], after[item_id]),
                priors=priors_of(method, asked.volume_error_share),
            ),
            tuple(volume for counted in used for volume in counted.values()),
            was,
            now,
            year_ago,
        )
        for item_id in (_checked(asked.item_ids, moves) or _moved_max(moves))
    )


def _prices(known: Heard, method: Method) -> dict[str, QuotedPrice]:
    """Of every item with a quotation that day: as published where it was."""
    published = _published_on(known)
    prices = {}
    for item_id in known.items:
        made, own = quote(known, item_id, method).assessed, published.get(item_id)
        usd = price_of(made, own)
        if usd is not None:
            # The method's error says nothing about a price a person set.
            is_overridden = own is not None and bool(own.override_reason)
            error = None if is_overridden else made.standard_error_usd_per_cwt
            prices[item_id] = QuotedPrice(usd, error)
    return prices


def _checked(item_ids: tuple[str, ...], moves: Collection[str]) -> tuple[str, ...]:
    problems = [
        Problem("market", None, "lot_id", name, f"an item of the market: {', '.join(moves)}")
        for name in item_ids
        if name not in moves
    ]
    if problems:
        raise InputRefused(problems)
    return item_ids


def _moved_max(moves: dict[str, float]) -> tuple[str, ...]:
    """The item that rose most and the one that fell most."""
    rose = max(moves, key=moves.__getitem__, default=None)
    fell = min(moves, key=moves.__getitem__, default=None)
    found = [rose] if rose is not None and moves[rose] > 0 else []
    return (*found, fell) if fell is not None and moves[fell] < 0 else tuple(found)
