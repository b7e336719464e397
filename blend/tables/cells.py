"""One cell by its column: to a value, or to why it is refused."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

from blend.domain.columns import LEAN, SHARES, Column, Kind, either
from blend.domain.selectors import parse_selector
from blend.errors import did_you_mean
from blend.units import LB_PER_CWT, LB_PER_KG, lb_per

MAX_CHARACTERS = 32_767
"""The most one spreadsheet cell can hold."""


@dataclass(frozen=True, slots=True)
class Uncalculated:
    """A spreadsheet formula that was saved without its result."""

    formula: str


Cell = str | int | float | bool | date | datetime | time | timedelta | Uncalculated | None
"""As a file gives it: CSV gives text only, XLSX all of them."""

_OF_THE_CLOCK = (date, time, timedelta)
"""What a spreadsheet makes of a number that looks like a day, a time or a length of time."""


class CellRefused(Exception):
    """Why a cell is refused. `required` is what the cell must be, as the column says where it is
    None; a `fact` replaces both cell and requirement."""

    def __init__(self, hint: str = "", required: str | None = None, fact: str = "") -> None:
        super().__init__(hint)
        self.hint = hint
        self.required = required
        self.fact = fact

    def words(self, column: Column, cell: Cell) -> tuple[str, str, str]:
        """Value, requirement and hint of the problem."""
        if self.fact:
            return self.fact, "", self.hint
        if is_blank(cell):
            return "blank", "", self.hint or f"Enter {self.required or column.enter_when_blank}."
        return shown(cell), self.required or column.allowed, self.hint


class PriceWithUnit(float):
    """A price that said its own unit, such as $2.47/lb."""

    unit: str


def is_blank(cell: Cell) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def parse_cell(column: Column, cell: Cell) -> Any:
    """The value of a cell, the column's default when blank; raise CellRefused.

    Shares come as fractions, numbers as float, counts as int, several of them and words as a
    tuple, selectors as Selector. A setting comes as it is: only its name says how to read it.
    """
    if column.kind is Kind.SETTING:
        return cell
    if is_blank(cell):
        if column.required:
            raise CellRefused
        return column.default
    if isinstance(cell, Uncalculated):
        raise CellRefused(
            "Open and save the workbook in a spreadsheet, or enter the value.",
            fact=f"a formula without a result, {shown(cell.formula)}",
        )
    if isinstance(cell, str):
        if len(cell) > MAX_CHARACTERS:
            raise CellRefused(required=f"at most {MAX_CHARACTERS:,} characters")
        if cell.strip() in _SPREADSHEET_ERRORS:
            raise CellRefused(
                "Fix the formula behind it.", fact=f"spreadsheet error {cell.strip()}"
            )
    return _PARSERS[column.kind](column, cell)


def number_meant(column: Column, cell: Cell) -> float | None:
    """The number of a cell, even where it is refused but has one likely meaning; None where there
    is none. Helps to fix a cell, never to read one."""
    try:
        value = parse_cell(column, cell)
    except CellRefused:
        likely = _likely_numbers(column, cell) if isinstance(cell, str) else []
        return likely[0] if likely else None
    return float(value) if isinstance(value, int | float) else None


def shown(cell: Cell, longest: int = 60) -> str:
    """A cell as messages quote it: one short printable line."""
    if is_blank(cell):
        return "blank"
    if isinstance(cell, Uncalculated):
        return f"a formula without a result, {shown(cell.formula)}"
    if isinstance(cell, date):
        return str(cell)
    text = " ".join(_as_text(cell)[:MAX_CHARACTERS].split())
    text = "".join(mark if mark.isprintable() else f"<U+{ord(mark):04X}>" for mark in text)
    return text if len(text) <= longest else f"{text[: longest - 3]}..."


def typed_text(cell: Cell) -> str:
    """A cell as a person would type it, so that reading the text gives the cell's value."""
    if cell is None:
        return ""
    if isinstance(cell, datetime) and cell.time() == time():
        return cell.date().isoformat()  # workbooks keep days as midnights
    return f"={cell.formula}" if isinstance(cell, Uncalculated) else _as_text(cell)


# Text ----------------------------------------------------------------------------------------

_SPREADSHEET_ERRORS = frozenset(
    ("#N/A", "#REF!", "#VALUE!", "#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#SPILL!", "#CALC!")
)
_LOOKS_LIKE_FORMULA = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")


def neutralised(text: str) -> str:
    """A text that no spreadsheet takes for a formula: it gets a leading apostrophe if need be."""
    return f"'{text}" if _LOOKS_LIKE_FORMULA.match(text) else text


def restored(text: str) -> str:
    """The text that `neutralised` was given."""
    return text[1:] if text.startswith("'") and _LOOKS_LIKE_FORMULA.match(text) else text


_NOT_IN = {Kind.ID: frozenset("|;,"), Kind.WORD: frozenset("|;")}


def _as_text(cell: Cell) -> str:
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    if isinstance(cell, bool):
        return str(cell).upper()
    return str(cell)


def _text(column: Column, cell: Cell) -> str:
    """Runs of blanks, line breaks among them, count as one blank: nobody sees the difference."""
    if isinstance(cell, _OF_THE_CLOCK):
        raise CellRefused("The spreadsheet took it for a date or time; format it as text.")
    text = restored(" ".join(unicodedata.normalize("NFC", _as_text(cell)).split()))
    if not text.isprintable():
        hidden = next(mark for mark in text if not mark.isprintable())
        raise CellRefused(f"Delete the invisible character U+{ord(hidden):04X}.")
    if column.kind in _NOT_IN and not _NOT_IN[column.kind].isdisjoint(text):
        raise CellRefused
    return text


_ALSO_WRITTEN = {
    "$/lb": "usd_per_lb",
    "per lb": "usd_per_lb",
    "lb": "usd_per_lb",
    "$/cwt": "usd_per_cwt",
    "per cwt": "usd_per_cwt",
    "cwt": "usd_per_cwt",
    "cents/lb": "cents_per_lb",
    "¢/lb": "cents_per_lb",
    "$/kg": "usd_per_kg",
}
"""Units of prices as people write them."""


def _choose(column: Column, text: str) -> str:
    also = _ALSO_WRITTEN.get(text.casefold())
    meant = _folded(also if also in column.choices else text)
    for choice in column.choices:
        if _folded(choice) == meant:
            return choice
    raise CellRefused(did_you_mean(text, column.choices))


def _folded(text: str) -> str:
    return text.casefold().replace("_", " ")


def _choice(column: Column, cell: Cell) -> str:
    return _choose(column, _text(column, cell))


def _words(column: Column, cell: Cell) -> tuple[str, ...]:
    text = _text(column, cell)
    if ";" in text or "," in text:
        raise CellRefused("Join words with |.")
    words = [word.strip() for word in text.split("|")]
    if not all(words):
        raise CellRefused("One | too many leaves an empty word.")
    if column.choices:
        words = [_choose(column, word) for word in words]
    if len(set(words)) < len(words):
        raise CellRefused("Name each word once.")
    return tuple(words)


def _selector(column: Column, cell: Cell) -> Any:
    try:
        return parse_selector(_text(column, cell))
    except ValueError as error:
        message = shown(str(error), 250)
        stop = "" if message.endswith("?") else "."
        raise CellRefused(f"{message[0].upper()}{message[1:]}{stop}") from None


def _yes_no(column: Column, cell: Cell) -> bool:
    try:
        return _YES_NO[_text(column, cell).casefold()]
    except KeyError:
        raise CellRefused from None


_YES_NO = {"yes": True, "no": False, "y": True, "n": False, "true": True, "false": False}
"""Spreadsheets save their own truth values as TRUE and FALSE."""


# Numbers -------------------------------------------------------------------------------------

_PLAIN = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
_TYPED = re.compile(
    r"(?P<sign>[+-]?)(?P<dollars>us\$|\$|usd)?\s*"
    r"(?P<digits>\d{1,3}(?:,\d{3})+(?:\.\d*)?|\d+\.?\d*|\.\d+)(?P<power>e[+-]?\d{1,3})?"
    r"\s*(?P<unit>[^\d\s].*)?",
    re.ASCII | re.IGNORECASE,
)
_DRESSED = re.compile(r"[^\w+\-]*([+-]?\d[\d.,' ]*?)[.,' ]*(%?)[^\d]*", re.ASCII)
_LONGEST_NUMBER = 40
"""A longer text is no number."""
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+", re.ASCII)
_UNIT_WORDS = {
    LEAN: ("point", "points", "pt", "pts", "lean points"),
    "days": ("day", "days"),
    "seconds": ("s", "sec", "second", "seconds"),
    "kg": ("kg",),
    "°F": ("f", "°f"),
}


def _amount(column: Column, cell: Cell) -> tuple[Decimal, str, bool]:
    """The number of a cell, what is written after it, and whether a dollar sign is before it."""
    if isinstance(cell, _OF_THE_CLOCK):
        raise CellRefused("The spreadsheet took it for a date or time; format it as a number.")
    if isinstance(cell, bool):
        raise _no_number(column, cell)
    if not isinstance(cell, str):
        if not _is_finite(cell):
            raise CellRefused
        return Decimal(repr(cell)), "", False
    typed = _TYPED.fullmatch(restored(" ".join(cell.split()))[:MAX_CHARACTERS])
    if typed is None:
        raise _no_number(column, cell)
    number = f"{typed['sign']}{typed['digits']}{typed['power'] or ''}".replace(",", "")
    if not _is_finite(float(number)):
        raise CellRefused
    return Decimal(number), (typed["unit"] or "").casefold(), bool(typed["dollars"])


def _is_finite(number: Any) -> bool:
    try:
        return math.isfinite(number)
    except OverflowError:
        return False


def _no_number(column: Column, cell: Cell) -> CellRefused:
    likely = _likely_numbers(column, cell) if isinstance(cell, str) else []
    enter = either([_plain(column, number) for number in likely]) if likely else column.enter
    what = "a lean point" if column.unit == LEAN else "a number"
    return CellRefused(f"Enter {enter}.", fact=f'"{shown(cell)}" is not {what}')


def _within(column: Column, number: float, hint: str = "") -> float:
    if not column.minimum <= number <= column.maximum:
        raise CellRefused(hint)
    return number


def _number(column: Column, cell: Cell) -> float:
    number, unit, has_dollars = _amount(column, cell)
    if column.unit == "lb" and unit and not has_dollars:
        try:
            return _within(column, float(number * Decimal(repr(lb_per(unit)))))
        except ValueError as error:
            fact, _, enter = str(error).partition(". ")
            enter = f"{enter or 'Enter the pounds'}."
            raise CellRefused(enter, fact=f'"{shown(cell)}" {fact}') from None
    if has_dollars or (unit and unit not in _UNIT_WORDS.get(column.unit, ())):
        raise _no_number(column, cell)
    return _within(column, float(number))


def _count(column: Column, cell: Cell) -> int:
    number = _number(column, cell)
    if not number.is_integer():
        raise CellRefused
    return int(number)


def _share(column: Column, cell: Cell) -> float:
    """A bare number above 1 is a percent, below 1 a fraction; 1 can be either."""
    number, unit, has_dollars = _amount(column, cell)
    if has_dollars or unit not in ("", "%"):
        raise _no_number(column, cell)
    percent = number / 100
    if unit == "%" or number > 1:
        readings = [percent]
    else:
        readings = [percent, number] if number == 1 else [number]
    fitting = _fitting(column, [float(each) for each in readings])
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        raise CellRefused("Enter 1% or 100%.", fact=f'"{shown(cell)}" could be 1% or 100%')
    tried = _fitting(column, [float(number / 1000 if number > 100 else percent)])
    if column.unit == LEAN and number > 100:
        enter = " or ".join(f"{100 * each:.10g} or {each:.10g}" for each in tried)
        raise CellRefused(
            f"Enter {enter or '90 or 0.90'}.", fact=f'"{shown(cell)}" is not a lean point'
        )
    raise CellRefused(f"Enter {either([_plain(column, each) for each in tried])}." if tried else "")


def _points(column: Column, cell: Cell) -> float:
    number, unit, _ = _amount(column, cell)
    if unit == "%":
        also = "" if number == Decimal("0.5") else f"{number} for {number} points, "
        raise CellRefused(
            f"Enter lean points: {also}0.5 for half a point.",
            fact=f'"{shown(cell)}" could be lean points or a percentage',
        )
    return _number(column, cell)


def _several(parse: Callable[[Column, Cell], float]) -> Callable[[Column, Cell], Any]:
    def parsed(column: Column, cell: Cell) -> tuple[float, ...]:
        parts = cell.split("|") if isinstance(cell, str) else [cell]
        if any(map(is_blank, parts)):
            raise CellRefused("One | too many leaves an empty number.")
        return tuple(parse(column, part) for part in parts)

    return parsed


_MONEY_UNIT = re.compile(
    r"(?P<coin>usd|\$|dollars?|cents?|¢|c)?\s*"
    r"(?:(?:/|per |a )\s*(?P<per>lb|pound|cwt|hundredweight|kg)\.?)?"
)
_PER = {"pound": "lb", "hundredweight": "cwt"}
_LB = {"lb": Decimal(1), "cwt": Decimal(repr(LB_PER_CWT)), "kg": Decimal(repr(LB_PER_KG))}


def _typed_money(column: Column, cell: Cell) -> tuple[Decimal, bool, str]:
    """The number, whether it is in cents, and per what, empty where that is not said."""
    number, unit, has_dollars = _amount(column, cell)
    match = _MONEY_UNIT.fullmatch(unit)
    if match is None:
        raise _no_number(column, cell)
    in_cents = (match["coin"] or "").startswith(("c", "¢"))
    if in_cents and has_dollars:
        raise CellRefused(f"Enter ${number}/lb or {number} cents/lb.")
    per = match["per"] or ""
    return number, in_cents, _PER.get(per, per)


def _money(column: Column, cell: Cell) -> float:
    """Dollars in the column's own unit, whatever unit was typed."""
    number, in_cents, per = _typed_money(column, cell)
    own = column.unit.rpartition(" ")[2]
    if in_cents and not per and own != "lb":
        raise CellRefused(f"Enter {number} cents/lb or ${number}/cwt.")
    dollars = number / 100 if in_cents else number
    if per and per != own:
        if per not in _LB or own not in _LB:
            raise CellRefused(required=f"in {column.unit}")
        dollars *= _LB[own] / _LB[per]
    is_per_lb = not per and own == "cwt" and _fitting(column, [float(100 * dollars)])
    hint = f"Is this per lb? Enter {100 * dollars:.2f} or ${number}/lb." if is_per_lb else ""
    return _within(column, float(dollars), hint)


def _price(column: Column, cell: Cell) -> float:
    """A price; one that says its unit comes as PriceWithUnit."""
    number, in_cents, per = _typed_money(column, cell)
    _within(column, float(number))
    if in_cents and per != "lb":
        raise CellRefused(f"Enter {number} cents/lb or ${number}/cwt.")
    if not per:
        return float(number)
    price = PriceWithUnit(number)
    price.unit = "cents_per_lb" if in_cents else f"usd_per_{per}"
    return price


def _fitting(column: Column, numbers: list[float]) -> list[float]:
    return [number for number in numbers if column.minimum <= number <= column.maximum]


def _plain(column: Column, number: float) -> str:
    return column.typed(number) if column.kind in SHARES else f"{number:.12g}"


def _likely_numbers(column: Column, text: str) -> list[float]:
    """Numbers of the column that a text may mean: 0,90, 2.000,5, 1'000; the likeliest first."""
    match = _DRESSED.fullmatch(" ".join(text.split())[:_LONGEST_NUMBER])
    if match is None:
        return []
    numbers = _readings(re.sub(r"[' ]", "", match[1]))
    if column.kind in SHARES:
        numbers = [each / 100 if match[2] or each > 1 else each for each in numbers]
    return _fitting(column, numbers)


def _readings(digits: str) -> list[float]:
    """What a number with commas and points can mean, both habits of writing allowed for."""
    if "," in digits and "." in digits:
        thousands, decimal = (",", ".") if digits.rfind(",") < digits.rfind(".") else (".", ",")
        candidates = [digits.replace(thousands, "").replace(decimal, ".")]
    elif _THOUSANDS.fullmatch(digits):
        candidates = [digits.replace(",", "")]
    else:
        candidates = [digits.replace(",", ".")]
    return [float(each) for each in candidates if _PLAIN.fullmatch(each)]


# Dates ---------------------------------------------------------------------------------------

_ISO_DATE = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})", re.ASCII)
_US_DATE = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{4}|\d{2})", re.ASCII)
_NAMED_DATE = re.compile(r"([a-z]{3})[a-z]*\.? (\d{1,2}),? (\d{4})", re.ASCII | re.IGNORECASE)
_SHOWN_DATE = re.compile(r"(\d{1,2})-([a-z]{3})-(\d{4}|\d{2})", re.ASCII | re.IGNORECASE)
"""As spreadsheets show a day: 12-Nov-26."""
_MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
_OTHER_DATE = re.compile(r"(\d{1,4})[./\- ](\d{1,2})[./\- ](\d{1,4})", re.ASCII)
_EXCEL_DAY_0 = date(1899, 12, 30)
_EXCEL_DAYS = range(36_526, 73_051)
"""Of the years 2000 to 2099."""


def _date(column: Column, cell: Cell) -> date:
    if isinstance(cell, datetime):
        if cell.time() != datetime.min.time():
            raise CellRefused("Leave out the time of day.")
        return cell.date()
    if isinstance(cell, date):
        return cell
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        if _is_finite(cell) and cell == int(cell) and int(cell) in _EXCEL_DAYS:
            return _EXCEL_DAY_0 + timedelta(days=int(cell))
        raise CellRefused("Format the cell as a date.")
    if not isinstance(cell, str):
        raise CellRefused("Format the cell as a date.")
    return _date_of_text(" ".join(cell.split()))


def _date_of_text(text: str) -> date:
    if match := _ISO_DATE.fullmatch(text):
        day = _day(*map(int, match.groups()))
    elif match := _US_DATE.fullmatch(text):
        month, of_month, year = map(int, match.groups())
        day = _day(year if year > 99 else 2000 + year, month, of_month)
        if day is None and month > 12:
            raise CellRefused(_hint_for_other_date(text))
    elif (match := _NAMED_DATE.fullmatch(text)) and match[1].casefold() in _MONTHS:
        day = _day(int(match[3]), _MONTHS.index(match[1].casefold()) + 1, int(match[2]))
    elif (match := _SHOWN_DATE.fullmatch(text)) and match[2].casefold() in _MONTHS:
        year = int(match[3])
        month = _MONTHS.index(match[2].casefold()) + 1
        day = _day(year if year > 99 else 2000 + year, month, int(match[1]))
    else:
        raise CellRefused(_hint_for_other_date(text))
    if day is None:
        raise CellRefused("There is no such day.")
    return day


def _hint_for_other_date(text: str) -> str:
    if text.isdecimal() and len(text) < 6 and int(text) in _EXCEL_DAYS:
        return (
            f"Enter {_EXCEL_DAY_0 + timedelta(days=int(text))} if it is a spreadsheet's day number."
        )
    match = _OTHER_DATE.fullmatch(text)
    first, middle, last = map(int, match.groups()) if match else (0, 0, 0)
    orders = [(first, middle, last), (last, first, middle), (last, middle, first)]
    meant = sorted({str(day) for day in (_day(*order) for order in orders) if day is not None})
    return f"Enter {either(meant)}." if meant else "Enter year, month and day."


_TIME_OF_DAY = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))? ?(am|pm)?", re.ASCII | re.IGNORECASE)


def _time(column: Column, cell: Cell) -> datetime:
    if isinstance(cell, datetime):
        return cell
    day, _, of_day = " ".join(str(cell).split()).replace("T", " ").partition(" ")
    match = _TIME_OF_DAY.fullmatch(of_day) if isinstance(cell, str) else None
    if match is None:
        raise CellRefused("Enter day and time, without a time zone.")
    hour = int(match[1])
    if match[4]:
        hour = hour % 12 + 12 * (match[4].casefold() == "pm") if 1 <= hour <= 12 else 99
    try:
        at = time(hour, int(match[2]), int(match[3] or 0))
    except ValueError:
        raise CellRefused("There is no such time.") from None
    return datetime.combine(_date_of_text(day), at)


def _day(year: int, month: int, day: int) -> date | None:
    if year < 1000:
        return None
    try:
        return date(year, month, day)
    except ValueError:
        return None


_PARSERS: dict[Kind, Callable[[Column, Cell], Any]] = {
    Kind.TEXT: _text,
    Kind.ID: _text,
    Kind.WORD: _text,
    Kind.CHOICE: _choice,
    Kind.SHARE: _share,
    Kind.SHARES: _several(_share),
    Kind.POINTS: _points,
    Kind.NUMBER: _number,
    Kind.NUMBERS: _several(_number),
    Kind.MONEY: _money,
    Kind.PRICE: _price,
    Kind.COUNT: _count,
    Kind.DATE: _date,
    Kind.TIME: _time,
    Kind.YES_NO: _yes_no,
    Kind.WORDS: _words,
    Kind.SELECTOR: _selector,
}
