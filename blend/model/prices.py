"""The linear program's dual prices under the trade's names, for the certificate."""

from __future__ import annotations

from collections.abc import Callable

from blend.domain.prices import DualPrices
from blend.domain.requirements import ConstraintClass, Requirement
from blend.model.solve import LinearPlan

_AT_MAX = {
    ConstraintClass.VOLUME_MAX,
    ConstraintClass.LEAN_MAX,
    ConstraintClass.SHARE_MAX,
    ConstraintClass.FAT_MAX,
    ConstraintClass.MAX_TEMP,
}


def dual_prices(plan: LinearPlan) -> DualPrices:
    """Name the dual prices of an optimum; each is what easing its requirement by 1 lb saves.

    A finished price is that of the order where it binds, minus that of the most volume.
    """
    saved = {
        requirement: -float(dual) if requirement.constraint_class in _AT_MAX else float(dual)
        for requirement, dual in zip(plan.model.requirements, plan.answer.row_dual, strict=True)
    }

    def by(constraint_class: ConstraintClass, key: Callable[[Requirement], object]) -> dict:
        return {
            key(r): max(0.0, usd)
            for r, usd in saved.items()
            if r.constraint_class is constraint_class
        }

    def rule_id(requirement: Requirement) -> str:
        return requirement.rule_id

    added = {
        r.rule_id: usd for r, usd in saved.items() if r.constraint_class == ConstraintClass.ADDED
    }

    def product(requirement: Requirement) -> str:
        return requirement.product_id

    def rule_and_product(requirement: Requirement) -> tuple[str, str]:
        return requirement.rule_id, requirement.product_id

    finished = {
        p.product_id: saved.get(Requirement(ConstraintClass.VOLUME_MIN, p.product_id), 0.0)
        - saved.get(Requirement(ConstraintClass.VOLUME_MAX, p.product_id), 0.0)
        for p in plan.model.sets.products
    }
    return DualPrices(
        finished=finished,
        lean_min=by(ConstraintClass.LEAN_MIN, product),
        lean_max=by(ConstraintClass.LEAN_MAX, product),
        share_min=by(ConstraintClass.SHARE_MIN, rule_and_product),
        share_max=by(ConstraintClass.SHARE_MAX, rule_and_product),
        fat_min=by(ConstraintClass.FAT_MIN, rule_and_product),
        fat_max=by(ConstraintClass.FAT_MAX, rule_and_product),
        temperature=by(ConstraintClass.MAX_TEMP, rule_and_product),
        must_use=by(ConstraintClass.MUST_USE, rule_id),
        added_min=by(ConstraintClass.ADDED, rule_id),
        added_max={name: max(0.0, -usd) for name, usd in added.items()},
    )
