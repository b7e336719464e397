"""How a column is shown: its heading, unit and decimals, in one place.

A column's name says its unit (`price_usd_per_cwt`, `pounds_lb`), and the unit says how it is
written. COLUMNS holds only what the name does not say: a heading of the trade, or other decimals.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import lru_cache
from typing import Any

from blend.output.frames import DataFrame
from blend.units import LB_PER_LOAD, USD_PER_LB_BY_PRICE_UNIT, lb_per, us_date

_ENDINGS: tuple[tuple[str, str, int | None], ...] = (
    ("_usd_per_cwt", "$/cwt", 2),
    ("_usd_per_lb", "$/lb", 4),
    ("_usd_per_point", "$/point", 2),
    ("_usd", "$", 0),
    ("_lb", "lb", 0),
    ("_percent", "%", 1),
    ("_points", "points", 2),
    ("_f", "°F", 1),
    ("_days", "days", 0),
    ("_s", "s", 1),
)


@dataclass(frozen=True, slots=True)
class Format:
    """How one column is shown. `decimals` None is text; `is_summed` gives it a total."""

    heading: str
    unit: str = ""
    decimals: int | None = None
    is_summed: bool = False
    is_signed: bool = False

    @property
    def title(self) -> str:
        """The heading with its unit, on one line."""
        return f"{self.heading}, {self.unit}" if self.unit else self.heading

    @property
    def align(self) -> str:
        return "left" if self.decimals is None else "right"

    def text(self, value: Any) -> str:
        """One cell as people read it; blank where there is no value."""
        if value is None or (isinstance(value, float) and math.isnan(value)):
            return ""
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, str | date) or self.decimals is None:
            return printable(str(value))
        if math.isinf(value):
            return "no limit"
        number = round(float(value), self.decimals) + 0.0
        return f"{number:{'+' if self.is_signed and number else ''},.{self.decimals}f}"


COLUMNS: dict[str, Format] = {
    "lot_id": Format("Lot"),
    "item_id": Format("Item"),
    "product_id": Format("Product"),
    "batches": Format("Batches", "", 0, is_summed=True),
    "count": Format("Count", "", 0),
    "z_score": Format("Std. errors", "", 1, is_signed=True),
}
"""Columns whose name alone does not say how they are shown. A question adds its own with
`register`; the same name has one format everywhere."""


def register(columns: Mapping[str, Format]) -> None:
    """Add a question's columns to the map; a name already there with another format is refused."""
    for name, format_ in columns.items():
        if COLUMNS.setdefault(name, format_) != format_:
            raise ValueError(f"column {name} already has another format: {COLUMNS[name]}")
    format_of.cache_clear()


@lru_cache(maxsize=1024)
def format_of(column: str) -> Format:
    """The format of a column, by its name or by the unit its name ends in."""
    if column in COLUMNS:
        return COLUMNS[column]
    for ending, unit, decimals in _ENDINGS:
        if column.endswith(ending):
            stem = column.removesuffix(ending)
            return Format(_words(stem or column), unit, decimals)
    return Format(_words(column))


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit that tables may be shown in: what it is called, how column names end that are in it,
    and how many of it are one USD per lb, or one lb."""

    name: str
    ending: str
    per_own: float
    decimals: int
    is_price: bool

    def turned(self, column: str) -> tuple[str, float] | None:
        """The column's name in this unit and what its numbers are multiplied by; None where it is
        not the same kind of amount."""
        for each in _OWN_UNITS:
            is_own = each.is_price is self.is_price and each.name == format_of(column).unit
            if is_own and column.endswith(each.ending):
                stem = column.removesuffix(each.ending)
                return f"{stem}{self.ending}", self.per_own / each.per_own
        return None


def _price_unit(name: str, word: str, decimals: int) -> Unit:
    return Unit(name, f"_{word}", 1 / USD_PER_LB_BY_PRICE_UNIT[word], decimals, is_price=True)


_OWN_UNITS = (
    _price_unit("$/cwt", "usd_per_cwt", 2),
    _price_unit("$/lb", "usd_per_lb", 4),
    Unit("lb", "_lb", 1.0, 0, is_price=False),
    Unit("loads", "_loads", 1 / LB_PER_LOAD, 1, is_price=False),
)
"""Those of the columns that answers are made of."""
_PRICE_UNITS = (
    *_OWN_UNITS[:2],
    _price_unit("cents/lb", "cents_per_lb", 2),
    _price_unit("$/kg", "usd_per_kg", 4),
)
_WEIGHT_DECIMALS = {"kg": 0, "t": 2, "cwt": 1, "loads": 2, "containers": 2}
UNIT_NAMES = 'cents/lb, $/lb, $/kg, kg, t, cwt, loads or "containers of 19 t"'


def unit_typed(text: str) -> Unit:
    """A unit as people name it, to show tables in. Raises ValueError."""
    word = text.strip().casefold().replace("¢", "cents").replace("usd", "$")
    for unit in _PRICE_UNITS:
        if word == unit.name:
            return unit
    pounds = lb_per(word)
    name = {"mt": "t", "tonne": "t", "tonnes": "t", "load": "loads"}.get(word.split()[0], word)
    first = name.split()[0].replace("container", "containers").replace("ss", "s")
    return Unit(name, f"_{first}", 1 / pounds, _WEIGHT_DECIMALS.get(first, 0), is_price=False)


_SHOWN_IN: ContextVar[tuple[Unit, ...]] = ContextVar("shown_in", default=())


@contextmanager
def shown_in(units: Iterable[Unit]) -> Iterator[None]:
    """Within it, tables are shown in these units instead of their own."""
    token = _SHOWN_IN.set(tuple(units))
    try:
        yield
    finally:
        _SHOWN_IN.reset(token)


def in_shown_units(frame: DataFrame) -> DataFrame:
    """The table in the units it is to be shown in, its columns named for them; what then says the
    same twice, in loads and in pounds, is left out."""
    units = _SHOWN_IN.get()
    if not units:
        return frame
    made: dict[str, Any] = {}
    for column in frame.columns:
        found = ((unit, turned) for unit in units if (turned := unit.turned(column)))
        unit, (name, factor) = next(found, (None, (column, 1.0)))
        own = format_of(column)
        if unit is None or unit.name == own.unit:
            made[column] = frame[column]
        elif name not in frame.columns and name not in made:
            made[name] = frame[column].astype(float) * factor
            if name not in COLUMNS:
                register({name: replace(own, unit=unit.name, decimals=unit.decimals)})
    return frame.assign(**made)[list(made)]


def _words(name: str) -> str:
    return name.replace("_", " ").strip().capitalize()


def printable(text: str) -> str:
    """The text on one line and without control characters, which neither a terminal nor a
    workbook may be handed."""
    return "".join(char if char.isprintable() else " " for char in text)


def money(usd: float) -> str:
    """Whole dollars: $1,429, -$51."""
    amount = round(usd) + 0
    return f"-${-amount:,.0f}" if amount < 0 else f"${amount:,.0f}"


def cents(usd_per_cwt: float) -> str:
    """A price per hundredweight: $324.50."""
    return f"-${-usd_per_cwt:,.2f}" if usd_per_cwt < 0 else f"${usd_per_cwt:,.2f}"


def day(of: date) -> str:
    """Nov 25, 2026."""
    return us_date(of)


def printed_on(at: datetime | None) -> str:
    """When a sheet was printed; empty where that is not known."""
    return "" if at is None else f"printed {day(at.date())} {at:%H:%M}"


def long_day(of: date) -> str:
    """Wed, Nov 25, 2026."""
    return f"{of:%a}, {day(of)}"


def counted(number: int, one: str, many: str = "") -> str:
    """1 batch, 2 batches."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def number(value: float, *, min_decimals: int = 0, max_decimals: int = 2) -> str:
    """The number with as many of `max_decimals` as it needs: 12,000 or 3.25."""
    text = f"{round(value, max_decimals) + 0.0:,.{max_decimals}f}"
    whole, _, decimals = text.partition(".")
    decimals = decimals.rstrip("0").ljust(min_decimals, "0")
    return f"{whole}.{decimals}" if decimals else whole


def percent(share: float, *, min_decimals: int = 0, max_decimals: int = 2) -> str:
    """A share as a percent: 0.795 is 79.5%."""
    return f"{number(share * 100, min_decimals=min_decimals, max_decimals=max_decimals)}%"


def pounds(lb: float) -> str:
    """Whole pounds: 12,000 lb."""
    return f"{number(lb, max_decimals=0)} lb"


def value(amount: float | None, unit: str) -> str:
    """A checked value or its limit: 79.5%, 12,000 lb, 4. Blank where there is no limit.

    It has three decimals where it needs them, so that a value a hair off its limit shows.
    """
    if amount is None or math.isnan(amount):
        return ""
    if unit == "share":
        return percent(amount, min_decimals=1, max_decimals=3)
    text = number(amount, max_decimals=3)
    return text if unit == "count" else f"{text} {unit}".strip()
