"""The linear programme's dual prices under the trade's names, for the proof to hold them."""

from __future__ import annotations

from collections.abc import Callable

from blend.core.solve import LinearPlan
from blend.domain.prices import DualPrices
from blend.domain.requirements import Family, Requirement

_AT_MOST = {
    Family.VOLUME_MOST,
    Family.LEAN_MOST,
    Family.SHARE_MOST,
    Family.FAT_MOST,
    Family.WARMTH,
}


def dual_prices(plan: LinearPlan) -> DualPrices:
    """Name the dual prices of an optimum; each is what easing its requirement by 1 lb saves.

    A finished price is that of the order where it binds, minus that of the most volume.
    """
    saved = {
        requirement: -float(dual) if requirement.family in _AT_MOST else float(dual)
        for requirement, dual in zip(plan.programme.requirements, plan.answer.row_dual, strict=True)
    }

    def by(family: Family, key: Callable[[Requirement], object]) -> dict:
        return {key(r): max(0.0, usd) for r, usd in saved.items() if r.family is family}

    def product(requirement: Requirement) -> str:
        return requirement.product_id

    def rule_and_product(requirement: Requirement) -> tuple[str, str]:
        return requirement.rule_id, requirement.product_id

    finished = {
        p.product_id: saved.get(Requirement(Family.VOLUME_LEAST, p.product_id), 0.0)
        - saved.get(Requirement(Family.VOLUME_MOST, p.product_id), 0.0)
        for p in plan.programme.layout.products
    }
    return DualPrices(
        finished=finished,
        lean_least=by(Family.LEAN_LEAST, product),
        lean_most=by(Family.LEAN_MOST, product),
        share_least=by(Family.SHARE_LEAST, rule_and_product),
        share_most=by(Family.SHARE_MOST, rule_and_product),
        fat_least=by(Family.FAT_LEAST, rule_and_product),
        fat_most=by(Family.FAT_MOST, rule_and_product),
        warmth=by(Family.WARMTH, rule_and_product),
        must_use=by(Family.MUST_USE, lambda requirement: requirement.rule_id),
    )
