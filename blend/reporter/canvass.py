"""What the store of the market's history holds. Sources of entries are kept in it, never shown."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any

from blend.domain.market import CanvassEntry, Item
from blend.errors import refusal
from blend.output.answer import Answer
from blend.output.formats import Format, cents, counted, day, register
from blend.output.frames import DataFrame, frame
from blend.output.screen import table, with_sections, wrapped
from blend.reporter.calendar import market_days
from blend.store.store import Added, Store
from blend.units import POINTS_PER_SHARE

MOST_ENTRIES = 35
"""Entries of a day listed on the first screen."""
MOST_DAYS = 5
"""Days without entries listed on the screen."""
register(
    {
        "entries": Format("Entries", "", 0),
        "rows": Format("Rows", "", 0),
        "entry_id": Format("Entry"),
        "fresh_or_frozen": Format("Form"),
        "stands": Format("Counts"),
        "item_lean_percent": Format("Lean", "%", 0),
    }
)


@dataclass(frozen=True)
class Canvass(Answer):
    """How much the store holds, and of what."""

    store: str
    counts: Mapping[str, int]
    spans: Mapping[str, tuple[date, date] | None]
    items: tuple[Item, ...]
    entries_of: Mapping[str, int]
    missing_days: tuple[date, ...] = ()
    """Market days between the first and the last without an entry."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        rows = [
            (name, count, *(self.spans.get(name) or (None, None)))
            for name, count in self.counts.items()
        ]
        return {
            "items": items_frame(self.items, self.entries_of),
            "missing_days": frame(("market_day",), [(each,) for each in self.missing_days]),
            "store": frame(("table", "rows", "first_day", "last_day"), rows),
        }

    def screen(self, sections: Collection[str] = ()) -> str:
        days = self.spans.get("entries")
        span = f", {day(days[0])} to {day(days[1])}" if days else ""
        counts = self.counts
        lines = (
            f"{Path(self.store).name}: {counted(counts['items'], 'item')}, "
            f"{counted(counts['entries'], 'entry', 'entries')}{span}, "
            f"{counts['volumes']:,} volume figures, {counts['published']:,} published."
        )
        shown = ("item_id", "name", "item_lean_percent", "fresh_or_frozen", "origin", "basis",
                 "entries")  # fmt: skip
        return with_sections(
            [wrapped(lines), f"\n{table(self.tables['items'], shown)}", self._missing()],
            sections,
            {"terms": self._terms},
        )

    def _missing(self) -> str:
        if not self.missing_days:
            return ""
        listed = ", ".join(map(day, self.missing_days[-MOST_DAYS:]))
        more = len(self.missing_days) - MOST_DAYS
        earlier = f", and {more} earlier (--json has all)" if more > 0 else ""
        return wrapped(f"No entries on {listed}{earlier}.")

    def _terms(self) -> str:
        shown = ("item_id", "basis", "delivered_within_days", "tick_usd_per_cwt")
        return table(self.tables["items"], shown, title="Terms")


@dataclass(frozen=True)
class Entries(Answer):
    """Entries of a day, or one entry with what it corrects and what corrects it."""

    title: str
    entries: tuple[CanvassEntry, ...]
    latest: str = ""
    """The latest day on file, where this one has no entries."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        return {"entries": entries_frame(self.entries)}

    def screen(self, sections: Collection[str] = ()) -> str:
        shown = self.tables["entries"].assign(
            heard_at=[f"{each.heard_at:%m/%d %H:%M}" for each in self.entries],
            stands_or_note=_short(self.entries),
        )
        columns = ("entry_id", "heard_at", "item_id", "kind", "price_usd_per_cwt", "pounds_lb",
                   "company_type", "stands_or_note")  # fmt: skip
        if not self.entries:
            return f"{self.title}: no entries.{self.latest}"
        more = 0 if "all" in sections else len(shown) - MOST_ENTRIES
        note = (
            f"The latest {MOST_ENTRIES} of {len(shown)} entries; the rest: --all."
            if more > 0
            else ""
        )
        return table(
            shown.tail(MOST_ENTRIES) if more > 0 else shown, columns, title=self.title, note=note
        )


register({"stands_or_note": Format("Note")})


def _short(entries: Sequence[CanvassEntry]) -> list[str]:
    return [f"withdrawn: {each.note}" if each.withdrawn else each.note for each in entries]


def canvass(store: Store) -> Canvass:
    """What the store holds now."""
    days = store.market_days()
    periods = [each.period_end for each in store.volumes()]
    spans = {
        "entries": (days[0], days[-1]) if days else None,
        "volumes": (min(periods), max(periods)) if periods else None,
    }
    entries_of = Counter(each.item_id for each in store.entries())
    missing = sorted(set(market_days(days[0], days[-1])) - set(days)) if days else []
    return Canvass(
        store.name,
        store.counts(),
        spans,
        tuple(store.items().values()),
        dict(entries_of),
        tuple(missing),
    )


def entries_of_day(store: Store, on: date) -> Entries:
    before = [each for each in store.market_days() if each < on]
    latest = f" Latest: {day(before[-1])}." if before else " None earlier on file."
    return Entries(f"Canvass of {day(on)}", store.entries(days=(on, on)), latest)


def entry(store: Store, entry_id: str) -> Entries:
    """An entry with all that corrects it, the first one first; InputRefused for an unknown id."""
    chain = store.history(entry_id)
    if not chain:
        raise refusal("canvass", "entry_id", entry_id, "the id of an entry in the store")
    return Entries(f"Entry {entry_id} and its corrections, oldest first", chain)


def items_frame(items: Iterable[Item], entries_of: Mapping[str, int]) -> DataFrame:
    """Items of the store, their terms, and how many entries count."""
    columns = ("item_id", "name", "item_lean_percent", "fresh_or_frozen", "origin", "basis",
               "delivered_within_days", "tick_usd_per_cwt", "entries")  # fmt: skip
    rows = [
        (
            item.item_id,
            item.name,
            item.lean * POINTS_PER_SHARE,
            item.fresh_or_frozen,
            item.origin,
            item.basis,
            item.delivered_within_days,
            item.tick_usd_per_cwt,
            entries_of.get(item.item_id, 0),
        )
        for item in items
    ]
    return frame(columns, rows)


def entries_frame(entries: Sequence[CanvassEntry]) -> DataFrame:
    """Entries as heard, on which terms, and whether they still count."""
    columns = ("entry_id", "heard_at", "item_id", "kind", "price_usd_per_cwt", "pounds_lb",
               "company_type", "terms", "note", "stands")  # fmt: skip
    corrected_by = {each.corrects: each for each in entries if each.corrects}
    rows: list[tuple[Any, ...]] = [
        (
            each.entry_id,
            each.heard_at.isoformat(" ", "minutes"),
            each.item_id,
            each.kind.value,
            each.usd_per_cwt,
            each.pounds_lb,
            each.source_class,
            _terms(each),
            each.note,
            _stands(each, corrected_by.get(each.entry_id)),
        )
        for each in entries
    ]
    return frame(columns, rows)


def _terms(each: CanvassEntry) -> str:
    terms = [] if each.lean is None else [f"{each.lean * POINTS_PER_SHARE:g}% lean"]
    terms.append(each.basis)
    terms += [] if each.purchase_type == "negotiated" else [each.purchase_type]
    terms += ["export"] if each.destination == "export" else []
    if each.freight_usd_per_cwt is not None:
        terms.append(f"freight {cents(each.freight_usd_per_cwt)}")
    if each.delivered_within_days is not None:
        terms.append(f"within {counted(each.delivered_within_days, 'day')}")
    terms += [] if each.is_firm else ["not firm"]
    terms += ["between affiliates"] if each.between_affiliates else []
    return ", ".join(terms)


def _stands(each: CanvassEntry, later: CanvassEntry | None) -> str:
    if later is not None:
        return f"no, {'withdrawn' if later.withdrawn else 'corrected'} by {later.entry_id}"
    if each.withdrawn:
        return f"withdraws {each.corrects}"
    return f"yes, corrects {each.corrects}" if each.corrects else "yes"


def added_lines(added: Added) -> list[str]:
    """What an import brought."""
    known = counted(added.known, "row")
    if added.number is None:
        if not added.known:
            return ["Nothing to import: no rows under the headers."]
        return [f"Nothing new: the store already has all {known}."]
    parts = [
        counted(number, one, many)
        for number, one, many in (
            (added.items, "item", "items"),
            (added.entries, "entry", "entries"),
            (added.volumes, "volume figure", "volume figures"),
        )
        if number
    ]
    listed = ", ".join(parts[:-1]) + (" and " if len(parts) > 1 else "") + parts[-1]
    lines = [f"Imported {listed}."]
    return lines + ([f"{known} were already in the store."] if added.known else [])
