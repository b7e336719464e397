"""The fields of a form in which one record is typed, from the declaration of its columns."""

from __future__ import annotations

from dataclasses import dataclass

from blend.domain.columns import Column, Kind, columns_of


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


def _field(column: Column) -> FormField:
    words = column.name
    for ending in ("_usd_per_cwt", "_usd_per_lb", "_lb", "_days"):
        words = words.removesuffix(ending)
    unit = column.unit.replace("USD per ", "$/")
    label = f"{words[:1].upper()}{words[1:]}".replace("_", " ")
    is_yes_no = column.kind is Kind.YES_NO
    return FormField(
        name=column.name,
        label=f"{label}, {unit}" if unit and not is_yes_no else label,
        help=f"{column.about}. Enter {column.enter}. Blank: {column.when_blank}.",
        is_required=column.required,
        choices=tuple(map(str, column.choices)) if column.kind is Kind.CHOICE else (),
        is_check_box=is_yes_no,
        is_checked=bool(is_yes_no and column.default),
        input_mode="decimal" if column.is_number else "",
    )
