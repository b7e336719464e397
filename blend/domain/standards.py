"""Published limits of products sold or bought under a standard."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from blend.domain import columns as col
from blend.domain.columns import record
from blend.domain.products import Product
from blend.domain.rules import NAME_THE_LOTS, Rule, RuleKind, is_minimum_share, rule_kind
from blend.domain.selectors import EVERY_LOT, Selector


class Action(StrEnum):
    REFUSE = "refuse"
    """The plan must keep to the limit; a product that cannot is refused."""
    WARN = "warn"
    """The plan is made without the limit, and a breach is reported."""
    NOTE = "note"
    """A condition the tables cannot check; it is shown next to the plan."""


STALE_AFTER = timedelta(days=365)
"""Rules change. A row read longer ago than this earns a warning to read the current text."""


@record("standards", "Limits of published standards, added to the built-in ones.", key="row_id")
@dataclass(frozen=True, slots=True)
class StandardRow:
    """One limit of one published standard, with where and when it was read.

    `verified` is "read" when the text was seen, "memory" when it must be confirmed.
    """

    standard_id: str = col.identifier("the name products use for it")
    row_id: str = col.identifier("your own name for this limit")
    title: str = col.text("the limit in a few words")
    section: str = col.text("the section of the published text")
    action: Action = col.choice("refuse, warn, or note only", Action)
    kind: str | None = col.choice(
        "as in rules",
        (RuleKind.FAT, RuleKind.SHARE, RuleKind.MIN_IF_USED, RuleKind.MUST_NOT_USE),
        blank="none, for a note only",
        convert=lambda kind: kind and rule_kind(kind),
        default=col.MISSING,
    )
    lots: Selector = col.lots(
        "the lots it covers",
        default=EVERY_LOT,
        caution_when_blank=NAME_THE_LOTS,
        caution_in_row=is_minimum_share,
    )
    min_share: float | None = col.share("min share of the product, after losses", blank="no limit")
    max_share: float | None = col.share("max share of the product, after losses", blank="no limit")
    effective_on: date | None = col.day("first day in force", blank="not known")
    read_on: date | None = col.day("when the text was last read", blank="never")
    verified: str = col.choice(
        "read: the text was read; memory: check it first",
        ("read", "memory"),
        default="read",
        required=True,
    )
    source: str = col.text("the document and where to find it", default="", required=True)
    note: str = col.text("anything else to know", default="")

    def is_stale(self, day: date) -> bool:
        return self.read_on is None or day - self.read_on > STALE_AFTER

    def rule_for(self, product: Product) -> Rule | None:
        """The row turned into a rule for one product; None for a note."""
        if self.kind is None or self.action is Action.NOTE:
            return None
        return Rule(
            rule_id=f"{self.row_id} on {product.product_id}",
            kind=self.kind,
            products=(product.product_id,),
            lots=self.lots,
            min_share=self.min_share,
            max_share=self.max_share,
            source=self.section,
            note=self.title,
        )
