"""What a store holds, as tables and lines; sources of entries are kept in it and not told."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import date

from blend.domain.market import CanvassEntry, Item, Volume
from blend.show.amounts import count_of, percent
from blend.show.quotations import KIND_WORDS
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column
from blend.store import Added


def added_lines(added: Added) -> Iterator[str]:
    """What an append brought."""
    counts = (
        (added.items, "item", "items"),
        (added.entries, "entry", "entries"),
        (added.volumes, "figure", "figures"),
    )
    new = [count_of(number, one, many) for number, one, many in counts if number]
    if added.number is None:
        yield f"Nothing new: {count_of(added.known, 'row')} in the store already."
        return
    yield f"Append {added.number}: {', '.join(new)}."
    if added.known:
        yield f"{count_of(added.known, 'row')} in the store already, passed over."


def store_tables(
    name: str,
    counts: Mapping[str, int],
    items: Iterable[Item],
    entries: Iterable[CanvassEntry],
    volumes: Iterable[Volume],
) -> list[ShownTable]:
    """How much a store holds, and of what."""
    entries, volumes = list(entries), list(volumes)
    columns = (
        ShownColumn("Holds"),
        ShownColumn("Rows", "", Format.WHOLE),
        ShownColumn("From"),
        ShownColumn("To"),
    )
    days = [each.market_day for each in entries]
    periods = [each.period_end for each in volumes]
    spans = {"entries": days, "volumes": periods}
    rows = [(table, rows, *_span(spans.get(table, ()))) for table, rows in counts.items()]
    note = (
        "Rows of entries count corrections beside what they correct; days are of those that stand."
    )
    return [
        shown_table(f"Store {name}", columns, rows, note),
        items_table(items, entries),
    ]


def _span(days: Iterable[date]) -> tuple[date | None, date | None]:
    days = list(days)
    return (min(days), max(days)) if days else (None, None)


def items_table(items: Iterable[Item], entries: Iterable[CanvassEntry]) -> ShownTable:
    columns = (
        ShownColumn("Item"),
        ShownColumn("Name"),
        ShownColumn("Lean", "", Format.READING),
        ShownColumn("Form"),
        ShownColumn("Origin"),
        ShownColumn("Basis"),
        ShownColumn("Delivered within", "days", Format.WHOLE),
        usd_per_cwt_column("Tick"),
        ShownColumn("Entries", "", Format.WHOLE),
    )
    counted: dict[str, int] = {}
    for entry in entries:
        counted[entry.item_id] = counted.get(entry.item_id, 0) + 1
    rows = [
        (
            item.item_id,
            item.name,
            percent(item.lean),
            item.fresh_or_frozen,
            item.origin,
            item.basis,
            item.delivered_within_days,
            item.tick_usd_per_cwt,
            counted.get(item.item_id, 0),
        )
        for item in items
    ]
    return shown_table("Items", columns, rows)


HEARD_COLUMNS = (
    ShownColumn("Entry"),
    ShownColumn("Heard at"),
    ShownColumn("Item"),
    ShownColumn("Kind"),
    usd_per_cwt_column("Price"),
    ShownColumn("Pounds", "", Format.WHOLE),
    ShownColumn("From a"),
)
"""What was heard and when; whom from is never told."""


def heard_cells(entry: CanvassEntry) -> tuple[Cell, ...]:
    """One entry in `HEARD_COLUMNS`."""
    return (
        entry.entry_id,
        entry.heard_at.isoformat(" ", "minutes"),
        entry.item_id,
        KIND_WORDS[entry.kind],
        entry.usd_per_cwt,
        entry.pounds_lb,
        entry.source_class,
    )


def entries_table(title: str, entries: Iterable[CanvassEntry]) -> ShownTable:
    """Entries as heard."""
    columns = (*HEARD_COLUMNS, ShownColumn("Corrects"), ShownColumn("Note"))
    rows = [
        (
            *heard_cells(each),
            each.corrects or "",
            f"withdrawn: {each.note}" if each.withdrawn else each.note,
        )
        for each in entries
    ]
    return shown_table(title, columns, rows, "" if rows else "None.")
