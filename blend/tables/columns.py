"""The one table of columns: what every plain table holds, in which unit, and what a blank means.

The reader, the templates, `blend columns` and every message draw on `TABLES`. A column is
either required or says what a blank cell means; a column that is not required may be left
out of a sheet altogether, and then every cell of it counts as blank.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Any

from blend.domain.case import Settings
from blend.domain.clearing import MoveOf
from blend.domain.horizon import DayRuleKind, Side
from blend.domain.imports import Basis, Quota, RateKind, RateUnit
from blend.domain.lots import CONTAINERS, FORMS, ON_HAND_OR_OFFERED, PRICE_BASES, Lot
from blend.domain.market import SOURCE_CLASSES, CanvassEntry, EntryKind, Item
from blend.domain.products import Product
from blend.domain.rules import Loss, RuleKind, WholeContainers
from blend.domain.scenarios import Change, Distribution, ScenarioField
from blend.domain.selectors import EVERY_LOT
from blend.domain.standards import Action
from blend.domain.uncertainty import MAX_CONFIDENCE, Sides
from blend.model.rules import definitions
from blend.units import USD_PER_LB_BY_PRICE_UNIT

SPECIES = ("beef", "pork", "chicken", "turkey", "lamb", "veal")
"""Species a lot may be of. A misspelt one would slip past a label claim, so others are refused."""

MAX_LB = 1_000_000_000
MAX_USD = 1_000_000
"""Past these a number is a slip of the hand, and no solver would treat it well."""


class Kind(StrEnum):
    """How a cell is read."""

    TEXT = "text"
    ID = "id"
    """A name that lists and selectors can quote: without `|`, `;` and `,`."""
    WORD = "word"
    """A text that selectors can quote: without `|` and `;`."""
    CHOICE = "choice"
    SHARE = "share"
    """A fraction of 1 by weight: 0.90, never 90."""
    SHARES = "shares"
    """Several of them joined by `|`."""
    NUMBER = "number"
    COUNT = "count"
    DATE = "date"
    TIME = "time"
    """A day and a time of it, by the clock of the place."""
    YES_NO = "yes_no"
    WORDS = "words"
    """Words joined by `|`."""
    SELECTOR = "selector"
    """Conditions on lots, as `blend.domain.selectors` reads them."""
    SETTING = "setting"
    """Read as the setting named in the same row asks."""


def _in_every_row(values: Mapping[str, Any]) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `default` is what a blank cell is read as, `blank` says it in words.

    `caution_when_blank` is set where a blank can make a plan cheaper or allow more than the
    meat, the seller or the plant allows. It says what to enter. `caution_in_row` picks the rows
    that this is true of, by their values.
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
    caution_in_row: Callable[[Mapping[str, Any]], bool] = _in_every_row

    @property
    def allowed(self) -> str:
        """What a filled cell may hold, in words."""
        match self.kind:
            case Kind.CHOICE:
                return either(self.choices)
            case Kind.WORDS if self.choices:
                return f"{either(self.choices)}, several joined by |"
            case Kind.SHARE | Kind.NUMBER:
                return self._range
            case Kind.SHARES:
                return f"{self._range}, several joined by |"
            case Kind.COUNT:
                return f"a whole number, {self._range}"
        return _ALLOWED_BY_KIND[self.kind]

    @property
    def _range(self) -> str:
        if math.isinf(self.maximum):
            return "any number" if math.isinf(self.minimum) else f"{self.minimum:.12g} or more"
        return f"{self.minimum:.12g} to {self.maximum:.12g}"

    @property
    def when_blank(self) -> str:
        """What a blank cell means, in words; "required" where none is allowed."""
        if self.required:
            return "required"
        if self.blank:
            return self.blank
        if isinstance(self.default, bool):
            return "yes" if self.default else "no"
        if isinstance(self.default, int | float):
            return f"{self.default:g}"
        return self.default or "none"


_ALLOWED_BY_KIND = {
    Kind.TEXT: "a text",
    Kind.ID: "a name without | ; and ,",
    Kind.WORD: "a text without | and ;",
    Kind.DATE: "a date such as 2026-03-31",
    Kind.TIME: "a day and time such as 2026-03-31 14:05",
    Kind.YES_NO: "yes or no",
    Kind.WORDS: "words joined by |",
    Kind.SELECTOR: "conditions such as fresh_or_frozen=frozen; lean>=0.85",
    Kind.SETTING: "what the setting asks for",
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


def either(words: tuple[str, ...] | list[str]) -> str:
    """`a`, `a or b`, `a, b or c`."""
    *firsts, last = words
    return f"{', '.join(firsts)} or {last}" if firsts else last


def _defaults(kind: type) -> dict[str, Any]:
    return {field.name: field.default for field in fields(kind)}


_LOT = _defaults(Lot)
_PRODUCT = _defaults(Product)
_LOSS = _defaults(Loss)
_SETTINGS = _defaults(Settings)


def _text(name: str, about: str, **more: Any) -> Column:
    return Column(name, Kind.TEXT, about, **more)


def _id(name: str, about: str) -> Column:
    return Column(name, Kind.ID, about, required=True)


def _share(name: str, about: str, **more: Any) -> Column:
    return Column(
        name, Kind.SHARE, about, **{"unit": "share of 1", "minimum": 0, "maximum": 1} | more
    )


def _lb(name: str, about: str, **more: Any) -> Column:
    return Column(
        name, Kind.NUMBER, about, **{"unit": "lb", "minimum": 0, "maximum": MAX_LB} | more
    )


def _usd(name: str, about: str, **more: Any) -> Column:
    return Column(name, Kind.NUMBER, about, **{"minimum": 0, "maximum": MAX_USD} | more)


def _choice(name: str, about: str, choices: tuple[str, ...], **more: Any) -> Column:
    return Column(name, Kind.CHOICE, about, choices=choices, **more)


def _words(name: str, about: str, blank: str = "none", **more: Any) -> Column:
    return Column(name, Kind.WORDS, about, default=(), blank=blank, **more)


def _lots(about: str, **more: Any) -> Column:
    return Column("lots", Kind.SELECTOR, about, default=EVERY_LOT, blank="every lot", **more)


def _is_offer(values: Mapping[str, Any]) -> bool:
    return values.get("on_hand_or_offered") == "offered"


def _is_fob(values: Mapping[str, Any]) -> bool:
    return values.get("price_basis") == "fob"


def _is_minimum_share(values: Mapping[str, Any]) -> bool:
    """A minimum share of every lot is always met. Of a maximum, every lot is the strictest."""
    return values.get("kind") == RuleKind.SHARE and values.get("min_share") is not None


def _freezes(values: Mapping[str, Any]) -> bool:
    return values.get("freezes") is not None


_NAME_THE_LOTS = (
    "Every lot counts toward the minimum, so it is always met. Name the lots it is for."
)


LOTS = Table(
    "lots",
    "Trimmings on offer or in stock, one lot a row.",
    "lot_id",
    (
        _id("lot_id", "the plant's own name of the lot"),
        Column("item", Kind.WORD, "what the trade calls it, such as cow 90s", required=True),
        _choice("species", "the animal it is of", SPECIES, required=True),
        _share("lean", "chemical lean, 1 minus the fat share", required=True),
        _choice(
            "fresh_or_frozen",
            "fresh, that is chilled, or frozen",
            FORMS,
            default=_LOT["fresh_or_frozen"],
            caution_when_blank="Enter fresh or frozen.",
        ),
        Column(
            "origin",
            Kind.WORD,
            "domestic, or the country; never assumed, as labels rest on it",
            required=True,
        ),
        Column(
            "meat_class",
            Kind.WORD,
            "such as cow, bull or heart",
            default=_LOT["meat_class"],
            caution_when_blank="Limits on a class, such as cheek, head or heart meat, do not apply."
            " Enter the class.",
        ),
        Column(
            "supplier",
            Kind.WORD,
            "who sells it",
            default=_LOT["supplier"],
            caution_when_blank="Limits on a supplier do not apply. Enter the supplier.",
        ),
        _words("label_claims", "claims it can carry; capitals do not matter"),
        _choice(
            "on_hand_or_offered",
            "offered by a seller, or on hand at the plant",
            ON_HAND_OR_OFFERED,
            default="offered",
        ),
        _usd("price", "asking price; for stock, what it is carried at", required=True),
        _choice("price_unit", "of price", tuple(USD_PER_LB_BY_PRICE_UNIT), required=True),
        _choice(
            "price_basis",
            "delivered: freight is in the price; fob: freight comes on top",
            PRICE_BASES,
            default=_LOT["price_basis"],
            caution_when_blank="No freight is added. Enter delivered or fob.",
        ),
        _usd(
            "freight_usd_per_cwt",
            "freight to the plant, for an fob price only",
            default=_LOT["freight_usd_per_lb"],
            unit="USD per cwt",
            caution_when_blank="The price is fob. Enter the freight, or 0 if there is none.",
            caution_in_row=_is_fob,
        ),
        _lb(
            "quantity_lb",
            "how much there is",
            blank="no limit stated",
            caution_when_blank="Enter the pounds on offer or in stock.",
        ),
        _choice(
            "container",
            "what it comes in",
            CONTAINERS,
            default=_LOT["container"],
            caution_when_blank="Any number of pounds can be taken. Enter what it comes in.",
        ),
        _lb(
            "container_lb",
            "net weight of one container; for loose meat none",
            minimum=1,
            blank="none, for loose meat only",
        ),
        Column(
            "available_on",
            Kind.DATE,
            "first day it can be used",
            blank="already here",
            caution_when_blank="Enter the day it can be used.",
            caution_in_row=_is_offer,
        ),
        Column(
            "use_by",
            Kind.DATE,
            "last day it can be used",
            blank="no last day",
            caution_when_blank="Enter the last day it can be used.",
        ),
        _lb(
            "min_purchase_lb",
            "if any is taken, at least this",
            default=_LOT["min_purchase_lb"],
        ),
        Column(
            "must_take_all",
            Kind.YES_NO,
            "yes: all of it or none",
            default=_LOT["must_take_all"],
        ),
        _usd(
            "salvage_value_usd_per_lb",
            "worth of a taken but unused pound; below 0 what it costs to be rid of it",
            default=_LOT["salvage_value_usd_per_lb"],
            unit="USD per lb",
            minimum=-MAX_USD,
        ),
    ),
    required=True,
)

PRODUCTS = Table(
    "products",
    "Ground products to make, one a row.",
    "product_id",
    (
        _id("product_id", "the plant's own name of the product"),
        _text("name", "as people call it", required=True),
        _words("species", "what it may be made of", "", choices=SPECIES, required=True),
        _share("target_lean", "chemical lean aimed at", required=True),
        _share("tolerance_below_share", "how far lean may fall below it", required=True),
        _share("tolerance_above_share", "how far lean may rise above it", required=True),
        _lb("min_lb", "finished pounds ordered, at least", required=True),
        _lb(
            "max_lb",
            "finished pounds wanted, at most",
            blank="no limit",
            caution_when_blank="Enter the most pounds wanted.",
        ),
        _lb("batch_lb", "finished pounds of a usual batch", minimum=1, required=True),
        _lb("blender_min_lb", "least finished pounds the blender takes", required=True),
        _lb("blender_max_lb", "most finished pounds it takes", minimum=1, required=True),
        _words(
            "standards",
            "standard_id of the standards it is labeled or bought under",
            caution_when_blank="No standard limits it. Name its standards if it has any.",
        ),
        _words("label_claims", "claims every lot in it must carry; capitals do not matter"),
        _usd(
            "shortage_penalty_usd_per_lb",
            "penalty of each pound short of min_lb",
            blank="it may not fall short",
            unit="USD per lb",
        ),
        _usd(
            "sale_usd_per_lb",
            "earned on each finished pound",
            default=_PRODUCT["sale_usd_per_lb"],
            unit="USD per lb",
        ),
    ),
    required=True,
)

RULES = Table(
    "rules",
    "What blends may hold, one rule a row; its kind tells which columns it uses.",
    "rule_id",
    (
        _id("rule_id", "the plant's own name of the rule"),
        _choice("kind", "what it asks", tuple(definitions()), required=True),
        _words("products", "product_id of those it governs", "all products"),
        _lots(
            "the lots it speaks of",
            caution_when_blank=_NAME_THE_LOTS,
            caution_in_row=_is_minimum_share,
        ),
        Column("against", Kind.SELECTOR, "for keep_apart: the lots kept from them", blank="none"),
        _share("min_share", "of the finished product, at least", blank="no limit"),
        _share("max_share", "of the finished product, at most", blank="no limit"),
        Column(
            "max_count",
            Kind.COUNT,
            "for max_lots: how many",
            blank="no limit",
            minimum=1,
            maximum=10_000,
        ),
        _lb("min_lb", "for must_use: at least this much", blank="all there is"),
        Column(
            "max_temp_f",
            Kind.NUMBER,
            "for warmth: no warmer than this going into the grinder, by the balance of heat",
            blank="no limit",
            unit="°F",
            minimum=0,
            maximum=60,
        ),
        _text("note", "why, for people", default=""),
    ),
)


@dataclass(frozen=True, slots=True)
class RuleColumns:
    """Which columns a kind of rule needs, needs one of, and may use beside them."""

    needs: tuple[str, ...] = ()
    needs_one_of: tuple[str, ...] = ()
    may_use: tuple[str, ...] = ()

    @property
    def used(self) -> tuple[str, ...]:
        return self.needs + self.needs_one_of + self.may_use


LOSSES = Table(
    "losses",
    "What a step takes from lots on the way to the finished product.",
    "loss_id",
    (
        _id("loss_id", "the plant's own name of the loss"),
        _text("step", "such as thaw, purge, trimming or grinding", required=True),
        _lots("the lots it concerns"),
        _words("products", "product_id of those it concerns", "all products"),
        # A step that takes everything leaves no product to have a share of.
        _share(
            "lean_loss_share",
            "of the lean that goes in",
            default=_LOSS["lean_loss_share"],
            maximum=0.99,
            caution_when_blank="No lean is lost in this step. Enter the loss, or 0.",
        ),
        _share(
            "fat_loss_share",
            "of the fat that goes in",
            default=_LOSS["fat_loss_share"],
            maximum=0.99,
            caution_when_blank="No fat is lost in this step. Enter the loss, or 0.",
        ),
        _text("source", "where the number is from", default=_LOSS["source"]),
    ),
)

SETTING_COLUMNS = {
    column.name: column
    for column in (
        Column("plan_on", Kind.DATE, "the day the plan is for", required=True),
        _text("plant", "the plant's name, for headings", default=_SETTINGS["plant"]),
        _choice(
            "whole_containers",
            "where containers must be whole",
            tuple(WholeContainers),
            default=_SETTINGS["whole_containers"],
            caution_when_blank="Combos and boxes can be split. Enter where they must stay whole.",
        ),
        _share(
            "gap_share",
            "distance from the bound at which a plan is good enough",
            default=_SETTINGS["gap_share"],
        ),
        Column(
            "time_limit_s",
            Kind.NUMBER,
            "how long to look for a better plan",
            default=_SETTINGS["time_limit_s"],
            unit="seconds",
            minimum=1,
            maximum=86_400,
        ),
    )
}
"""Each setting, described as a column is: its value's kind, unit and default."""

SETTINGS = Table(
    "settings",
    "How the case is planned, one setting a row.",
    "setting",
    (
        _choice("setting", "which setting", tuple(SETTING_COLUMNS), required=True),
        Column("value", Kind.SETTING, "its value", blank="the setting's own default"),
    ),
    required=True,
)

STANDARDS = Table(
    "standards",
    "Limits of published standards, beside those that come with blend.",
    "row_id",
    (
        _id("standard_id", "what products name it by"),
        _id("row_id", "name of this one limit"),
        _text("title", "what the limit is, in a few words", required=True),
        _text("section", "section of the published text", required=True),
        _choice("action", "refuse, warn of, or only show", tuple(Action), required=True),
        _choice(
            "kind",
            "as in rules",
            tuple(kind.name for kind in definitions().values() if kind.may_be_standard),
            blank="none, for a note only",
        ),
        _lots(
            "the lots it speaks of",
            caution_when_blank=_NAME_THE_LOTS,
            caution_in_row=_is_minimum_share,
        ),
        _share("min_share", "of the finished product, at least", blank="no limit"),
        _share("max_share", "of the finished product, at most", blank="no limit"),
        Column("effective_on", Kind.DATE, "since when it is in force", blank="not known"),
        Column("read_on", Kind.DATE, "when the text was last read", blank="never"),
        _choice(
            "verified",
            "read: the text was seen; memory: it must be confirmed",
            ("read", "memory"),
            required=True,
        ),
        _text("source", "document and where to find it", required=True),
        _text("note", "what else to mind", default=""),
    ),
)

TABLES: dict[str, Table] = {
    table.name: table for table in (LOTS, PRODUCTS, RULES, LOSSES, SETTINGS, STANDARDS)
}
"""Every table, in the order in which problems are told."""


# What was measured: read beside a case, and only by the commands that ask for it. ---------------

TESTS = Table(
    "tests",
    "Lean tests of lots, today's and past, one a row.",
    "test_id",
    (
        _id("test_id", "the plant's own name of the test"),
        _id("lot_id", "the lot tested, on today's sheet or long used"),
        Column("supplier", Kind.WORD, "who sold it", blank="as lots.csv says"),
        Column("tested_on", Kind.DATE, "day of the test", required=True),
        _id("method", "method_id of how it was tested"),
        Column(
            "samples",
            Kind.COUNT,
            "how many samples were mixed for it",
            required=True,
            minimum=1,
            maximum=10_000,
        ),
        _lb("sample_lb", "weight of one sample", minimum=0.001, blank="as the method says"),
        _share("tested_lean", "chemical lean as tested", required=True),
        _share("stated_lean", "as its seller stated it", blank="as lots.csv says"),
        _lb("taken_lb", "how much of the lot was taken", blank="not noted, so not counted"),
    ),
)

LEAN_TEST_METHODS = Table(
    "lean_test_methods",
    "How tests are made, beside the methods that come with blend; the same method_id overrides.",
    "method_id",
    (
        _id("method_id", "what tests name it by"),
        _text("title", "in a few words", required=True),
        _share("method_sd_share", "standard error of one test", required=True, minimum=0.0001),
        _share("sampling_sd_share", "of one sample against its lot", required=True),
        _lb("sampling_lb", "weight of such a sample", required=True, minimum=0.001),
        _choice("verified", "of method_sd_share", ("read", "memory", "own"), required=True),
        _text("source", "where method_sd_share is from", required=True),
        _choice(
            "sampling_verified", "of sampling_sd_share", ("read", "memory", "own"), required=True
        ),
        _text("sampling_source", "where sampling_sd_share is from", required=True),
        Column("read_on", Kind.DATE, "when the sources were last read", blank="not noted"),
        _text("note", "what else to mind", default=""),
    ),
)

BATCH_TESTS = Table(
    "batch_tests",
    "Lean tests of batches made, one batch a row; those of a day stand in the order made.",
    "batch_id",
    (
        _id("batch_id", "the plant's own name of the batch"),
        _id("product_id", "what it was"),
        Column("made_on", Kind.DATE, "day it was made", required=True),
        _share("target_lean", "lean aimed at", blank="as products.csv says"),
        Column(
            "tested_lean",
            Kind.SHARES,
            "lean as tested, each reading",
            required=True,
            unit="share of 1",
            minimum=0,
            maximum=1,
        ),
        _lb("pounds_lb", "finished pounds of the batch", required=True),
    ),
)

TEMPERATURES = Table(
    "temperatures",
    "How warm lots are when they go into the blender, one a row.",
    "lot_id",
    (
        _id("lot_id", "the lot, as in lots.csv"),
        Column(
            "temperature_f",
            Kind.NUMBER,
            "inside the meat, by thermometer",
            required=True,
            unit="°F",
            minimum=-60,
            maximum=110,
        ),
    ),
)

MAX_SD = 0.2
"""A standard deviation of twenty lean points is a slip of the hand."""

CONFIDENCE = Table(
    "confidence",
    "How surely batches are to test within their product's lean limits, one product a row.",
    "product_id",
    (
        _id("product_id", "the product, as in products.csv"),
        _share(
            "min_confidence",
            "probability that a batch tests within the limits spoken of",
            required=True,
            minimum=0.5,
            maximum=MAX_CONFIDENCE,
        ),
        _choice(
            "sides",
            "below: lean not under its least, that is fat not over its most; above: not over;"
            " both: neither",
            tuple(Sides),
            default=Sides.BELOW.value,
        ),
        _share(
            "mixing_sd_share",
            "uneven mixing, as a spread of lean",
            default=0.0,
            maximum=MAX_SD,
            caution_when_blank="Perfect mixing is assumed. Enter its spread, or 0.",
        ),
        _share(
            "test_error",
            "error of the test that judges the batch",
            default=0.0,
            maximum=MAX_SD,
            caution_when_blank="A perfect test is assumed. Enter its error, or 0.",
        ),
    ),
)

LEAN_SPREAD = Table(
    "lean_spread",
    "How far lots may be from the lean said of them, one lot a row, as standard deviations.",
    "lot_id",
    (
        _id("lot_id", "the lot, as in lots.csv"),
        _share(
            "standard_error_share",
            "of the lot's mean lean: 0.01 is one lean point",
            blank="as estimated from tests, with --lean estimated",
            maximum=MAX_SD,
        ),
        _share(
            "container_sd_share",
            "of its containers around that mean; of loose meat, of one batch's pounds",
            required=True,
            maximum=MAX_SD,
        ),
    ),
)

CONFIDENCE_TABLES: dict[str, Table] = {table.name: table for table in (CONFIDENCE, LEAN_SPREAD)}
"""What a plan that promises confidence needs beside the case."""

EVIDENCE_TABLES: dict[str, Table] = {
    table.name: table for table in (TESTS, LEAN_TEST_METHODS, BATCH_TESTS, TEMPERATURES)
}
"""What was measured; none of it is needed to plan."""


# The market: read by the trader's commands only. -----------------------------------------------

QUOTATIONS = Table(
    "quotations",
    "What items of trimmings were quoted at, one item of one day a row.",
    "",
    (
        Column("item", Kind.WORD, "what the trade calls it, such as 90s", required=True),
        _choice("species", "the animal it is of", SPECIES, required=True),
        _choice("fresh_or_frozen", "fresh, that is chilled, or frozen", FORMS, default="fresh"),
        _share("lean", "chemical lean it is quoted at", required=True, minimum=0.01),
        _usd("price", "as quoted", required=True),
        _choice("price_unit", "of price", tuple(USD_PER_LB_BY_PRICE_UNIT), required=True),
        _lb("pounds_lb", "weight behind the quotation", minimum=1, blank="not stated"),
        Column("quoted_on", Kind.DATE, "day of the quotation", required=True),
    ),
    required=True,
)
"""Its rows have no name: one item is quoted on many days."""


# Several days: read by the commands that plan them. ---------------------------------------------

ORDERS = Table(
    "orders",
    "Finished pounds wanted by day, one product and day a row.",
    "order_id",
    (
        _id("order_id", "the plant's own name of the order"),
        _id("product_id", "the product, as in products.csv"),
        Column("day", Kind.DATE, "the day it is made", required=True),
        _lb("min_lb", "finished pounds ordered, at least", required=True),
        _lb(
            "max_lb",
            "finished pounds wanted, at most",
            blank="no limit",
            caution_when_blank="Enter the most pounds wanted.",
        ),
        _usd(
            "shortage_penalty_usd_per_lb",
            "penalty of each pound short of min_lb",
            blank="as products.csv says",
            unit="USD per lb",
        ),
        _usd(
            "sale_usd_per_lb",
            "earned on each finished pound",
            blank="as products.csv says",
            unit="USD per lb",
        ),
    ),
    required=True,
)

FORWARD_OFFERS = Table(
    "forward_offers",
    "Prices for lots of lots.csv on later days: offers to buy from, and bids to sell on to.",
    "price_id",
    (
        _id("price_id", "the plant's own name of the offer or bid"),
        _choice(
            "side",
            "offer: the plant may buy; bid: it may sell on",
            tuple(Side),
            default=Side.OFFER,
        ),
        _id("lot_id", "the lot, as in lots.csv"),
        Column("day", Kind.DATE, "day it reaches the dock, or leaves it", required=True),
        _usd("price", "at the plant's dock, freight paid or taken off", required=True),
        _choice("price_unit", "of price", tuple(USD_PER_LB_BY_PRICE_UNIT), required=True),
        _lb(
            "quantity_lb",
            "how much is offered or wanted",
            blank="no limit stated",
            caution_when_blank="Enter the pounds offered or wanted.",
        ),
        Column(
            "use_by", Kind.DATE, "for an offer, last day of use", blank="as its cooler keeps it"
        ),
    ),
)

COOLERS = Table(
    "coolers",
    "Coolers and freezers that hold meat overnight; a lot goes in the one cooler that names it.",
    "cooler_id",
    (
        _id("cooler_id", "the plant's own name of the room"),
        _lots("the lots it keeps"),
        _lb(
            "capacity_lb",
            "most it holds overnight",
            blank="no limit",
            caution_when_blank="Enter the most it can hold.",
        ),
        _usd(
            "holding_usd_per_cwt_day",
            "cost of keeping a hundredweight one night",
            default=0.0,
            unit="USD per cwt",
            caution_when_blank="Enter what a night costs, or 0.",
        ),
        Column(
            "shelf_life_days",
            Kind.COUNT,
            "days from delivery, or freezing, to the last day of use",
            blank="no last day but a lot's own",
            minimum=0,
            maximum=3650,
        ),
        _lb("ending_inventory_lb", "what it must hold when the last day ends", default=0.0),
        Column("freezes", Kind.SELECTOR, "the fresh lots it may freeze", blank="none"),
        _lb(
            "freezer_max_lb",
            "most it freezes in a day",
            blank="no limit",
            caution_when_blank="Enter the most it can freeze in a day.",
            caution_in_row=_freezes,
        ),
        _usd(
            "freezing_usd_per_cwt",
            "cost of freezing",
            default=0.0,
            unit="USD per cwt",
            caution_when_blank="Enter what freezing costs, or 0.",
            caution_in_row=_freezes,
        ),
        _share(
            "freezing_lean_loss_share",
            "of the lean, lost in freezing",
            default=0.0,
            maximum=0.99,
            caution_when_blank="Enter the lean lost in freezing, or 0.",
            caution_in_row=_freezes,
        ),
        _share(
            "freezing_fat_loss_share",
            "of the fat, lost in freezing",
            default=0.0,
            maximum=0.99,
            caution_when_blank="Enter the fat lost in freezing, or 0.",
            caution_in_row=_freezes,
        ),
    ),
)

DAY_RULES = Table(
    "day_rules",
    "What a day may use, all products together; its kind tells which columns it uses.",
    "rule_id",
    (
        _id("rule_id", "the plant's own name of the rule"),
        _choice("kind", "what it asks", tuple(DayRuleKind), required=True),
        _lots("the lots it speaks of"),
        Column("against", Kind.SELECTOR, "for needs: the lots needed beside them", blank="none"),
        _lb("min_lb", "at least this much a day", blank="no limit"),
        _lb("max_lb", "at most this much a day", blank="no limit"),
        _text("note", "why, for people", default=""),
    ),
)

DAY_RULE_COLUMNS = {
    DayRuleKind.MAX_USED: RuleColumns(needs=("max_lb",), may_use=("lots",)),
    DayRuleKind.MIN_IF_USED: RuleColumns(needs=("min_lb",), may_use=("lots",)),
    DayRuleKind.NEEDS: RuleColumns(needs=("lots", "against", "min_lb")),
}
"""Beside rule_id, kind and note, which every rule may fill in."""

POSITION_TABLES: dict[str, Table] = {
    table.name: table for table in (ORDERS, FORWARD_OFFERS, COOLERS, DAY_RULES)
}
"""What a plan of several days needs beside the case."""


# Imports: read by `blend landed`. ---------------------------------------------------------------

FOREIGN_OFFERS = Table(
    "foreign_offers",
    "Offers of frozen meat from abroad, what their way costs, and the fresh meat beside them.",
    "offer_id",
    (
        _id("offer_id", "the plant's own name of the offer"),
        Column("item", Kind.WORD, "what the trade calls it, such as 90 CL", required=True),
        Column("origin", Kind.WORD, "the country; duty rests on it", required=True),
        _id("tariff_line", "eight digits it enters on within quota, such as 0202.30.50"),
        _share("lean", "chemical lean", required=True, minimum=0.01),
        _usd("price", "as offered, in its currency", required=True),
        Column("currency", Kind.WORD, "three letters, such as USD or AUD", required=True),
        _choice("price_per", "what weight the price is for", ("kg", "lb"), required=True),
        Column(
            "usd_per_currency",
            Kind.NUMBER,
            "USD for one of its currency",
            blank="1, for USD only",
            unit="USD",
            minimum=0.000001,
            maximum=1000,
        ),
        _choice("basis", "what the price covers", tuple(Basis), required=True),
        Column(
            "net_weight_kg",
            Kind.NUMBER,
            "of the whole customs entry",
            required=True,
            unit="kg",
            minimum=1,
            maximum=MAX_LB,
        ),
        Column("entry_on", Kind.DATE, "day of the customs entry", required=True),
        _choice("quota", "where its origin's quota stands that day", tuple(Quota), required=True),
        Column("by_sea", Kind.YES_NO, "yes: the harbor fee is due", default=True),
        _usd("ocean_freight_usd_per_cwt", "to the port", required=True, unit="USD per cwt"),
        _share("insurance_share", "of price and freight", required=True, maximum=0.2),
        _usd("duty_usd_per_kg", "own duty", blank="as import_rates has it", unit="USD per kg"),
        _share("duty_share", "own duty", blank="as import_rates has it", maximum=5),
        _share("surcharge_share", "own duty on top", blank="as import_rates has it", maximum=5),
        _usd(
            "assessment_usd_per_kg",
            "of the beef promotion order",
            blank="as import_rates has it",
            unit="USD per kg",
        ),
        _usd(
            "handling_usd_per_cwt",
            "inspection, import house and storage",
            required=True,
            unit="USD per cwt",
        ),
        _usd("inland_usd_per_cwt", "freight to the plant", required=True, unit="USD per cwt"),
        Column(
            "days_to_plant",
            Kind.COUNT,
            "from payment to use",
            required=True,
            unit="days",
            minimum=0,
            maximum=1000,
        ),
        _share("finance_share_per_year", "interest, in a year of 360 days", required=True),
        _share("thaw_lean_loss_share", "of the lean, lost in thawing", required=True, maximum=0.5),
        _usd("fresh_usd_per_cwt", "fresh meat beside it", required=True, unit="USD per cwt"),
        _share("fresh_lean", "chemical lean of the fresh meat", required=True),
        _usd(
            "point_usd_per_cwt",
            "what one lean point adds to a hundredweight (see blend value)",
            required=True,
            unit="USD per cwt",
        ),
        Column("lot_id", Kind.ID, "the lot of lots.csv that it prices", default="", blank="none"),
    ),
    required=True,
)

IMPORT_RATES = Table(
    "import_rates",
    "Rates of duty and fees, beside those that come with blend; the same rate_id overrides.",
    "rate_id",
    (
        _id("rate_id", "name of the rate"),
        _choice(
            "charge",
            "what it is for; mpf: merchandise processing fee, hmf: harbor maintenance fee",
            tuple(RateKind),
            required=True,
        ),
        Column(
            "value",
            Kind.NUMBER,
            "in its unit",
            blank="there is a rate, and it is not known: the offer must give it",
            unit="as unit says",
            minimum=0,
            maximum=MAX_LB,
        ),
        _choice("unit", "of value", tuple(RateUnit), required=True),
        Column("origin", Kind.WORD, "the country", default="", blank="any"),
        Column("tariff_line", Kind.ID, "digits that lines begin with", default="", blank="any"),
        Column("valid_from", Kind.DATE, "first day", blank="not known"),
        Column("valid_to", Kind.DATE, "last day", blank="none known"),
        _choice(
            "verified",
            "read at its source, in a restatement, or from memory",
            ("read", "restated", "memory", "own"),
            required=True,
        ),
        _text("source", "document", required=True),
        _text("note", "what else to mind", default=""),
    ),
)

IMPORT_TABLES: dict[str, Table] = {table.name: table for table in (FOREIGN_OFFERS, IMPORT_RATES)}
"""What imports are reckoned from; none of it is needed to plan."""


# Scenarios: read by `blend scenarios`. ----------------------------------------------------------

SCENARIOS = Table(
    "scenarios",
    "What may come: changes of named scenarios, and changes that are drawn by chance.",
    "row_id",
    (
        _id("row_id", "name of the change"),
        Column("scenario", Kind.WORD, "whose change it is, if fixed", default="", blank="none"),
        _choice("field", "what changes", tuple(ScenarioField), required=True),
        Column("lots", Kind.SELECTOR, "for price and quantity: which lots", blank="every lot"),
        _words("products", "for order: product_id of those ordered", "all products"),
        Column("currency", Kind.WORD, "for rate: as in foreign_offers", default="", blank="none"),
        _choice("change", "what is done with value", tuple(Change), required=True),
        Column(
            "value",
            Kind.NUMBER,
            "number or factor; likeliest, median or mean where it is drawn",
            required=True,
            unit="USD per cwt of a price, lb of a quantity or an order, USD of a rate",
            minimum=-MAX_LB,
            maximum=MAX_LB,
        ),
        _choice(
            "distribution", "how value is drawn", tuple(Distribution), default=Distribution.FIXED
        ),
        Column(
            "sd",
            Kind.NUMBER,
            "for normal and lognormal: standard deviation, of the logarithm for lognormal",
            blank="none",
            unit="as value, or share",
            minimum=0,
            maximum=MAX_LB,
        ),
        Column(
            "minimum",
            Kind.NUMBER,
            "drawn values are at least this",
            blank="no limit",
            unit="as value",
            minimum=-MAX_LB,
            maximum=MAX_LB,
        ),
        Column(
            "maximum",
            Kind.NUMBER,
            "drawn values are at most this",
            blank="no limit",
            unit="as value",
            minimum=-MAX_LB,
            maximum=MAX_LB,
        ),
        Column("correlated_with", Kind.ID, "row_id of a drawn row above", default="", blank="none"),
        Column(
            "correlation",
            Kind.NUMBER,
            "to the row it moves with",
            blank="none",
            unit="share",
            minimum=-1,
            maximum=1,
        ),
    ),
    required=True,
)


# The market's history: read by `blend store import`. ---------------------------------------------

_ITEM = _defaults(Item)
_ENTRY = _defaults(CanvassEntry)

MIN_USD_PER_CWT = 5.0
MAX_USD_PER_CWT = 5_000.0
"""Outside of them a price was meant by the pound, or in cents."""


def _usd_per_cwt(name: str, about: str, **more: Any) -> Column:
    return _usd(name, about, **{"unit": "USD per cwt", "maximum": MAX_USD_PER_CWT} | more)


ITEMS = Table(
    "items",
    "What is quoted, and on which terms, one item a row.",
    "item_id",
    (
        _id("item_id", "your own name of the item"),
        _text("name", "as it is printed", required=True),
        _choice("species", "the animal it is of", SPECIES, required=True),
        _share("lean", "chemical lean it is quoted at", required=True, minimum=0.01),
        _choice("fresh_or_frozen", "fresh, that is chilled, or frozen", FORMS, required=True),
        Column("origin", Kind.WORD, "domestic, or the country or group", required=True),
        _choice("basis", "what it is quoted on", PRICE_BASES, default=_ITEM["basis"]),
        Column(
            "delivered_within_days",
            Kind.COUNT,
            "later deliveries are another market",
            default=_ITEM["delivered_within_days"],
            unit="days",
            minimum=0,
            maximum=1000,
        ),
        _usd_per_cwt(
            "tick_usd_per_cwt",
            "step in which its prices are commonly named",
            default=_ITEM["tick_usd_per_cwt"],
            minimum=0.01,
            maximum=50,
        ),
        _usd_per_cwt(
            "point_usd_per_cwt",
            "what one lean point adds, to bring prices to its lean (see blend value)",
            blank="prices are brought to its lean by proportion",
            minimum=-100,
            maximum=100,
        ),
    ),
)

CANVASS = Table(
    "canvass",
    "What was heard in the canvass, as heard, one thing a row.",
    "entry_id",
    (
        _id("entry_id", "your own name of the entry"),
        Column("heard_at", Kind.TIME, "by your own clock, before any correction", required=True),
        Column("market_day", Kind.DATE, "day of the market it tells of", required=True),
        _choice("kind", "what was heard", tuple(EntryKind), required=True),
        _id("item_id", "the item, as in items"),
        _usd_per_cwt("usd_per_cwt", "price as told", required=True, minimum=MIN_USD_PER_CWT),
        _lb("pounds_lb", "weight, which a trade must state", minimum=1, blank="not stated"),
        Column("source", Kind.WORD, "the firm that told it; never printed", required=True),
        _choice("source_class", "what the firm is", SOURCE_CLASSES, required=True),
        _share("lean", "chemical lean", blank="the item's own", minimum=0.01),
        _choice("basis", "what the price covers", PRICE_BASES, default=_ENTRY["basis"]),
        _usd_per_cwt(
            "freight_usd_per_cwt",
            "from seller to buyer, where its basis is not the item's",
            blank="not told",
        ),
        Column(
            "delivered_within_days",
            Kind.COUNT,
            "latest delivery, in days from the market day",
            blank="within the item's own days",
            unit="days",
            minimum=0,
            maximum=1000,
        ),
        Column(
            "is_firm",
            Kind.YES_NO,
            "of a bid or offer: it could be hit or lifted",
            default=_ENTRY["is_firm"],
        ),
        Column(
            "between_affiliates",
            Kind.YES_NO,
            "seller and buyer belong together",
            default=_ENTRY["between_affiliates"],
        ),
        _text("note", "what else was said", default=_ENTRY["note"]),
        Column("corrects", Kind.ID, "entry_id whose place it takes", blank="none"),
        Column(
            "withdrawn",
            Kind.YES_NO,
            "yes: nothing takes the place of the entry it corrects",
            default=_ENTRY["withdrawn"],
        ),
    ),
)

VOLUMES = Table(
    "volumes",
    "Figures of volume series (availability, orders, slaughter, imports, stocks), one a row.",
    "",
    (
        _id("series_id", "your own name of the series"),
        Column("period_end", Kind.DATE, "last day of what is counted", required=True),
        Column("value", Kind.NUMBER, "in its unit", required=True, unit="as unit says", minimum=0),
        Column("unit", Kind.WORD, "such as lb, head or t", required=True),
        Column("item_id", Kind.ID, "the item, as in items", default="", blank="no single item"),
        Column("origin", Kind.WORD, "where it is from", default="", blank="not told apart"),
        Column(
            "corrects",
            Kind.DATE,
            "period_end again, where it takes the place of an earlier figure",
            blank="a first figure",
        ),
    ),
)

HISTORY_TABLES: dict[str, Table] = {table.name: table for table in (ITEMS, CANVASS, VOLUMES)}
"""What is imported into a store of the market's history, and exported from it."""


# The method of quotations: read by the commands that quote. --------------------------------------


def _ratio(name: str, about: str, **more: Any) -> Column:
    return Column(
        name,
        Kind.NUMBER,
        about,
        required=True,
        **{"unit": "share", "minimum": 0, "maximum": 1} | more,
    )


def _number_of(name: str, about: str, **more: Any) -> Column:
    return Column(
        name, Kind.COUNT, about, required=True, **{"minimum": 0, "maximum": 10_000} | more
    )


def _cuts(name: str, about: str) -> Column:
    return Column(name, Kind.SHARES, about, required=True, unit="share", minimum=0, maximum=100)


METHOD_COLUMNS = {
    column.name: column
    for column in (
        _text("version", "your own name of the method", required=True),
        _ratio("trade_weight", "of a concluded trade"),
        _ratio("bid_offer_weight", "of a firm bid and a firm offer together"),
        _ratio("other_weight", "of other information"),
        _ratio("affiliate_weight", "times the weight of its kind"),
        _number_of("min_trades", "trades that suffice", minimum=1),
        _lb("min_pounds_lb", "pounds traded that suffice", required=True),
        _number_of("min_firms", "firms whose trades suffice", minimum=1),
        _number_of("min_firms_if_thin", "firms below which nothing is quoted", minimum=1),
        _number_of(
            "min_firms_each_side",
            "companies bidding, and companies offering, to quote without trades",
            minimum=2,
        ),
        _ratio("max_firm_share", "share of one firm at which trades are concentrated"),
        _ratio("firm_weight_cap", "most that one firm bears of a quotation", minimum=0.01),
        _ratio("outlier_cut", "robust distance beyond which an entry is left out", maximum=100),
        _ratio("min_spread_ticks", "least median distance", unit="ticks", minimum=0.1, maximum=100),
        _ratio(
            "huber_k", "robust distance from which entries pull no harder", minimum=0.1, maximum=10
        ),
        _ratio("lean_within_share", "lean distance from the item's within which it is the item"),
        _number_of("late_days", "days after the market day that are still in time", unit="days"),
        _number_of("carried_days", "days for which a quotation is carried", unit="days"),
        _number_of("confident_firms", "firms from which confidence is high", minimum=1),
        _number_of("confidential_days", "days looked back on", unit="days", minimum=1),
        _number_of("confidential_firms", "firms that must report often", minimum=1),
        _ratio("confidential_time_share", "how often is often"),
        _ratio("confidential_max_share", "share of one firm that is too much"),
        _ratio("confidential_sole_share", "share of days with one firm that is too much"),
        _ratio("measurable_ticks", "move that counts as measurable", unit="ticks", maximum=10_000),
        _ratio("tone_level", "level of the tests of a move", minimum=0.001, maximum=0.5),
        _ratio("majority_share", "share of firms that is exceeded by a majority", minimum=0.5),
        _number_of("compare_within_days", "how far back a day to compare may be", unit="days"),
        _number_of("normal_days", "days that tell what is normal", unit="days", minimum=1),
        _number_of("normal_min_days", "days without which nothing is normal", minimum=1),
        _ratio("normal_min_count", "a day without which nothing is normal", unit="", maximum=1000),
        _cuts("demand_cuts", "where very light, light, moderate, good and very good part"),
        _cuts("offerings_cuts", "where light, moderate and heavy part"),
        _cuts("activity_cuts", "where inactive, slow, moderate and active part"),
    )
}
"""Each setting of a method, described as a column is."""

METHOD = Table(
    "quotation_method",
    "By which numbers a canvass becomes a quotation and a move a word, one a row.",
    "setting",
    (
        _choice("setting", "which setting", tuple(METHOD_COLUMNS), required=True),
        Column("value", Kind.SETTING, "its value", blank="the setting is missing"),
        _choice(
            "verified",
            "read at its source, from memory, or your own",
            ("read", "memory", "own"),
            required=True,
        ),
        _text("source", "where the number is from", required=True),
        _text("note", "what else to mind", default=""),
    ),
    required=True,
)


# The market as a whole: read beside a case by `blend clear` and `blend why`. --------------------

PRODUCT_DEMAND = Table(
    "product_demand",
    "What a whole market grinds, one product a row; lots are then the market's items, their price"
    " the quotation, their quantity what comes to market.",
    "product_id",
    (
        _id("product_id", "the product, as in products.csv"),
        _lb("volume_lb", "finished pounds ground of it", minimum=1, required=True),
        Column(
            "elasticity",
            Kind.NUMBER,
            "per cent that its volume changes when it becomes one per cent dearer; never assumed",
            required=True,
            unit="% per %",
            minimum=-100,
            maximum=-0.01,
        ),
    ),
    required=True,
)

MARKET_MOVES = Table(
    "market_moves",
    "Changes of a market to ask about, all made at once.",
    "row_id",
    (
        _id("row_id", "name of the change"),
        _choice("field", "what changes", tuple(MoveOf), required=True),
        Column("lots", Kind.SELECTOR, "for availability: which items", blank="every item"),
        _words("products", "for orders: product_id of those ordered", "all products"),
        Column("rule_id", Kind.ID, "for shares: the rule, as in rules.csv", blank="none"),
        _choice("change", "what is done with value", ("multiply", "set"), required=True),
        Column(
            "value",
            Kind.NUMBER,
            "factor, pounds or share",
            required=True,
            unit="lb, or share of 1",
            minimum=0,
            maximum=MAX_LB,
        ),
    ),
    required=True,
)

MARKET_TABLES: dict[str, Table] = {table.name: table for table in (PRODUCT_DEMAND, MARKET_MOVES)}
"""What turns a case into a market; none of it is needed to plan."""
