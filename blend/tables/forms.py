"""The fields of a form in which one record is typed, from the declaration of its columns."""

from __future__ import annotations

from dataclasses import dataclass

from blend.domain.columns import LEAN, Column, Kind, columns_of


@dataclass(frozen=True, slots=True)
class FormField:
    """One field; what is typed into it is read as a cell of its column."""

    name: str
    label: str
    help: str
    is_required: bool
    choices: tuple[str, ...] = ()
    """Of a list to choose from; empty for a text."""
    is_check_box: bool = False
    is_checked: bool = False
    """Of a check box: how it is in an empty form."""
    input_mode: str = ""
    """Which keyboard a phone shows."""


def form_fields(kind: type) -> tuple[FormField, ...]:
    """The fields of a record, in the order of its columns."""
    return tuple(map(_field, columns_of(kind)))


def label_of(column: Column) -> str:
    """The column as people call it, with its unit: Lot, Quantity, lb."""
    words = column.name
    if f"_{words}" in _ENDINGS and column.option:
        words = column.option  # a name that is a unit alone
    for ending in _ENDINGS:
        if words.endswith(ending) and words != ending:
            words = words.removesuffix(ending)
            break
    label = f"{words[:1].upper()}{words[1:]}".replace("_", " ")
    unit = column.unit.replace("USD per ", "$/").replace("USD", "$")
    is_said = column.unit == LEAN and "lean" in words
    is_short = len(unit) <= len("lean points")
    return f"{label}, {unit}" if unit and is_short and not is_said else label


_ENDINGS = ("_usd_per_cwt_day", "_usd_per_cwt", "_usd_per_lb", "_usd_per_kg", "_share_per_year",
            "_share", "_points", "_lb", "_kg", "_days", "_id", "_f")  # fmt: skip

SHOWN_WORDS = {"usd_per_cwt": "$/cwt", "usd_per_lb": "$/lb", "usd_per_kg": "$/kg",
               "cents_per_lb": "cents/lb", "usd_per_entry": "$/entry"}  # fmt: skip


def shown_word(word: str) -> str:
    """A stored word as people read it: $/cwt for usd_per_cwt, over quota for over_quota."""
    return SHOWN_WORDS.get(word, word.replace("_", " "))


def _field(column: Column) -> FormField:
    is_yes_no = column.kind is Kind.YES_NO
    return FormField(
        name=column.name,
        label=label_of(column),
        help=f"{column.about}. Enter {column.enter}. Blank: {column.when_blank}.",
        is_required=column.required,
        choices=tuple(map(str, column.choices)) if column.kind is Kind.CHOICE else (),
        is_check_box=is_yes_no,
        is_checked=bool(is_yes_no and column.default),
        input_mode="decimal" if column.is_number else "",
    )
