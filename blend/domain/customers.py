"""Customers of a trader: a plan sheet they share, a product they make, or what they pay."""

from __future__ import annotations

from dataclasses import dataclass

from blend.domain import columns as col
from blend.domain.columns import LEAN, record


@record(
    "customers", "Customers for an item: a plan folder, a product, or what they pay.", required=True
)
@dataclass(frozen=True, slots=True)
class CustomerRow:
    """One customer's demand for one item. Several rows of a customer without a plan add up.

    With a plan folder, `lot_id` is the row of their sheet that the item replaces, and their
    day is taken `days` times.
    """

    customer: str = col.word(
        "who it is; never shown on another customer's offer sheet", example="Grinder A"
    )
    item_id: str = col.word("the item they would buy", example="90 CL")
    freight_usd_per_cwt: float = col.money("your freight to them", "USD per cwt", example="2.50")
    plan_folder: str = col.text("folder of their sheet, from this table's", default="")
    lot_id: str = col.identifier("with a plan: the lot your meat replaces", default="")
    days: int = col.count(
        "with a plan: days like this one that you supply", default=1, between=(1, 60), unit="days"
    )
    takes_lb: float | None = col.pounds(
        "without a plan: most they take at pays_usd_per_cwt",
        minimum=1,
        blank="as the plan says",
        example="2 loads",
    )
    pays_usd_per_cwt: float | None = col.money(
        "without a plan: most they pay delivered",
        "USD per cwt",
        blank="as the plan says",
        example="325",
    )
    makes_lean: float | None = col.share(
        "without a plan: lean of a product they make",
        unit=LEAN,
        minimum=0.01,
        blank="as takes_lb says",
    )
    makes_lb: float | None = col.pounds(
        "pounds they make of it", minimum=1, blank="as takes_lb says"
    )
    max_loads: int = col.count("most loads you would sell them", default=10, between=(1, 200))
