"""Lean, and every other analysis: the finished blend is within tolerance of its target.

What is balanced is pounds after losses: finished lean over finished lean and fat.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from blend.domain.analyses import ANALYSES, LEAN
from blend.domain.exact import exact, is_near
from blend.domain.plan import Check
from blend.domain.plan_pounds import Part, PlanPounds, Required
from blend.domain.products import Product
from blend.domain.requirements import Requirement

if TYPE_CHECKING:
    from blend.model.build import ModelBuilder


def add(model: ModelBuilder) -> None:
    sets, finished, use = model.sets, model.columns["finished"], model.columns["use"]
    for analysis in ANALYSES:
        per_lb = sets.kept[analysis.name]
        for blend, product in sets.blend_products():
            pairs = sets.pairs_of(blend)
            measured = (use[pairs], per_lb[pairs])
            minimum = analysis.target(product) - analysis.below(product)
            maximum = analysis.target(product) + analysis.above(product)
            model.rows.add(
                Requirement(analysis.min_class, product.product_id),
                [measured, (finished[blend], -minimum)],
                lower=0.0,
            )
            model.rows.add(
                Requirement(analysis.max_class, product.product_id),
                [measured, (finished[blend], -maximum)],
                upper=0.0,
            )


def check(plan: PlanPounds, product: Product) -> Iterator[Check]:
    for analysis in ANALYSES:
        target = exact(analysis.target(product))
        minimum = target - exact(analysis.below(product))
        maximum = target + exact(analysis.above(product))
        fault = _wrong_lean(plan, product) if analysis is LEAN else ""
        for required in (
            Required(Requirement(analysis.min_class, product.product_id), "share", minimum),
            Required(Requirement(analysis.max_class, product.product_id), "share", maximum=maximum),
        ):

            def kept(part: Part, name: str = analysis.name) -> Fraction:
                return part.kept_per_lb[name]

            yield plan.worst_share(product, required, kept, fault)


def _wrong_lean(plan: PlanPounds, product: Product) -> str:
    """Where the lean that the plan prints is not that of its pounds."""
    product_id = product.product_id
    for run, batch in zip(plan.runs[product_id], plan.batches[product_id], strict=True):
        if batch.finished.value:
            lean = batch.share(lambda part: part.lean_per_lb).value
            if not is_near(exact(run.lean), lean):
                return f"the plan states a lean share of {run.lean:.6g}, not {float(lean):.6g}"
    return ""
