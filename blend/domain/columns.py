"""Records: a dataclass whose fields say what their table columns hold, stated once.

    @record("lots", "Trimmings on offer or in stock, one lot a row.", key="lot_id")
    @dataclass(frozen=True, slots=True)
    class Lot:
        lot_id: str = identifier("the plant's own lot number")
        lean: float = share("chemical lean", unit=LEAN)

The table reader and its checks, the starter sheet, `blend guide columns`, the writer, the SQL
tables, the options of `blend canvass add` and the fields of the desk's forms all come from
these declarations. A column without a default is required; one that may be blank says what
the blank means.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import MISSING, dataclass, field, fields, replace
from decimal import Decimal
from enum import StrEnum
from functools import cache
from typing import Any, TypeVar

from blend.units import LB_PER_CWT, POINTS_PER_SHARE, USD_PER_LB_BY_PRICE_UNIT

SPECIES = ("beef", "pork", "chicken", "turkey", "lamb", "veal")
"""Species of a lot. A misspelled one would slip past a label claim, so others are refused."""

MAX_LB = 1_000_000_000
MAX_USD = 1_000_000
"""A larger number is a slip, and numerically bad for the solver."""

LEAN = "lean points"
"""Unit of a share that is chemical lean; other shares are in percent."""

_MAX_LISTED = 10
"""Nobody reads a message that lists more choices."""

MAX_TOLERANCE_POINTS = 10
"""A larger number of lean points gets a caution."""

Record = TypeVar("Record")
RecordType = TypeVar("RecordType", bound=type)


class Kind(StrEnum):
    """How a cell is read."""

    TEXT = "text"
    ID = "id"
    """A name that lists and conditions can quote: without `|`, `;` and `,`."""
    WORD = "word"
    """A text that conditions can quote: without `|` and `;`."""
    CHOICE = "choice"
    SHARE = "share"
    """90, 90% or 0.90; kept as a fraction."""
    SHARES = "shares"
    """Several of them joined by `|`."""
    POINTS = "points"
    """A difference in lean points: 0.5 is half a point."""
    NUMBER = "number"
    NUMBERS = "numbers"
    """Several of them joined by `|`."""
    MONEY = "money"
    """Dollars in the column's unit; $, commas, /lb, /cwt and cents/lb are understood."""
    PRICE = "price"
    """Money whose unit is in the cell itself or in the column `unit_column`."""
    COUNT = "count"
    DATE = "date"
    TIME = "time"
    """A day and a time of day on the local clock."""
    YES_NO = "yes_no"
    WORDS = "words"
    """Words joined by `|`."""
    SELECTOR = "selector"
    """Conditions on lots, as `blend.domain.selectors` reads them."""
    SETTING = "setting"
    """Read as the column of the setting named in the same row."""


def every_row(values: Mapping[str, Any]) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `default` is the value of a blank cell, `blank` says it in words.

    `caution_when_blank` is set where a blank can make a plan cheaper or allow more than the
    meat, the seller or the plant allows; it says what to enter. `caution_in_row` picks the rows
    this is true of, by their values. The record's field is the cell times `factor`, then
    passed through `convert`.
    """

    name: str
    kind: Kind
    about: str
    required: bool = False
    default: Any = None
    blank: str = ""
    unit: str = ""
    choices: tuple[str, ...] = ()
    minimum: float = -math.inf
    maximum: float = math.inf
    caution_when_blank: str = ""
    caution_in_row: Callable[[Mapping[str, Any]], bool] = every_row
    factor: Decimal | None = None
    convert: Callable[[Any], Any] | None = None
    unit_column: str = ""
    example: str = ""
    """For the example row of a starter sheet."""
    headings: tuple[str, ...] = ()
    """What the trade writes above it: read as this column, and reported."""
    option: str = ""
    """Its option on the command line, where that is shorter than the column's name."""

    @property
    def is_number(self) -> bool:
        return self.kind in _NUMBERS

    @property
    def allowed(self) -> str:
        """What a filled cell may hold: "must be ..." and "Enter ..." go before it."""
        match self.kind:
            case Kind.CHOICE if len(self.choices) > _MAX_LISTED:
                return "one of the names that blend guide columns lists"
            case Kind.CHOICE:
                return either(self.choices)
            case Kind.WORDS if self.choices:
                return f"{either(self.choices)}, several joined by |"
            case Kind.SHARE | Kind.SHARES:
                low, high = (f"{100 * each:.10g}" for each in (self.minimum, self.maximum))
                several = ", several joined by |" if self.kind is Kind.SHARES else ""
                return f"{low}% to {high}%{several}"
            case Kind.POINTS:
                return f"lean points, {self._range}"
            case Kind.MONEY | Kind.PRICE:
                return f"a price, {self._range}"
            case Kind.NUMBER:
                return self._range
            case Kind.NUMBERS:
                return f"{self._range}, several joined by |"
            case Kind.COUNT:
                return f"a whole number, {self._range}"
        return _ALLOWED_BY_KIND[self.kind]

    @property
    def enter(self) -> str:
        """What to type, after "Enter"."""
        if self.kind in SHARES:
            return "90, 90% or 0.90" if self.unit == LEAN else "a percentage such as 2.5%"
        if self.kind is Kind.POINTS:
            return "lean points, such as 0.5 for half a point"
        return f"a number, {self._range}" if self.kind is Kind.NUMBER else self.allowed

    @property
    def enter_when_blank(self) -> str:
        """What to type where a cell must be filled, after "Enter"; text by what it is."""
        if self.kind not in (Kind.TEXT, Kind.ID, Kind.WORD):
            return self.enter
        has_example = (
            self.example and "such as" not in self.about and self.example not in self.about
        )
        return f"{self.about}, such as {self.example}" if has_example else self.about

    @property
    def _range(self) -> str:
        if self.maximum >= MAX_USD:
            return "any number" if math.isinf(self.minimum) else f"{self.minimum:,.12g} or more"
        return f"{self.minimum:,.12g} to {self.maximum:,.12g}"

    @property
    def when_blank(self) -> str:
        """What a blank cell means; "required" where none is allowed."""
        if self.required:
            return "required"
        if self.blank:
            return self.blank
        if isinstance(self.default, bool):
            return "yes" if self.default else "no"
        if isinstance(self.default, int | float):
            return self.typed(self.default)
        return self.default or "none"

    @property
    def help(self) -> str:
        """What it holds, what to enter and what a blank means, in one line."""
        about = f"{self.about[:1].upper()}{self.about[1:]}"
        blank = "Required." if self.required else f"Blank: {self.when_blank}."
        return f"{about}. Enter {self.enter}. {blank}"

    def typed(self, value: float) -> str:
        """A number of this column as a person types it."""
        return f"{100 * value:.10g}%" if self.kind in SHARES else f"{value:,.10g}"

    def of_record(self, value: Any) -> Any:
        """The field of the record from the value of the cell."""
        if value is not None and self.factor is not None:
            value = float(Decimal(repr(value)) * self.factor)
        return value if self.convert is None else self.convert(value)

    def of_cell(self, value: Any) -> Any:
        """The value of the cell that `of_record` brings back to the field."""
        if value is None or self.factor is None:
            return value
        return Decimal(repr(value)) / self.factor


SHARES = (Kind.SHARE, Kind.SHARES)
_NUMBERS = frozenset((Kind.SHARE, Kind.POINTS, Kind.NUMBER, Kind.COUNT, Kind.MONEY, Kind.PRICE))
_ALLOWED_BY_KIND = {
    Kind.TEXT: "text",
    Kind.ID: "a name without | ; or ,",
    Kind.WORD: "text without | or ;",
    Kind.DATE: "a date such as 3/31/2026 or 2026-03-31",
    Kind.TIME: "a day and time such as 2026-03-31 14:05",
    Kind.YES_NO: "yes or no",
    Kind.WORDS: "words joined by |",
    Kind.SELECTOR: "conditions such as fresh_or_frozen=frozen; lean>=85",
    Kind.SETTING: "the value of the setting",
}


@dataclass(frozen=True, slots=True)
class Table:
    """One table. No two of its rows share the value of `id_column`."""

    name: str
    about: str
    id_column: str
    columns: tuple[Column, ...]
    required: bool = False

    @property
    def column_names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        return self.columns[self.column_names.index(name)]


def either(words: Iterable[str]) -> str:
    """`a`, `a or b`, `a, b or c`."""
    *firsts, last = words
    return f"{', '.join(firsts)} or {last}" if firsts else last


# Declaring ------------------------------------------------------------------------------------


def record(
    name: str, about: str, *, key: str = "", required: bool = False
) -> Callable[[RecordType], RecordType]:
    """Name the table of a dataclass whose fields are columns. Goes above `@dataclass`."""

    def declare(kind: RecordType) -> RecordType:
        kind._table = Table(name, about, key, columns_of(kind), required)  # type: ignore[attr-defined]
        return kind

    return declare


def table_of(kind: type) -> Table:
    """The table of a record."""
    table: Table = kind._table  # type: ignore[attr-defined]
    return table


@cache
def columns_of(kind: type) -> tuple[Column, ...]:
    """The columns of a record, those of its parts among them, in the order of its fields."""
    found: list[Column] = []
    for each in fields(kind):
        part = each.metadata.get("part")
        if part is not None:
            found += columns_of(part)
        found += _columns_of_field(each)
    return tuple(found)


def _columns_of_field(each: Any) -> tuple[Column, ...]:
    column = each.metadata.get("column")
    if column is None:
        return ()
    column = column if column.name else replace(column, name=_name_of(each.name, column))
    return (column, *each.metadata.get("also", ()))


def _name_of(field_name: str, column: Column) -> str:
    """The name of a column, by the field's and the units of both."""
    if column.kind is Kind.POINTS:
        return f"{field_name.removesuffix('_share')}_points"
    if column.kind is Kind.MONEY and column.factor == PER_CWT:
        return field_name.replace("_usd_per_lb", "_usd_per_cwt")
    return field_name


_UNSET = object()


def column(
    kind: Kind,
    about: str,
    *,
    default: Any = _UNSET,
    required: bool | None = None,
    between: tuple[float, float] | None = None,
    also: tuple[Column, ...] = (),
    **more: Any,
) -> Any:
    """A field that is a column, with values in the range `between`.

    `default` is that of the field and of a blank cell; `read_as` in `more` is what a blank cell
    is read as, where that differs. With `blank` the default is None; MISSING says that in Python
    a value must be given all the same.
    """
    if default is _UNSET:
        default = None if more.get("blank") else MISSING
    if between is not None:
        more["minimum"], more["maximum"] = between
    is_open = default is not MISSING or bool(more.get("blank"))
    more.setdefault("name", "")
    read_as = more.pop("read_as", None if default is MISSING else default)
    must = not is_open if required is None else required
    made = Column(kind=kind, about=about, required=must, default=read_as, **more)
    return field(default=default, metadata={"column": made, "also": also})


def part(kind: type, *, default: Any, when: str = "") -> Any:
    """A field that is itself a record; its columns are among those of the whole.

    With `when`, it is None where that column is blank.
    """
    return field(default=default, metadata={"part": kind, "when": when})


def text(about: str, **more: Any) -> Any:
    return column(Kind.TEXT, about, **more)


def identifier(about: str, **more: Any) -> Any:
    return column(Kind.ID, about, **more)


def word(about: str, **more: Any) -> Any:
    return column(Kind.WORD, about, **more)


def choice(about: str, choices: Iterable[str], **more: Any) -> Any:
    """One of a few words; of an enum's, the field is a member of it."""
    if isinstance(choices, type):
        more.setdefault("convert", choices)
    return column(Kind.CHOICE, about, choices=tuple(choices), **more)


_PERCENT: dict[str, Any] = {"unit": "%", "minimum": 0, "maximum": 1}


def share(about: str, **more: Any) -> Any:
    return column(Kind.SHARE, about, **_PERCENT | more)


def shares(about: str, **more: Any) -> Any:
    return column(Kind.SHARES, about, **_PERCENT | more)


_PER_POINT = 1 / Decimal(repr(POINTS_PER_SHARE))
PER_CWT = 1 / Decimal(repr(LB_PER_CWT))


def points(about: str, **more: Any) -> Any:
    limits: dict[str, Any] = {"unit": LEAN, "minimum": 0, "maximum": 100, "factor": _PER_POINT}
    return column(Kind.POINTS, about, **limits | more)


def number(about: str, **more: Any) -> Any:
    return column(Kind.NUMBER, about, **more)


def count(about: str, **more: Any) -> Any:
    limits: dict[str, Any] = {"minimum": 0, "maximum": 10_000}
    return column(Kind.COUNT, about, **limits | more)


def pounds(about: str, **more: Any) -> Any:
    limits: dict[str, Any] = {"unit": "lb", "minimum": 0, "maximum": MAX_LB}
    return column(Kind.NUMBER, about, **limits | more)


def money(about: str, unit: str, **more: Any) -> Any:
    """Dollars in `unit`, such as `USD per lb`."""
    limits: dict[str, Any] = {"minimum": 0, "maximum": MAX_USD}
    return column(Kind.MONEY, about, unit=unit, **limits | more)


def per_cwt(about: str, **more: Any) -> Any:
    """A column in USD per cwt of a field in USD per lb."""
    return money(about, "USD per cwt", factor=PER_CWT, **more)


def price(about: str, **more: Any) -> Any:
    """A field in USD per lb from the columns `price` and `price_unit`."""
    unit = Column(
        "price_unit",
        Kind.CHOICE,
        "of price",
        blank="as price says, such as $2.47/lb",
        choices=tuple(USD_PER_LB_BY_PRICE_UNIT),
        example="usd_per_cwt",
    )
    limits: dict[str, Any] = {
        "name": "price",
        "minimum": 0,
        "maximum": MAX_USD,
        "unit_column": unit.name,
    }
    return column(Kind.PRICE, about, also=(unit,), **limits | more)


def day(about: str, **more: Any) -> Any:
    return column(Kind.DATE, about, **more)


def moment(about: str, **more: Any) -> Any:
    return column(Kind.TIME, about, **more)


def yes_no(about: str, **more: Any) -> Any:
    return column(Kind.YES_NO, about, **more)


def words(about: str, **more: Any) -> Any:
    standard: dict[str, Any] = {"default": (), "blank": "none"}
    return column(Kind.WORDS, about, **standard | more)


def lots(about: str, **more: Any) -> Any:
    """Conditions on lots; `default` is the selector of every lot."""
    return column(Kind.SELECTOR, about, **{"blank": "every lot"} | more)


def lower_case(claims: Iterable[str]) -> frozenset[str]:
    """A claim written with a capital is still the same claim."""
    return frozenset(claim.lower() for claim in claims)


# Making ---------------------------------------------------------------------------------------


def made(kind: type[Record], values: Mapping[str, Any]) -> Record:
    """A record from the values of its columns, in the units of the columns."""
    key: Any = kind
    return kind(**{name: value(values) for name, value in _makers(key)})


@cache
def _makers(kind: Any) -> tuple[tuple[str, Callable[[Mapping[str, Any]], Any]], ...]:
    return tuple((each.name, maker) for each in fields(kind) if (maker := _maker(each)) is not None)


def _maker(each: Any) -> Callable[[Mapping[str, Any]], Any] | None:
    part = each.metadata.get("part")
    if part is not None:
        when = each.metadata["when"]
        return lambda values: None if when and values[when] is None else made(part, values)
    if "column" not in each.metadata:
        return None
    column = _columns_of_field(each)[0]
    if column.unit_column:
        return lambda values: usd_per_lb(values[column.name], values[column.unit_column])
    if column.factor is None and column.convert is None:
        return lambda values: values[column.name]
    return lambda values: column.of_record(values[column.name])


def usd_per_lb(price: float, unit: str) -> float:
    """A price in its unit as USD per lb, without the rounding of binary fractions."""
    return float(Decimal(repr(price)) * Decimal(repr(USD_PER_LB_BY_PRICE_UNIT[unit])))


def cells(thing: Any) -> dict[str, Any]:
    """The values of a record by column, in the units of the columns: the inverse of `made`."""
    found: dict[str, Any] = {}
    for each in fields(thing):
        value = getattr(thing, each.name)
        part = each.metadata.get("part")
        if part is not None:
            found |= dict.fromkeys(c.name for c in columns_of(part)) | (
                cells(value) if value else {}
            )
        for column in _columns_of_field(each):
            found[column.name] = column.of_cell(value)
            if column.unit_column:
                found[column.unit_column] = "usd_per_lb"
                break
    return found
