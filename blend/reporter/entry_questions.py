"""What to confirm before entries are kept: against the last quotations, the day and the lean line.

The store is only read. Sources are never named in a question.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from datetime import date, timedelta
from statistics import linear_regression

from blend.domain.market import Additions, CanvassEntry, Item, Published
from blend.domain.method import Method
from blend.errors import BlendError, Caution
from blend.output.formats import counted
from blend.reporter.quotation import OwnQuotations, last_quotation
from blend.reporter.surveillance import Question, questions
from blend.store.store import Store

MIN_LINE_ITEMS = 3
"""Items with a quotation before a lean line is drawn through them."""


MAX_LISTED = 3
"""Questions of an import listed one by one, unless all are asked for."""


class NotConfirmed(BlendError):
    """Something looks wrong about an entry, and nobody said to keep it."""

    exit_code = 2

    def __init__(self, asked: Sequence[Question]) -> None:
        lines = [f"{each.text} Add --yes to keep it." for each in asked]
        super().__init__("\n".join((*lines, "Nothing was added.")))


def refuse_unconfirmed(
    store: Store, entry: CanvassEntry, method: Method, *, is_confirmed: bool
) -> None:
    """Raise NotConfirmed where an entry looks wrong and is not confirmed."""
    asked = [] if is_confirmed else questions_of(store, entry, method)
    if asked:
        raise NotConfirmed(asked)


def questions_of(
    store: Store, entry: CanvassEntry, method: Method, with_it: Sequence[CanvassEntry] = ()
) -> list[Question]:
    """What looks wrong about one entry that is not in the store yet; `with_it` are others that
    come with it."""
    items = store.items()
    if entry.item_id not in items:
        return []  # the store itself refuses it
    first = entry.market_day - timedelta(days=2 * method.normal_days)
    days = (first, entry.market_day)
    own = store.entries(entry.item_id, days)
    same_day = [
        each
        for each in (*own, *with_it)
        if (each.item_id, each.market_day) == (entry.item_id, entry.market_day)
    ]
    published = store.published(days=days)
    last = _last(items[entry.item_id], own, published, entry.market_day, method)
    # every item's entries are many: read only where the item has no quotation of its own
    line = None if last else _line(entry, items, store.entries(days=days), published, method)
    return questions(entry, last, _others(entry, same_day), method, line)


def _others(entry: CanvassEntry, same_day: Iterable[CanvassEntry]) -> list[CanvassEntry]:
    return [each for each in same_day if each.entry_id not in (entry.entry_id, entry.corrects)]


def _last(
    item: Item,
    entries: Sequence[CanvassEntry],
    published: Iterable[Published],
    day: date,
    method: Method,
) -> float | None:
    quoted = {each.market_day: each for each in published if each.item_id == item.item_id}
    return last_quotation(OwnQuotations(item, entries, method), day, quoted)


def _line(
    entry: CanvassEntry,
    items: Mapping[str, Item],
    entries: Sequence[CanvassEntry],
    published: Sequence[Published],
    method: Method,
) -> float | None:
    """The price at its lean on a line through the last quotations of items of its form."""
    own = items[entry.item_id]
    points = []
    for item in items.values():
        if (item.species, item.fresh_or_frozen) == (own.species, own.fresh_or_frozen):
            heard = [each for each in entries if each.item_id == item.item_id]
            price = _last(item, heard, published, entry.market_day, method)
            if price is not None:
                points.append((item.lean, price))
    if len(points) < MIN_LINE_ITEMS:
        return None
    slope, at_zero = linear_regression(*zip(*points, strict=True))
    return at_zero + slope * (own.lean if entry.lean is None else entry.lean)


# Imports -----------------------------------------------------------------------------------------


def import_warnings(
    store: Store, additions: Additions, method: Method, *, lists_all: bool = False
) -> list[Caution]:
    """What looks wrong about imported entries that are not in the store yet: the first few, and
    how many more there are."""
    known = {each.entry_id for each in store.every_entry()}
    new = {
        each.entry_id: place
        for place, each in enumerate(additions.entries)
        if each.entry_id not in known and not each.withdrawn
    }
    if not new:
        return []
    items = store.items() | {each.item_id: each for each in additions.items}
    every = _standing_with(store, [additions.entries[place] for place in new.values()], method)
    found = [
        (new[entry.entry_id], entry, question)
        for item_id, own in every.items()
        if item_id in items
        for entry, question in _asked_of_item(items[item_id], own, new, method)
    ]
    found.sort(key=lambda each: each[0])
    listed = []
    most = len(found) if lists_all else MAX_LISTED
    for place, entry, question in found[:most]:
        file, row = additions.place("canvass", place)
        listed.append(Caution(file, row, question.field, entry.entry_id, question.text))
    if len(found) > most:
        more = f"{counted(len(found) - most, 'more entry', 'more entries')} to look at: --questions"
        listed.append(Caution("canvass", None, None, more))
    return listed


def _standing_with(
    store: Store, new: Sequence[CanvassEntry], method: Method
) -> dict[str, list[CanvassEntry]]:
    """By item, new entries and those of the store that they do not replace, some days back."""
    first = min(each.market_day for each in new) - timedelta(days=2 * method.normal_days)
    held = store.entries(days=(first, max(each.market_day for each in new)))
    replaced = {each.corrects for each in new}
    found: dict[str, list[CanvassEntry]] = {}
    for each in (*held, *new):
        if each.entry_id not in replaced:
            found.setdefault(each.item_id, []).append(each)
    return found


def _asked_of_item(
    item: Item, entries: Sequence[CanvassEntry], asked: Container[str], method: Method
) -> Iterator[tuple[CanvassEntry, Question]]:
    own = OwnQuotations(item, entries, method)
    last: float | None = None
    for day in sorted({each.market_day for each in entries}):
        same_day = [each for each in entries if each.market_day == day]
        for entry in same_day:
            if entry.entry_id in asked:
                earlier = [each for each in same_day if each.entry_id < entry.entry_id]
                for question in questions(entry, last, earlier, method):
                    yield entry, question
        last = own.uncapped(day).usd_per_cwt or last
