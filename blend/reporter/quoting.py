"""From the store to quotations, to tone and to what is published; and the same made again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta

from blend.domain.market import CanvassEntry, Item, Published
from blend.domain.method import Method
from blend.errors import InputRefused, Problem, did_you_mean, refusal
from blend.reporter.assessed import Assessed, Code, Rung
from blend.reporter.calendar import Average as SpanAverage
from blend.reporter.calendar import Comparison, DayFigure, compare, rolling
from blend.reporter.confidential import Confidentiality, confidentiality
from blend.reporter.corrections import Correction, corrections_of, recent
from blend.reporter.quotation import OwnQuotations, assess, publication_of, second_look
from blend.reporter.tone import Standings, Tone, standings_of
from blend.reporter.trend import PriceTrend, trends_of
from blend.store.store import AsOf, Store

YEARS_BACK = timedelta(days=2 * 366)
"""What comparisons with last year's weeks and months reach back to."""
CAPPED_DAYS = timedelta(days=30)


@dataclass(frozen=True, slots=True)
class Heard:
    """All that quotations of a day rest on, as the store held it at one position."""

    day: date
    position: int
    items: Mapping[str, Item]
    entries: Mapping[str, tuple[CanvassEntry, ...]]
    """By item, of the days looked back on; entries of the item only."""
    published: tuple[Published, ...]
    market_days: frozenset[date]
    """Days on which anything was heard of any item."""
    corrections: tuple[Correction, ...] = ()
    """Of quotations published for these days, or made on them."""
    made: dict[tuple[str, str], Assessed] = field(default_factory=dict, compare=False, repr=False)
    """Quotations made once, by item and method."""
    trends: dict[str, dict[str, PriceTrend]] = field(
        default_factory=dict, compare=False, repr=False
    )
    """Trends of all items, made once by method."""


@dataclass(frozen=True, slots=True)
class Quoted:
    """One item's quotation, its tone, and whether it may be shown."""

    assessed: Assessed
    tone: Tone
    confidentiality: Confidentiality

    @property
    def may_be_published(self) -> bool:
        """Whether it may go out as it is, without a reporter's price."""
        return self.confidentiality.may_be_shown and not self.assessed.needs_decision


@dataclass(frozen=True, slots=True)
class Compared:
    """One item's weeks, months and year to date, and its last five days."""

    item: Item
    comparisons: tuple[Comparison, ...]
    five_days: SpanAverage | None


@dataclass(frozen=True, slots=True)
class Override:
    """A person's number in the place of the method's, and why."""

    usd_per_cwt: float
    reason: str
    second: str = ""
    """Who else looked at it, where the method asks for a second name."""


@dataclass(frozen=True, slots=True)
class Publication:
    """What was published, and what was not: not quoted, not to be shown, or waiting for the
    reporter's price."""

    published: tuple[Published, ...]
    not_quoted: tuple[Quoted, ...]
    withheld: tuple[Quoted, ...]
    undecided: tuple[Quoted, ...] = ()
    corrections: tuple[Correction, ...] = ()
    """What this changed of what was published before."""


@dataclass(frozen=True, slots=True)
class Requoted:
    """A published quotation and the same made again from what the store held then."""

    published: Published
    assessed: Assessed

    @property
    def is_same(self) -> bool:
        return self.published.assessed_usd_per_cwt == self.assessed.usd_per_cwt


def heard(store: Store, day: date, method: Method, as_of: AsOf = None) -> Heard:
    """What the store held at a moment of the days that quotations of `day` look back on."""
    position = store.position(as_of)
    back = max(
        method.confidential_days,
        method.compare_within_days,
        method.carried_days,
        # Market days: with weekends and holidays twice as many days are enough.
        2 * method.normal_days,
        2 * method.trend_days,
    )
    days = (day - timedelta(days=back), day)
    by_item: dict[str, list[CanvassEntry]] = {}
    market_days = set()
    for entry in store.entries(days=days, as_of=position):
        by_item.setdefault(entry.item_id, []).append(entry)
        market_days.add(entry.market_day)
    return Heard(
        day,
        position,
        store.items(position),
        {name: tuple(entries) for name, entries in by_item.items()},
        store.published(days=days, as_of=position),
        frozenset(market_days),
        recent(corrections_of(store.every_published(as_of=position)), day),
    )


def quote(known: Heard, item_id: str, method: Method) -> Quoted:
    """One item's quotation, tone and confidentiality; raise InputRefused for an unknown item."""
    item = _item(known.items, item_id)
    entries = known.entries.get(item_id, ())
    related = [_assessed(known, each, method) for each in related_items(item, known.items)]
    return Quoted(
        second_look(_assessed(known, item_id, method), related, method),
        Tone(
            item,
            _trends(known, method)[item_id],
            standings_of(known.day, _negotiated(entries), method, known.market_days),
        ),
        confidentiality(item_id, known.day, entries, method),
    )


def _trends(known: Heard, method: Method) -> dict[str, PriceTrend]:
    if method.digest not in known.trends:
        known.trends[method.digest] = trends_of(
            known.items.values(), known.day, known.entries, method, known.market_days
        )
    return known.trends[method.digest]


def _assessed(known: Heard, item_id: str, method: Method) -> Assessed:
    key = item_id, method.digest
    if key not in known.made:
        entries = known.entries.get(item_id, ())
        known.made[key] = assess(known.items[item_id], known.day, entries, method, known.published)
    return known.made[key]


RELATED_ITEMS = 2


def related_items(item: Item, items: Mapping[str, Item]) -> list[str]:
    """Items of its species and form nearest to it in lean points."""
    alike = [
        each
        for each in items.values()
        if each.item_id != item.item_id
        and (each.species, each.fresh_or_frozen) == (item.species, item.fresh_or_frozen)
    ]
    alike.sort(key=lambda each: (abs(each.lean - item.lean), each.item_id))
    return [each.item_id for each in alike[:RELATED_ITEMS]]


def standings(known: Heard, method: Method) -> Standings:
    """Demand, offerings and activity of all items together."""
    entries = [each for own in known.entries.values() for each in own]
    return standings_of(known.day, _negotiated(entries), method, known.market_days)


def _negotiated(entries: Iterable[CanvassEntry]) -> list[CanvassEntry]:
    return [each for each in entries if each.sets_negotiated_quote]


def _item(items: Mapping[str, Item], item_id: str) -> Item:
    if item_id not in items:
        allowed = ", ".join(sorted(items)) or "an item, once there is one in the store"
        hint = did_you_mean(item_id, sorted(items))
        raise refusal("items", "item_id", item_id, allowed, hint)
    return items[item_id]


def publish(
    store: Store,
    known: Heard,
    quoted: Iterable[Quoted],
    method: Method,
    assessor: str,
    overrides: Mapping[str, Override] | None = None,
    correction_reason: str = "",
) -> Publication:
    """Keep quotations as published, all of them together, with what they are based on.

    What is not quoted, may not be shown, or needs a reporter's price is not published. One that
    changes what was published needs a reason, and makes a correction. Raise InputRefused without
    one, or where somebody published since `known` was read; raise FileTrouble.
    """
    quoted = tuple(quoted)
    problems = list(_second_names_missing(quoted, method, assessor, overrides or {}))
    if problems:
        raise InputRefused(problems)
    made = planned(known, quoted, assessor, overrides)
    before = {each.item_id: each for each in known.published if each.market_day == known.day}
    published = [
        replace(each, correction_reason=correction_reason) if each.item_id in before else each
        for each in made.published
    ]
    if not published:
        return made
    kept, corrections = _publish(store, known.day, published, method)
    return replace(made, published=kept, corrections=corrections)


def withdraw(
    store: Store, known: Heard, item_ids: Sequence[str], method: Method, assessor: str, reason: str
) -> Publication:
    """Withdraw quotations published for a day; raise InputRefused for one that was not."""
    before = {each.item_id: each for each in known.published if each.market_day == known.day}
    problems = [
        Problem("published", None, "item_id", name, "an item published that day")
        for name in item_ids
        if name not in before
    ]
    if problems:
        raise InputRefused(problems)
    gone = [
        replace(before[name], is_withdrawn=True, correction_reason=reason, assessor=assessor,
                override_reason="", method_digest=method.digest, store_position=known.position)
        for name in item_ids
    ]  # fmt: skip
    return Publication((), (), (), corrections=_publish(store, known.day, gone, method)[1])


def _publish(
    store: Store, day: date, published: Sequence[Published], method: Method
) -> tuple[tuple[Published, ...], tuple[Correction, ...]]:
    """What was kept, with its moment, and what it corrects."""
    at = store.publish(published, method).recorded_at
    assert at is not None, "a publication is always new"
    every = corrections_of(store.every_published(days=(day, day)))
    return (
        tuple(replace(each, published_at=at) for each in published),
        tuple(each for each in every if each.made_at == at),
    )


def planned(
    known: Heard,
    quoted: Iterable[Quoted],
    assessor: str,
    overrides: Mapping[str, Override] | None = None,
) -> Publication:
    """What would be published, and what not; nothing is kept."""
    overrides = overrides or {}
    published, not_quoted, withheld, undecided = [], [], [], []
    for each in quoted:
        own = overrides.get(each.assessed.item.item_id)
        if each.assessed.usd_per_cwt is None and own is None:
            not_quoted.append(each)
        elif not each.confidentiality.may_be_shown:
            withheld.append(each)
        elif each.assessed.needs_decision and own is None:
            undecided.append(each)
        else:
            made = publication_of(
                each.assessed,
                assessor=assessor,
                at=datetime.now(UTC),
                tone=each.tone.trend.word.value,
                position=known.position,
                override_usd_per_cwt=None if own is None else own.usd_per_cwt,
                override_reason="" if own is None else own.reason,
            )
            published.append(replace(made, second_assessor="" if own is None else own.second))
    return Publication(tuple(published), tuple(not_quoted), tuple(withheld), tuple(undecided))


def _second_names_missing(
    quoted: Iterable[Quoted], method: Method, assessor: str, overrides: Mapping[str, Override]
) -> Iterable[Problem]:
    """Prices of reporters that the method lets one person publish only with a second name."""
    most = method.second_name_moves
    for each in quoted if most else ():
        made = each.assessed
        own = overrides.get(made.item.item_id)
        if own is None or (own.second.strip() and own.second.strip() != assessor.strip()):
            continue
        usual, usd = made.usual_usd_per_cwt, made.usd_per_cwt
        is_near = usual and usd is not None and abs(own.usd_per_cwt - usd) <= most * usual
        if Code.HELD in made.codes or not is_near:
            what = f"{made.item.item_id} at ${own.usd_per_cwt:,.2f}"
            hint = "Enter the name of a second person who looked at it."
            yield Problem("published", None, None, what, "", hint)


def requote(store: Store, item_id: str, day: date, as_of: AsOf = None) -> Requoted:
    """Make a published quotation again: from what the store held when it was made, and by the
    method of then.

    `as_of`: what was published of the day up to then. Raise InputRefused where nothing was.
    """
    last = store.published(item_id, (day, day), as_of)
    if not last:
        read = f"{item_id} of {day}"
        raise refusal("published", None, read, "what was published")
    method = store.method(last[0].method_digest)
    then = heard(store, day, method, last[0].store_position)
    entries = then.entries.get(item_id, ())
    made = assess(_item(then.items, item_id), day, entries, method, then.published)
    return Requoted(last[0], made)


def figures(
    store: Store, item: Item, first: date, last: date, method: Method, as_of: AsOf = None
) -> list[DayFigure]:
    """The item's days with a quotation of their own (none that is carried), by day: as last
    published where it was, else as the method makes it; what was not published and is more than
    CAPPED_DAYS old is without the cap on one company, which takes long to work out."""
    position = store.position(as_of)
    days = (first, last)
    entries = store.entries(item.item_id, days, position)
    quotations = OwnQuotations(item, entries, method)
    published = {each.market_day: each for each in store.published(item.item_id, days, position)}
    made = []
    for day in sorted({each.market_day for each in entries}):
        is_recent = last - day <= CAPPED_DAYS
        own = quotations.of(day) if is_recent else quotations.uncapped(day)
        price = own.usd_per_cwt
        if day in published and published[day].evidence != Rung.CARRIED:
            price = published[day].usd_per_cwt
        if price is not None:
            average = own.trade_average_usd_per_cwt
            made.append(DayFigure(day, price, own.pounds_lb if average else 0.0, average))
    return made


def comparisons(
    store: Store, item_ids: Sequence[str], day: date, method: Method, as_of: AsOf = None
) -> list[Compared]:
    """Weeks, months and year to date of several items; raise InputRefused for an unknown one."""
    position = store.position(as_of)
    items = store.items(position)
    compared = []
    for item_id in item_ids:
        item = _item(items, item_id)
        days = figures(store, item, day - YEARS_BACK, day, method, position)
        compared.append(Compared(item, compare(days, day), rolling(days, day)))
    return compared
