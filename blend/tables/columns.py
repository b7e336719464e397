"""Every table, from the records of `blend.domain` that declare their columns."""

from __future__ import annotations

from dataclasses import dataclass, replace

from blend.domain.book import BidOffer, BookRate, CorrelatedPair, Deal, Limit, StressMove
from blend.domain.case import Settings
from blend.domain.clearing import Demand, MarketMove
from blend.domain.columns import Column, Kind, Table, columns_of, table_of
from blend.domain.customers import CustomerRow
from blend.domain.evidence import VERIFIED, BatchTest, LeanMethod, LeanTest, LotTemperature
from blend.domain.ground import CountedLot, GroundLine
from blend.domain.horizon import Cooler, DayRule, DayRuleKind, ForwardPrice, Order
from blend.domain.imports import ForeignOffer, ImportRate
from blend.domain.lots import Lot
from blend.domain.market import CanvassEntry, Item, Volume
from blend.domain.method import Method
from blend.domain.products import Product
from blend.domain.quotations import Quotation
from blend.domain.rules import Loss, Rule
from blend.domain.scenarios import ScenarioRow
from blend.domain.standards import StandardRow
from blend.domain.uncertainty import ChanceConstraint, LeanUncertainty
from blend.model.rules import definitions


def _tables(*records: type) -> dict[str, Table]:
    return {table.name: table for table in map(table_of, records)}


# Settings are one a row: the columns of their record say how each value is read.

SETTING_COLUMNS = {each.name: each for each in columns_of(Settings)}
METHOD_COLUMNS = {each.name: each for each in columns_of(Method)}


def _rows_of_settings(kind: type, *more: Column) -> Table:
    table = table_of(kind)
    names = tuple(each.name for each in table.columns)
    setting = Column("setting", Kind.CHOICE, "which setting", required=True, choices=names)
    value = Column("value", Kind.SETTING, "its value", blank="the setting's own default")
    return Table(table.name, table.about, "setting", (setting, value, *more), table.required)


SETTINGS = _rows_of_settings(Settings)
METHOD = _rows_of_settings(
    Method,
    Column(
        "verified",
        Kind.CHOICE,
        "read at its source, from memory, or your own",
        required=True,
        choices=VERIFIED,
    ),
    Column("source", Kind.TEXT, "where the number is from", required=True),
    Column("note", Kind.TEXT, "anything else to know", default=""),
)


def _with_kinds(table: Table, names: tuple[str, ...]) -> Table:
    """The table, its column `kind` with the kinds of rule that there are."""
    columns = (
        replace(each, choices=names) if each.name == "kind" else each for each in table.columns
    )
    return replace(table, columns=tuple(columns))


RULES = _with_kinds(table_of(Rule), tuple(definitions()))
STANDARDS = _with_kinds(
    table_of(StandardRow),
    tuple(kind.name for kind in definitions().values() if kind.may_be_standard),
)

TABLES = {
    **_tables(Lot, Product),
    RULES.name: RULES,
    **_tables(Loss),
    SETTINGS.name: SETTINGS,
    STANDARDS.name: STANDARDS,
}
"""What a plan is made from, in the order in which problems are listed."""

EVIDENCE_TABLES = _tables(LeanTest, LeanMethod, BatchTest, LotTemperature)
"""What was measured; not needed to plan."""
CONFIDENCE_TABLES = _tables(ChanceConstraint, LeanUncertainty)
POSITION_TABLES = _tables(Order, ForwardPrice, Cooler, DayRule)
IMPORT_TABLES = _tables(ForeignOffer, ImportRate)
MARKET_TABLES = _tables(Demand, MarketMove)
HISTORY_TABLES = _tables(Item, CanvassEntry, Volume)
"""What is imported into a store of the market's history, and exported from it."""

DEALS, BIDS_OFFERS = table_of(Deal), table_of(BidOffer)
BOOK_TABLES = _tables(Deal, BidOffer, BookRate, Limit)
STRESS, CORRELATIONS = table_of(StressMove), table_of(CorrelatedPair)
CUSTOMERS = table_of(CustomerRow)
GROUND, INVENTORY = table_of(GroundLine), table_of(CountedLot)
TEMPERATURES = table_of(LotTemperature)
QUOTATIONS, SCENARIOS = table_of(Quotation), table_of(ScenarioRow)
LEAN_TEST_METHODS, IMPORT_RATES = table_of(LeanMethod), table_of(ImportRate)
PRODUCT_DEMAND, MARKET_MOVES = table_of(Demand), table_of(MarketMove)

EVERY_TABLE: dict[str, Table] = {
    **TABLES,
    **EVIDENCE_TABLES,
    **CONFIDENCE_TABLES,
    QUOTATIONS.name: QUOTATIONS,
    **POSITION_TABLES,
    **IMPORT_TABLES,
    SCENARIOS.name: SCENARIOS,
    **MARKET_TABLES,
    **HISTORY_TABLES,
    **BOOK_TABLES,
    STRESS.name: STRESS,
    CORRELATIONS.name: CORRELATIONS,
    CUSTOMERS.name: CUSTOMERS,
    GROUND.name: GROUND,
    INVENTORY.name: INVENTORY,
}
"""Those of a plan first; the others are read by the commands that need them."""


# Which columns apply to which kind of row -------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Uses:
    """Columns that one kind of row needs, needs one of, and may use as well."""

    needs: tuple[str, ...] = ()
    needs_one_of: tuple[str, ...] = ()
    may_use: tuple[str, ...] = ()

    @property
    def used_columns(self) -> tuple[str, ...]:
        return self.needs + self.needs_one_of + self.may_use


DAY_RULE_COLUMNS = {
    DayRuleKind.MAX_USED: Uses(needs=("max_lb",), may_use=("lots",)),
    DayRuleKind.MIN_IF_USED: Uses(needs=("min_lb",), may_use=("lots",)),
    DayRuleKind.NEEDS: Uses(needs=("lots", "against", "min_lb")),
}
"""Besides rule_id, kind and note, which every rule may fill in."""
