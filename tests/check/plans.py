"""Plans written by hand, to be checked against their case."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from blend.check.check import check_plan, count_money
from blend.domain.case import Case, Settings
from blend.domain.lots import Lot
from blend.domain.plan import BatchRun, Check, Ingredient, Money, Take
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import WholeContainers, kept_per_lb
from tests.published.cases import DAY

Recipe = Mapping[str, float]
"""Pounds by lot id, for one batch."""


@dataclass(frozen=True)
class PaperPlan:
    case: Case
    takes: tuple[Take, ...]
    runs: tuple[BatchRun, ...]
    shortage_lb: Mapping[str, float]

    def checks(self) -> tuple[Check, ...]:
        return check_plan(self.case, self.takes, self.runs, self.shortage_lb)

    def money(self) -> Money:
        return count_money(self.case, self.takes, self.runs, self.shortage_lb)

    def check(self, constraint_class: ConstraintClass, **key: str) -> Check:
        """The one check of a constraint class, picked by `product_id`, `lot_id` or `rule_id`."""
        (found,) = (
            check
            for check in self.checks()
            if check.requirement.constraint_class is constraint_class
            and all(getattr(check.requirement, name) == value for name, value in key.items())
        )
        return found

    def with_take(self, **changes: Any) -> PaperPlan:
        """The plan with its first take restated."""
        return replace(self, takes=(replace(self.takes[0], **changes), *self.takes[1:]))

    def with_run(self, **changes: Any) -> PaperPlan:
        """The plan with its first run restated."""
        return replace(self, runs=(replace(self.runs[0], **changes), *self.runs[1:]))


def write_plan(
    case: Case,
    runs: Sequence[tuple[str, int, Recipe]],
    takes: Recipe | None = None,
    short: Mapping[str, float] | None = None,
) -> PaperPlan:
    """A plan of (product id, batches, recipe) runs that states its own figures rightly.

    `takes` are the pounds taken where they differ from those used.
    """
    made = tuple(_run(case, product_id, batches, recipe) for product_id, batches, recipe in runs)
    used: dict[str, float] = {}
    for _, batches, recipe in runs:
        for lot_id, pounds in recipe.items():
            used[lot_id] = used.get(lot_id, 0.0) + batches * pounds
    taken = used | dict(takes or {})
    return PaperPlan(
        case,
        tuple(
            Take(lot_id, pounds, _containers(case, case.lot(lot_id), pounds), used.get(lot_id, 0.0))
            for lot_id, pounds in taken.items()
        ),
        made,
        short or {},
    )


def _run(case: Case, product_id: str, batches: int, recipe: Recipe) -> BatchRun:
    product = case.product(product_id)
    kept = [
        [pounds * each for each in kept_per_lb(case.lot(lot_id), product, case.losses)]
        for lot_id, pounds in recipe.items()
    ]
    lean, fat = (sum(column) for column in zip(*kept, strict=True))
    ingredients = tuple(
        Ingredient(lot_id, pounds, _containers(case, case.lot(lot_id), pounds))
        for lot_id, pounds in recipe.items()
    )
    return BatchRun(product_id, batches, ingredients, lean + fat, lean / (lean + fat))


def _containers(case: Case, lot: Lot, pounds: float) -> int | None:
    """The count, where containers are whole and these pounds are."""
    if case.settings.whole_containers is WholeContainers.NO or lot.container_lb is None:
        return None
    count = round(pounds / lot.container_lb)
    return count if abs(count * lot.container_lb - pounds) < 1e-6 else None


def whole(where: WholeContainers) -> Settings:
    return Settings(plan_on=DAY, whole_containers=where)


def easy_product(product_id: str = "ground", **more: Any) -> Product:
    """Beef at 80 lean give or take one point, two batches of about 1,000 lb."""
    return Product(
        **{
            "product_id": product_id,
            "name": product_id,
            "species": frozenset({"beef"}),
            "target_lean": 0.80,
            "tolerance_below_share": 0.01,
            "tolerance_above_share": 0.01,
            "min_lb": 2_000.0,
            "max_lb": 2_100.0,
            "batch_lb": 1_000.0,
            "blender_min_lb": 900.0,
            "blender_max_lb": 1_100.0,
        }
        | more
    )
