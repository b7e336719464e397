"""Numbers as people of the trade read them: pounds, per cent, lean points, USD."""

from __future__ import annotations

from blend.units import POINTS_PER_SHARE


def printable(text: str) -> str:
    """The text on one line and without control characters, which neither a terminal nor a
    workbook may be handed."""
    return "".join(char if char.isprintable() else " " for char in text)


def number_words(number: float, *, min_decimals: int = 0, max_decimals: int = 2) -> str:
    """The number with as many of `max_decimals` as it needs."""
    text = f"{round(number, max_decimals) + 0.0:,.{max_decimals}f}"
    whole, _, decimals = text.partition(".")
    decimals = decimals.rstrip("0").ljust(min_decimals, "0")
    return f"{whole}.{decimals}" if decimals else whole


def pounds(lb: float) -> str:
    return f"{number_words(lb, max_decimals=0)} lb"


def percent(share: float) -> str:
    return f"{number_words(share * POINTS_PER_SHARE)}%"


def lean_percent(share: float) -> str:
    return f"{number_words(share * POINTS_PER_SHARE, min_decimals=1)}%"


def usd(amount: float) -> str:
    return dollars(amount)


def dollars(amount: float) -> str:
    """Whole dollars."""
    text = number_words(abs(amount), max_decimals=0)
    return f"-${text}" if amount < 0 and text != "0" else f"${text}"


def count_of(number: int, one: str, many: str = "") -> str:
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def amount_words(amount: float | None, unit: str) -> str:
    """A reading or a limit of a check; blank when there is no limit.

    It has more decimals than elsewhere, so that a reading a hair off its limit shows.
    """
    if amount is None:
        return ""
    if unit == "share":
        share = number_words(amount * POINTS_PER_SHARE, min_decimals=1, max_decimals=3)
        return f"{share}%"
    number = number_words(amount, max_decimals=3)
    return number if unit == "count" else f"{number} {unit}".strip()
