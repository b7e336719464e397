"""A case: everything one plan is made from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from blend.domain import columns as col
from blend.domain.columns import record
from blend.domain.linear_constraints import LinearConstraint
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Loss, Rule, WholeContainers
from blend.domain.standards import Action, StandardRow
from blend.domain.uncertainty import MAX_CONFIDENCE

if TYPE_CHECKING:
    from pandas import DataFrame


@record("settings", "How to plan, one setting a row.", key="setting", required=True)
@dataclass(frozen=True, slots=True)
class Settings:
    """How one case is to be planned. `gap_share` is the distance from the bound at
    which a plan with whole containers is good enough."""

    plan_on: date = col.day("the day to plan")
    plant: str = col.text("the plant's name, for headings", default="")
    whole_containers: WholeContainers = col.choice(
        "where containers must be whole",
        WholeContainers,
        default=WholeContainers.NO,
        caution_when_blank="Combos and boxes can be split. Enter where they must stay whole.",
        example="taken",
    )
    gap_share: float = col.share(
        "how close to the cheapest plan is close enough, such as 0.1%", default=0.001
    )
    time_limit_s: float = col.number(
        "how long to look for a better plan", default=60.0, unit="seconds", between=(1, 86_400)
    )
    next_grind_on: date | None = col.day(
        "the next day of grinding: stock past its use-by before then expires today",
        blank="the day after plan_on",
    )
    confidence: float | None = col.share(
        "of batches that must test at or above their lean floor, such as 95%",
        blank="floors hold on average only: about half the batches test under",
        between=(0.5, MAX_CONFIDENCE),
        example="95%",
    )
    carrying_usd_per_lb_day: float = col.per_cwt(
        "cost of keeping stock a day: storage, interest, shrink", default=0.0
    )


@dataclass(frozen=True, slots=True)
class Case:
    """The day's tables. Lots, products and rules are held in the order of their ids, so
    that the order of rows in a sheet never changes a plan, ties included."""

    settings: Settings
    lots: tuple[Lot, ...]
    products: tuple[Product, ...]
    rules: tuple[Rule, ...] = ()
    losses: tuple[Loss, ...] = ()
    standards: tuple[StandardRow, ...] = ()
    constraints: tuple[LinearConstraint, ...] = ()
    """Linear constraints that the user adds to the tables."""
    _lot_by_id: dict[str, Lot] = field(init=False, repr=False, compare=False)
    _product_by_id: dict[str, Product] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "lots", tuple(sorted(self.lots, key=lambda lot: lot.lot_id)))
        put(self, "products", tuple(sorted(self.products, key=lambda p: p.product_id)))
        put(self, "rules", tuple(sorted(self.rules, key=lambda rule: rule.rule_id)))
        put(self, "losses", tuple(sorted(self.losses, key=lambda loss: loss.loss_id)))
        put(self, "_lot_by_id", {lot.lot_id: lot for lot in self.lots})
        put(self, "_product_by_id", {p.product_id: p for p in self.products})

    @classmethod
    def from_frames(
        cls,
        *,
        lots: DataFrame,
        products: DataFrame,
        settings: Mapping[str, Any] | DataFrame,
        rules: DataFrame | None = None,
        losses: DataFrame | None = None,
        standards: DataFrame | None = None,
    ) -> Case:
        """The case of DataFrames as `pandas.read_excel` or `pandas.read_csv` give them.

        Columns are those of the tables (`blend guide columns`), read as files are: shares as 90,
        90% or 0.90, tolerances in lean points, prices with their unit. `settings` may be a mapping
        such as `{"plan_on": "2026-11-25"}`. Raise InputRefused with every problem; cautions come
        as Python warnings.
        """
        from blend.tables.frames import case_from_frames

        frames = {
            "lots": lots,
            "products": products,
            "rules": rules,
            "losses": losses,
            "standards": standards,
        }
        return case_from_frames(frames, settings)

    def lot(self, lot_id: str) -> Lot:
        return self._lot_by_id[lot_id]

    def product(self, product_id: str) -> Product:
        return self._product_by_id[product_id]

    def with_constraints(self, constraints: Iterable[LinearConstraint]) -> Case:
        """The case with linear constraints added; the plan, its check, prices and the search for
        an infeasible subset all obey them."""
        return replace(self, constraints=(*self.constraints, *constraints))

    def divisible(self) -> Case:
        """The case without whole containers, so that all batches of a product are alike."""
        settings = replace(self.settings, whole_containers=WholeContainers.NO)
        return replace(self, settings=settings)

    def usable_lots(self) -> tuple[Lot, ...]:
        day = self.settings.plan_on
        return tuple(lot for lot in self.lots if lot.reason_unusable(day) is None)

    def standard_rows(self, product: Product) -> tuple[StandardRow, ...]:
        return tuple(row for row in self.standards if row.standard_id in product.standards)

    def binding_rules(self) -> tuple[Rule, ...]:
        """The plant's own rules and those that standards set for labeled products."""
        from_standards = [
            row.rule_for(product)
            for product in self.products
            for row in self.standard_rows(product)
            if row.action is Action.REFUSE
        ]
        return self.rules + tuple(rule for rule in from_standards if rule is not None)
