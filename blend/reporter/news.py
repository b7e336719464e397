"""The news of a day: what is known of each item, the supply, and the moves explained."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from blend.domain.clearing import Market
from blend.domain.market import CanvassEntry, Item, Published, Volume
from blend.reporter.assessed import Assessed
from blend.reporter.calendar import Comparison, DayFigure, Span
from blend.reporter.clearing import MarketWhy
from blend.reporter.corrections import Correction
from blend.reporter.indicators import Breadth, Indicator, breadth
from blend.reporter.quoting import Quoted
from blend.reporter.tone import Standings


def price_of(assessed: Assessed, published: Published | None) -> float | None:
    """As published where it was, else as it would be: by the method, to the cent."""
    if published is not None:
        return published.usd_per_cwt
    return None if assessed.usd_per_cwt is None else round(assessed.usd_per_cwt, 2)


@dataclass(frozen=True, slots=True)
class ItemNews:
    """One item: its quotation and tone, its comparisons and days, and what was published."""

    quoted: Quoted
    comparisons: tuple[Comparison, ...]
    days: tuple[DayFigure, ...]
    published: Published | None = None

    @property
    def item(self) -> Item:
        return self.quoted.assessed.item

    @property
    def may_be_shown(self) -> bool:
        """Whether the note may show it: it may go out as it is, or a reporter published it."""
        if self.published is not None:
            return self.quoted.confidentiality.may_be_shown
        return self.quoted.may_be_published

    @property
    def usd_per_cwt(self) -> float | None:
        """As published where it was, else as it would be: by the method, to the cent."""
        return price_of(self.quoted.assessed, self.published)

    def comparison(self, span: Span) -> Comparison:
        return next(each for each in self.comparisons if each.span is span)

    @property
    def prices(self) -> tuple[tuple[date, float], ...]:
        """Its quotations by day, none of them carried."""
        return tuple((each.day, each.usd_per_cwt) for each in self.days)

    def change(self, span: Span) -> float | None:
        """Of averages weighted by pounds; None where there is too little to compare."""
        return self.comparison(span).weighted_change

    @property
    def week_move(self) -> float | None:
        """The change on the week that averages by pounds and by days agree on: the smaller of the
        two, and none where they part, as one price far off moves the one and hardly the other."""
        weighted, simple = self.change(Span.WEEK), self.comparison(Span.WEEK).simple_change
        if weighted is None or simple is None:
            return None
        return min(weighted, simple, key=abs) if weighted * simple > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why an item's price moved since another day, and the volumes it rests on."""

    item_id: str
    since: date
    why: MarketWhy
    volumes: tuple[Volume, ...]
    before: Market
    market: Market
    """The market after, with the elasticities it was given."""
    year_ago: tuple[Volume, ...] = ()
    """The same volumes a year before the later day; none where some are missing."""


@dataclass(frozen=True, slots=True)
class News:
    """All that one day's note is made of."""

    day: date
    items: tuple[ItemNews, ...]
    together: Standings
    """Demand, offerings and trade of all items."""
    indicators: tuple[Indicator, ...]
    explanations: tuple[Explanation, ...]
    talk: tuple[CanvassEntry, ...]
    """What was said besides prices since the day that moves are explained from; it may name no
    firm (see `quotable`)."""
    volume_error_share: float
    method_version: str
    method_digest: str
    position: int
    """Of the store: number of the last append the note rests on."""
    corrections: tuple[Correction, ...] = ()
    """Of what was published, made or for days in the last week."""


def week_breadth(items: Iterable[ItemNews]) -> Breadth:
    """Items by the direction of their move on the week; measurable is as much as for tone."""
    items = tuple(items)
    return breadth(
        {each.item.item_id: each.week_move for each in items},
        {each.item.item_id: each.quoted.tone.trend.measurable_usd_per_cwt for each in items},
    )


def quotable(entries: Iterable[CanvassEntry]) -> tuple[CanvassEntry, ...]:
    """Entries whose words name none of the companies they came from."""
    entries = tuple(entries)
    firms = {entry.firm for entry in entries}
    return tuple(
        entry
        for entry in entries
        if entry.note.strip() and not any(firm in entry.note.casefold() for firm in firms)
    )
