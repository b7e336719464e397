"""Species and programs: a product holds only lots that it may. The model leaves the other pairs
of lot and product out of its index sets, so there are no rows."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from blend.domain.exact import reason_barred
from blend.domain.plan import Check
from blend.domain.plan_pounds import Measured, PlanPounds, Required
from blend.domain.products import Product
from blend.domain.requirements import ConstraintClass, Requirement


def check(plan: PlanPounds, product: Product) -> Iterator[Check]:
    day = plan.case.settings.plan_on
    barred = [
        (part, reason)
        for part in plan.totals[product.product_id].parts
        if part.pounds and (reason := reason_barred(part.lot, product, day))
    ]
    requirement = Requirement(ConstraintClass.MAY_HOLD, product.product_id)
    yield Required(requirement, "lb", maximum=Fraction(0)).check(
        Measured(
            sum((part.pounds for part, _ in barred), Fraction(0)),
            note="; ".join(f"lot {part.lot.lot_id}: {reason}" for part, reason in barred),
        )
    )
