"""Batches: the finished pounds can be run in batches that fill the blender."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from blend.domain.exact import exact, is_near
from blend.domain.plan import Check
from blend.domain.plan_pounds import PlanPounds, Required, lb_text
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import WholeContainers
from blend.model.rules.equal_recipe import check_one_recipe

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


def add(model: ModelBuilder) -> None:
    import numpy as np

    sets, finished = model.sets, model.columns["finished"]
    # a product blended as one runs any number of batches, a separate batch is run or not
    maximum = np.where(sets.blends.batch == 0, np.inf, 1.0)
    counts = model.columns.add(
        "batches", len(sets.blends), upper=maximum, whole=True, keys=sets.blend_keys
    )
    for blend, product in sets.blend_products():
        requirement = Requirement(ConstraintClass.BATCH_FILL, product.product_id)
        made, count = (finished[blend], 1.0), counts[blend]
        model.rows.add(requirement, [made, (count, -product.blender_min_lb)], lower=0.0)
        model.rows.add(requirement, [made, (count, -product.blender_max_lb)], upper=0.0)


def check(plan: PlanPounds, product: Product) -> Iterator[Check]:
    required = Required(
        Requirement(ConstraintClass.BATCH_FILL, product.product_id),
        "lb",
        minimum=exact(product.blender_min_lb),
        maximum=exact(product.blender_max_lb),
    )
    batches = plan.batches[product.product_id]
    if not batches:
        yield required.not_needed("none made")
        return
    fault = ""
    for run, batch in zip(plan.runs[product.product_id], batches, strict=True):
        if run.batches < 1:
            fault = f"a run of {run.batches} batches"
        elif not is_near(exact(run.finished_lb), batch.finished.value):
            fault = (
                f"the plan states a batch of {run.finished_lb:,.10g} lb, "
                f"not {lb_text(batch.finished.value)}"
            )
    yield required.check(*(batch.finished for batch in batches), fault=fault)


def check_recipe(plan: PlanPounds, product: Product) -> Iterator[Check]:
    """Batches share one recipe anyway unless each of them receives whole containers."""
    if plan.case.settings.whole_containers is not WholeContainers.PER_BATCH:
        yield check_one_recipe(plan, product)
