"""Whole containers: combos, boxes and blocks are not broken where the plant says so."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from blend.domain.case import Case
from blend.domain.exact import exact
from blend.domain.lots import Lot
from blend.domain.plan import Check, Ingredient, Take
from blend.domain.plan_pounds import (
    Measured,
    PlanPounds,
    Required,
    is_packed,
    keeps_whole,
    lb_text,
    pounds_of,
)
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import WholeContainers

if TYPE_CHECKING:
    import numpy as np

    from blend.model.build import ModelBuilder


def add(model: ModelBuilder) -> None:
    import numpy as np

    sets = model.sets
    where = sets.case.settings.whole_containers
    if where is WholeContainers.NO:
        return
    container_lb = sets.container_lb
    lots = np.flatnonzero(container_lb)
    counts = model.columns.add(
        "containers_taken", len(lots), whole=True, keys=lambda: sets.lot_keys(lots)
    )
    _add_whole(model, model.columns["take"][lots], counts, lots)
    if where is not WholeContainers.TAKEN:
        pairs = np.flatnonzero(container_lb[sets.pair_lot])
        counts = model.columns.add(
            "containers_used", len(pairs), whole=True, keys=lambda: sets.pair_keys(pairs)
        )
        _add_whole(model, model.columns["use"][pairs], counts, sets.pair_lot[pairs])


def _add_whole(
    model: ModelBuilder, pounds: np.ndarray, counts: np.ndarray, lots: np.ndarray
) -> None:
    import numpy as np

    sets, within = model.sets, np.arange(len(pounds))
    model.rows.add_block(
        [
            Requirement(ConstraintClass.WHOLE_CONTAINERS, lot_id=sets.lots[lot].lot_id)
            for lot in lots
        ],
        [(within, pounds, 1.0), (within, counts, -sets.container_lb[lots])],
        lower=0.0,
        upper=0.0,
    )


def check_used(plan: PlanPounds, product: Product) -> Iterator[Check]:
    """Pounds of a packed lot in the product, or in each batch, are whole containers.

    Where the product as a whole receives them, its batches share them in whole pounds, so
    rounding can move their sum.
    """
    where = plan.case.settings.whole_containers
    total, batches = plan.totals[product.product_id], plan.batches[product.product_id]
    if where is WholeContainers.PER_PRODUCT:
        blends = [total]
    elif where is WholeContainers.PER_BATCH:
        blends = batches
    else:
        return
    for lot in (part.lot for part in total.parts if is_packed(part.lot)):
        ingredients = (
            ingredient
            for run in plan.runs[product.product_id]
            for ingredient in run.ingredients
            if ingredient.lot_id == lot.lot_id
        )
        yield _check_whole(
            lot,
            Requirement(ConstraintClass.WHOLE_CONTAINERS, product.product_id, lot.lot_id),
            [
                Measured(part.pounds, part.slack_lb, blend.note)
                for blend in blends
                for part in blend.parts
                if part.lot is lot
            ],
            _wrong_count(plan.case, lot, ingredients),
        )


def check_taken(plan: PlanPounds, lot: Lot) -> Iterator[Check]:
    if keeps_whole(plan.case, lot):
        yield _check_whole(
            lot,
            Requirement(ConstraintClass.WHOLE_CONTAINERS, lot_id=lot.lot_id),
            [Measured(plan.taken_lb[lot.lot_id])],
            _wrong_count(plan.case, lot, plan.takes[lot.lot_id]),
        )


def _check_whole(
    lot: Lot, requirement: Requirement, pounds: Iterable[Measured], fault: str
) -> Check:
    """The check of the value that is farthest from whole containers."""
    one_lb = exact(lot.container_lb)
    counts = [Measured(p.value / one_lb, p.allowance / one_lb, p.note) for p in pounds]
    worst = max(counts, key=lambda count: abs(count.value - round(count.value)))
    whole = Fraction(round(worst.value))
    required = Required(requirement, "containers", minimum=whole, maximum=whole)
    return required.check(worst, fault=fault)


def _wrong_count(case: Case, lot: Lot, stated: Iterable[Take | Ingredient]) -> str:
    for each in stated:
        pounds = pounds_of(case, lot, each.pounds_lb)
        if each.containers is not None and each.containers * exact(lot.container_lb) != pounds:
            return f"the plan states {each.containers} containers for {lb_text(pounds)}"
    return ""
