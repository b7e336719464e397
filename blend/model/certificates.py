"""An optimum as plain data: its certificate, which `blend.check` checks against the tables."""

from __future__ import annotations

import numpy as np

from blend.domain.certificates import Certificate, PlanPounds
from blend.model.arrays import Model
from blend.model.prices import dual_prices
from blend.model.solve import LinearPlan
from blend.model.solver import Answer


def certificate(model: Model, answer: Answer) -> Certificate:
    """The pounds and the dual prices of an optimum of a linear program."""
    plan = LinearPlan(model, answer)
    return Certificate(
        PlanPounds(plan.take_lb, plan.use_lb, _short_lb(model, answer.x)), dual_prices(plan)
    )


def _short_lb(model: Model, x: np.ndarray) -> dict[str, float]:
    products = [p for p in model.sets.products if p.shortage_penalty_usd_per_lb is not None]
    return {
        product.product_id: lb
        for product, lb in zip(products, x[model.names["short"]].tolist(), strict=True)
        if lb > 0
    }
