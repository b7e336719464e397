"""What may go into the store: every reason against it told at once, under the writer's lock."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeVar

from blend.domain.market import Additions, CanvassEntry, Item, Volume
from blend.errors import Problem, did_you_mean

Thing = TypeVar("Thing")


@dataclass(frozen=True, slots=True)
class Known:
    """What the store holds that additions could clash with."""

    items: dict[str, Item]
    entries: dict[str, CanvassEntry]
    """Those with an entry_id that the additions bring or name."""
    corrected_by: dict[str, str]
    """By entry_id, what took its place."""
    volumes: list[Volume]
    """Every figure of the keys that the additions bring, in the order of recording."""


@dataclass(frozen=True, slots=True)
class Sifted:
    """What is new, and how many things the store holds already, word for word."""

    items: tuple[Item, ...]
    entries: tuple[CanvassEntry, ...]
    volumes: tuple[Volume, ...]
    known: int
    problems: tuple[Problem, ...]


def sift(additions: Additions, known: Known) -> Sifted:
    """Part what is new from what is held already, and tell what may not go in."""
    problems: list[Problem] = []
    items = tuple(item for item in additions.items if known.items.get(item.item_id) != item)
    item_ids = {*known.items, *(item.item_id for item in additions.items)}
    entries = tuple(_new_entries(additions, known, item_ids, problems))
    volumes = tuple(_new_volumes(additions, known, item_ids, problems))
    new = len(items) + len(entries) + len(volumes)
    return Sifted(items, entries, volumes, additions.count - new, tuple(problems))


Refuse = Callable[[str, str, str, str], None]


def _refuser(additions: Additions, table: str, index: int, problems: list[Problem]) -> Refuse:
    file, row = additions.place(table, index)

    def refuse(column: str, read: str, allowed: str, hint: str) -> None:
        problems.append(Problem(file, row, column, read, allowed, hint))

    return refuse


def _new_entries(
    additions: Additions, known: Known, item_ids: set[str], problems: list[Problem]
) -> Iterable[CanvassEntry]:
    entries = dict(known.entries)
    corrected_by = dict(known.corrected_by)
    for index, entry in enumerate(additions.entries):
        refuse = _refuser(additions, "canvass", index, problems)
        held = entries.setdefault(entry.entry_id, entry)
        if held is not entry:
            if held != entry:
                hint = "What was heard is corrected by a new entry whose corrects names it."
                refuse("entry_id", entry.entry_id, "a name that no entry has", hint)
            continue
        _check_item(refuse, entry.item_id, item_ids)
        _check_correction(refuse, entry, entries, corrected_by)
        yield entry


def _check_item(refuse: Refuse, item_id: str, item_ids: set[str]) -> None:
    if item_id not in item_ids:
        refuse("item_id", item_id, "an id of items", did_you_mean(item_id, sorted(item_ids)))


def _check_correction(
    refuse: Refuse,
    entry: CanvassEntry,
    entries: dict[str, CanvassEntry],
    corrected_by: dict[str, str],
) -> None:
    if entry.corrects is None:
        return
    if entry.corrects not in entries or entry.corrects == entry.entry_id:
        refuse("corrects", entry.corrects, "an entry of the store, or one above it", "")
        return
    other = corrected_by.setdefault(entry.corrects, entry.entry_id)
    if other != entry.entry_id:
        hint = f"It was corrected by {other}; correct that."
        refuse("corrects", entry.corrects, "an entry that stands", hint)


def _new_volumes(
    additions: Additions, known: Known, item_ids: set[str], problems: list[Problem]
) -> Iterable[Volume]:
    first_figures = {volume for volume in known.volumes if volume.corrects is None}
    standing = {volume.key: volume for volume in known.volumes}
    for index, volume in enumerate(additions.volumes):
        refuse = _refuser(additions, "volumes", index, problems)
        held = standing.get(volume.key)
        if volume in first_figures or (volume.corrects and held == volume):
            continue
        if volume.item_id:
            _check_item(refuse, volume.item_id, item_ids)
        if held is None and volume.corrects is not None:
            refuse("corrects", str(volume.corrects), "nothing, as there is no figure yet", "")
        if held is not None and volume.corrects is None:
            hint = f"It is {held.value:g} {held.unit} so far; fill in corrects to replace it."
            refuse("period_end", str(volume.period_end), "a period without a figure", hint)
        standing[volume.key] = volume
        yield volume
