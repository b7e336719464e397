"""Published limits a product is held to when it is labeled or bought under them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from blend.domain.products import Product
from blend.domain.rules import Rule
from blend.domain.selectors import EVERY_LOT, Selector


class Action(StrEnum):
    REFUSE = "refuse"
    """The plan must keep to the limit; a product that cannot is refused."""
    WARN = "warn"
    """The plan is made without the limit, and a breach is told."""
    NOTE = "note"
    """A condition the tables cannot check; it is shown beside the plan."""


STALE_AFTER = timedelta(days=365)
"""Rules change. A row read longer ago than this earns a warning to read the current text."""


@dataclass(frozen=True, slots=True)
class StandardRow:
    """One limit of one published standard, with where and when it was read.

    `verified` is "read" when the text was seen, "memory" when it must be confirmed.
    """

    standard_id: str
    row_id: str
    title: str
    section: str
    action: Action
    kind: str | None
    lots: Selector = EVERY_LOT
    min_share: float | None = None
    max_share: float | None = None
    effective_on: date | None = None
    read_on: date | None = None
    verified: str = "read"
    source: str = ""
    note: str = ""

    def is_stale(self, day: date) -> bool:
        return self.read_on is None or day - self.read_on > STALE_AFTER

    def rule_for(self, product: Product) -> Rule | None:
        """The row as a rule on one product; None for a note."""
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
