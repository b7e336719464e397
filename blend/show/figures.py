"""Figures of the note as they are written, in a sentence and in a table."""

from __future__ import annotations

from datetime import date

from blend.reporter.note import Figure, Unit
from blend.reporter.words import ADJUSTMENTS
from blend.show.amounts import number_words, pounds, printable
from blend.units import POINTS_PER_SHARE


def figure_text(figure: Figure) -> str:
    """As in a sentence: "up 3.25", "12.5 %", "25 November 2026"."""
    value = figure.value
    match figure.unit:
        case Unit.USD_PER_CWT_MOVE:
            return _move(value, _cents(abs(value)))
        case Unit.SHARE_MOVE:
            return _move(value, _per_cent(abs(value)))
        case Unit.USD_PER_CWT:
            return _cents(value)
        case Unit.SHARE:
            return _per_cent(value)
        case Unit.POUNDS:
            return pounds(value)
        case Unit.COUNT:
            return f"{value:,.0f}"
        case Unit.NUMBER:
            return printable(f"{number_words(value)} {figure.unit_name}".strip())
        case Unit.DAY:
            return day_words(value)
        case Unit.WORD:
            return printable(value)
        case Unit.CODES:
            return "; ".join(ADJUSTMENTS[code] for code in value.split("|") if code) or "none needed"


def cell_text(figure: Figure) -> str:
    """As in a table: a move has its sign, a day is short."""
    value = figure.value
    match figure.unit:
        case Unit.USD_PER_CWT_MOVE:
            return _signed(value, _cents(abs(value)))
        case Unit.SHARE_MOVE:
            return _signed(value, _per_cent(abs(value)))
        case Unit.DAY:
            return value.isoformat()
    return figure_text(figure)


def day_words(day: date) -> str:
    """`25 November 2026`, whatever the language of the machine."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def weekday_words(day: date) -> str:
    return f"{_WEEKDAYS[day.weekday()]}, {day_words(day)}"


_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def _cents(usd: float) -> str:
    return f"{usd + 0.0:,.2f}"


def _per_cent(share: float) -> str:
    return f"{number_words(share * POINTS_PER_SHARE, max_decimals=1)} %"


def _move(value: float, size: str) -> str:
    return _by_sign(value, size, f"up {size}", f"down {size}", "unchanged")


def _signed(value: float, size: str) -> str:
    return _by_sign(value, size, f"+{size}", f"−{size}", size)


def _by_sign(value: float, size: str, up: str, down: str, none: str) -> str:
    """What rounds to nothing has no sign."""
    if not any(char in "123456789" for char in size):
        return none
    return up if value > 0 else down
