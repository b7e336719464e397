"""Validate and deduplicate what goes into the store, every problem listed at once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeVar

from blend.domain.market import Additions, CanvassEntry, Item, Volume
from blend.errors import Problem, did_you_mean

Thing = TypeVar("Thing")


@dataclass(frozen=True, slots=True)
class Known:
    """What the store holds that additions could conflict with."""

    items: dict[str, Item]
    entries: dict[str, CanvassEntry]
    """Those with an entry_id that the additions bring or name."""
    corrected_by: dict[str, str]
    """By entry_id, what replaced it."""
    volumes: list[Volume]
    """Every figure of the keys that the additions bring, in the order of recording."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What is new, and how many things the store has already, word for word."""

    items: tuple[Item, ...]
    entries: tuple[CanvassEntry, ...]
    volumes: tuple[Volume, ...]
    known: int
    problems: tuple[Problem, ...]


def validate(additions: Additions, known: Known) -> Checked:
    """Keep what is new and sound; list what may not go in."""
    problems: list[Problem] = []
    items = tuple(item for item in additions.items if known.items.get(item.item_id) != item)
    item_ids = {*known.items, *(item.item_id for item in additions.items)}
    entries = tuple(_new_entries(additions, known, item_ids, problems))
    volumes = tuple(_new_volumes(additions, known, item_ids, problems))
    new = len(items) + len(entries) + len(volumes)
    return Checked(items, entries, volumes, additions.count - new, tuple(problems))


Refuse = Callable[[str, str, str, str], None]


def _refuser(additions: Additions, table: str, index: int, problems: list[Problem]) -> Refuse:
    file, row = additions.place(table, index)

    def refuse(column: str, value: str, required: str, hint: str) -> None:
        problems.append(Problem(file, row, column, value, required, hint))

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
                hint = "To correct an entry, add a new one and name the old one in corrects."
                refuse("entry_id", entry.entry_id, "a new name", hint)
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
        refuse("corrects", entry.corrects, "an entry in the store, or one above", "")
        return
    other = corrected_by.setdefault(entry.corrects, entry.entry_id)
    if other != entry.entry_id:
        hint = f"{other} corrected it already: correct that."
        refuse("corrects", entry.corrects, "an entry not yet corrected", hint)


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
            refuse("corrects", str(volume.corrects), "blank: there is no figure yet", "")
        if held is not None and volume.corrects is None:
            hint = f"It has {held.value:g} {held.unit}. To replace it, fill in corrects."
            refuse("period_end", str(volume.period_end), "a period without a figure", hint)
        standing[volume.key] = volume
        yield volume
