"""What one kind of rule declares. A kind is one file of this package that ends in
`RULE = ItsDefinition()`.

The rows of the model and the check of a finished plan are written apart: `rows` sees the index
sets and matrix columns, `check` only the tables and the plan's exact pounds. They share no code,
so a mistake would have to be made twice to go unnoticed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from blend.domain.plan import Check, Step
from blend.domain.plan_pounds import PlanPounds
from blend.domain.products import Product
from blend.domain.requirements import Requirement
from blend.domain.rules import Rule
from blend.domain.selectors import Selector

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


class Measure(StrEnum):
    """The unit of a row of the model, in which it is relaxed."""

    SHARE = "share"
    """Pounds, against a share of one product's pounds after losses."""
    POUNDS = "lb"
    COUNT = "count"
    HEAT = "Btu/lb"
    """Btu, against the pounds put into one product."""
    NONE = "none"
    """It holds or it does not: it can only be dropped."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit that a rule of a kind sets, with its words.

    `phrase` and `change` are filled in by `blend.phrases`: {product}, {products}, {meat}, {against}
    and the rule's own columns, formatted; in `change` also {was}, {becomes} and {less}.
    """

    constraint_class: str
    heading: str
    phrase: str
    measure: Measure = Measure.NONE
    column: str = ""
    """Column of the rule that holds the limit."""
    is_min: bool = False
    change: str = ""
    """How to relax it; blank where it can only be dropped."""
    step: Step = Step.CWT
    """What its shadow price is quoted per."""

    def of(self, rule: Rule, product: Product | None = None) -> Requirement:
        product_id = "" if product is None else product.product_id
        return Requirement(self.constraint_class, product_id, rule_id=rule.rule_id)

    def bound(self, value: float) -> dict[str, float]:
        """The bound of a row on the side that the limit is on."""
        return {"lower" if self.is_min else "upper": value}


class RuleDefinition:
    """Everything about one kind of rule."""

    name: str
    limits: tuple[Limit, ...]
    needs: tuple[str, ...] = ()
    """Columns of rules.csv that it needs; every rule also has rule_id, kind, products, note."""
    needs_one_of: tuple[str, ...] = ()
    may_use: tuple[str, ...] = ()
    may_be_standard: bool = False
    """Whether a published standard can set a rule of this kind."""
    is_whole: bool = False
    """Whether it needs whole numbers, so that the LP relaxation leaves it out."""
    spans_products: bool = False
    """Whether it is one requirement over all its products together."""

    holds_for_each_batch: bool = True
    """Whether it limits what any one batch holds, so that adjusting a batch has to keep it."""

    def switched(self, rule: Rule) -> tuple[Selector, ...]:
        """Lots that need a 0-1 column that is 1 when any of the lot is used."""
        return ()

    def excluded(self, rule: Rule) -> Selector | None:
        """Lots that may not go into the rule's products at all, which needs no row."""
        return None

    def rows(self, rule: Rule, model: ModelBuilder) -> None:
        """Add the rule's rows to the model."""

    def check(self, rule: Rule, plan: PlanPounds) -> Iterator[Check]:
        """Check a finished plan, from its exact pounds alone."""
        raise NotImplementedError

    def limits_set(self, rule: Rule) -> list[tuple[Limit, float]]:
        """The limits whose column the rule fills in, with their values."""
        values = [(limit, getattr(rule, limit.column)) for limit in self.limits if limit.column]
        return [(limit, value) for limit, value in values if value is not None]

    @property
    def used_columns(self) -> tuple[str, ...]:
        return self.needs + self.needs_one_of + self.may_use
