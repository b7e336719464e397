"""One cell by its column: to a value, or to why it is refused."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from blend.domain.selectors import parse_selector
from blend.errors import did_you_mean
from blend.tables.columns import Column, Kind, either
from blend.units import POINTS_PER_SHARE

MAX_CHARACTERS = 32_767
"""What one cell of a spreadsheet holds at most."""


@dataclass(frozen=True, slots=True)
class Uncalculated:
    """A spreadsheet formula that was saved without its result."""

    formula: str


Cell = str | int | float | bool | date | datetime | time | timedelta | Uncalculated | None
"""As a file gives it: CSV gives texts only, XLSX all of them."""

_OF_THE_CLOCK = (date, time, timedelta)
"""What a spreadsheet makes of a number with the look of a day, a time or a length of time."""


class CellRefused(Exception):
    """Why a cell is refused; `allowed` None means what its column says."""

    def __init__(self, hint: str = "", allowed: str | None = None) -> None:
        super().__init__(hint)
        self.hint = hint
        self.allowed = allowed


def is_blank(cell: Cell) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def parse_cell(column: Column, cell: Cell) -> Any:
    """The value of a cell, the column's default when blank; raise CellRefused.

    Shares and numbers come as float, counts as int, several shares and words as a tuple,
    selectors as Selector.
    The value of a setting comes as it is: only its name tells by which column to read it.
    """
    if column.kind is Kind.SETTING:
        return cell
    if is_blank(cell):
        if column.required:
            raise CellRefused
        return column.default
    if isinstance(cell, Uncalculated):
        raise CellRefused("Save the workbook in a spreadsheet first, or enter the value itself.")
    if isinstance(cell, str):
        if len(cell) > MAX_CHARACTERS:
            raise CellRefused(allowed=f"at most {MAX_CHARACTERS} characters")
        if cell.strip() in _SPREADSHEET_ERRORS:
            raise CellRefused("It is an error of the spreadsheet; mend the formula behind it.")
    return _PARSERS[column.kind](column, cell)


def number_meant(column: Column, cell: Cell) -> float | None:
    """The number of a cell, also where it is refused as written but can only be meant so (2,000;
    $ 1.50; 90%); None where there is none. For what helps to mend a cell, never to read one."""
    try:
        value = parse_cell(column, cell)
    except CellRefused:
        likely = _likely_numbers(column, cell) if isinstance(cell, str) else []
        return likely[0] if likely else None
    return float(value) if isinstance(value, int | float) else None


def shown(cell: Cell, longest: int = 60) -> str:
    """A cell as messages quote it: one short printable line."""
    if is_blank(cell):
        return "nothing"
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
        return cell.date().isoformat()  # Workbooks keep days as midnights.
    return f"={cell.formula}" if isinstance(cell, Uncalculated) else _as_text(cell)


# Texts ---------------------------------------------------------------------------------------

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
        raise CellRefused(f"Take out the invisible character U+{ord(hidden):04X}.")
    if column.kind in _NOT_IN and not _NOT_IN[column.kind].isdisjoint(text):
        raise CellRefused
    return text


def _choose(column: Column, text: str) -> str:
    for choice in column.choices:
        if choice.casefold() == text.casefold():
            return choice
    raise CellRefused(did_you_mean(text, column.choices))


def _choice(column: Column, cell: Cell) -> str:
    return _choose(column, _text(column, cell))


def _words(column: Column, cell: Cell) -> tuple[str, ...]:
    text = _text(column, cell)
    if ";" in text or "," in text:
        raise CellRefused("Join words by |.")
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


_YES_NO = {"yes": True, "no": False, "true": True, "false": False}
"""Spreadsheets save their own truth values as TRUE and FALSE."""


# Numbers -------------------------------------------------------------------------------------

_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
_DRESSED_NUMBER = re.compile(r"[^\d+\-]*([+-]?\d[\d.,' ]*?)[.,' ]*(%?)[^\d]*", re.ASCII)
_OF_SHARES = (Kind.SHARE, Kind.SHARES)
_LONGEST_NUMBER = 40
"""Longer texts are no number in any clothes."""
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+", re.ASCII)


def _number(column: Column, cell: Cell) -> float:
    if isinstance(cell, _OF_THE_CLOCK):
        raise CellRefused("The spreadsheet took it for a date or time; format it as a number.")
    if isinstance(cell, bool):
        raise CellRefused("Write it as a plain number.")
    if isinstance(cell, str) and not _NUMBER.fullmatch(cell.strip()):
        raise CellRefused(_hint_for_dressed_number(column, cell))
    try:
        number = float(cell)
    except OverflowError:
        raise CellRefused from None
    if not column.minimum <= number <= column.maximum:
        raise CellRefused(_try(column, [number / POINTS_PER_SHARE], column.kind in _OF_SHARES))
    return number


def _count(column: Column, cell: Cell) -> int:
    number = _number(column, cell)
    if not number.is_integer():
        raise CellRefused
    return int(number)


def _shares(column: Column, cell: Cell) -> tuple[float, ...]:
    parts = cell.split("|") if isinstance(cell, str) else [cell]
    if any(map(is_blank, parts)):
        raise CellRefused("One | too many leaves an empty number.")
    return tuple(_number(column, part) for part in parts)


def _try(column: Column, numbers: list[float], is_likely: bool = True) -> str:
    """Name the numbers that the column would allow, of those the user may have meant."""
    fitting = _fitting(column, numbers)
    if not (fitting and is_likely):
        return ""
    return f"Try {either([_plain(column, number) for number in fitting])}."


def _fitting(column: Column, numbers: list[float]) -> list[float]:
    return [number for number in numbers if column.minimum <= number <= column.maximum]


def _plain(column: Column, number: float) -> str:
    text = f"{number:.12g}"
    return f"{number:.2f}" if column.kind in _OF_SHARES and len(text) < 4 else text


def _hint_for_dressed_number(column: Column, text: str) -> str:
    return _try(column, _likely_numbers(column, text)) or "Write it as a plain number."


def _likely_numbers(column: Column, text: str) -> list[float]:
    """Numbers of the column that one in other clothes may be: 90%, 2,000, 0,90, $1.50, 2000 lb;
    the likeliest first."""
    match = _DRESSED_NUMBER.fullmatch(" ".join(text.split())[:_LONGEST_NUMBER])
    if match is None:
        return []
    digits = re.sub(r"[' ]", "", match[1])
    numbers = _readings(digits)
    if column.kind in _OF_SHARES:
        out_of_range = [number for number in numbers if not number <= column.maximum]
        if match[2] or out_of_range == numbers:
            numbers = [number / POINTS_PER_SHARE for number in numbers]
    return _fitting(column, numbers)


def _readings(digits: str) -> list[float]:
    """What a number with commas and points can mean, both habits of writing allowed for."""
    if "," in digits and "." in digits:
        thousands, decimal = (",", ".") if digits.rfind(",") < digits.rfind(".") else (".", ",")
        candidates = [digits.replace(thousands, "").replace(decimal, ".")]
    elif _THOUSANDS.fullmatch(digits):
        candidates = [digits.replace(",", ""), digits.replace(",", ".")]
    else:
        candidates = [digits.replace(",", ".")]
    return [float(each) for each in candidates if _NUMBER.fullmatch(each)]


# Dates ---------------------------------------------------------------------------------------

_ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_OTHER_DATE = re.compile(r"(\d{1,4})[./\- ](\d{1,2})[./\- ](\d{1,4})", re.ASCII)


def _date(column: Column, cell: Cell) -> date:
    if isinstance(cell, datetime):
        if cell.time() != datetime.min.time():
            raise CellRefused("Leave out the time of day.")
        return cell.date()
    if isinstance(cell, date):
        return cell
    if not isinstance(cell, str):
        raise CellRefused("Format the cell as a date.")
    text = cell.strip()
    if not _ISO_DATE.fullmatch(text):
        raise CellRefused(_hint_for_other_date(text))
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise CellRefused("There is no such day.") from None


def _hint_for_other_date(text: str) -> str:
    match = _OTHER_DATE.fullmatch(text)
    first, middle, last = map(int, match.groups()) if match else (0, 0, 0)
    orders = [(first, middle, last), (last, first, middle), (last, middle, first)]
    meant = sorted({str(day) for day in (_day(*order) for order in orders) if day is not None})
    return f"Try {either(meant)}." if meant else "Write year, month and day."


_TIME = re.compile(r"(\d{4}-\d{2}-\d{2})[T ](\d{1,2})(:\d{2}(?::\d{2})?)", re.ASCII)


def _time(column: Column, cell: Cell) -> datetime:
    if isinstance(cell, datetime):
        return cell
    match = _TIME.fullmatch(cell.strip()) if isinstance(cell, str) else None
    if match is None:
        raise CellRefused("Write day and time, without a zone.")
    try:
        return datetime.fromisoformat(f"{match[1]} {match[2]:0>2}{match[3]}")
    except ValueError:
        raise CellRefused("There is no such day or time.") from None


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
    Kind.SHARE: _number,
    Kind.SHARES: _shares,
    Kind.NUMBER: _number,
    Kind.COUNT: _count,
    Kind.DATE: _date,
    Kind.TIME: _time,
    Kind.YES_NO: _yes_no,
    Kind.WORDS: _words,
    Kind.SELECTOR: _selector,
}
