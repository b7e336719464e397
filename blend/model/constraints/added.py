"""Linear constraints that the user adds, from Python or from an LP file."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from blend.domain.exact import exact
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.plan import Check
from blend.domain.plan_pounds import ROUNDING_LB, Measured, PlanPounds, Required, keeps_whole
from blend.domain.requirements import ConstraintClass, Requirement

if TYPE_CHECKING:
    import numpy as np

    from blend.model.build import ModelBuilder


def add(model: ModelBuilder) -> None:
    import numpy as np

    for constraint in model.sets.case.constraints:
        model.rows.add(
            Requirement(ConstraintClass.ADDED, rule_id=constraint.name),
            [(_columns(model, term), term.coefficient) for term in constraint.terms],
            lower=-np.inf if constraint.minimum is None else constraint.minimum,
            upper=np.inf if constraint.maximum is None else constraint.maximum,
        )


def _columns(model: ModelBuilder, term: Term) -> np.ndarray:
    """The columns of a term's pounds; none where they can only be zero today."""
    import numpy as np

    sets, columns = model.sets, model.columns
    product = sets.product_index.get(term.product_id, -1)
    if term.pounds is Pounds.USE:
        lot = sets.lot_index.get(term.lot_id, -1)
        is_meant = (sets.pair_lot == lot) & (sets.blends.product[sets.pair_blend] == product)
        return columns["use"][is_meant]
    if term.pounds is Pounds.TAKE:
        lot = sets.lot_index.get(term.lot_id, -1)
        return columns["take"][[lot] if lot >= 0 else []]
    if term.pounds is Pounds.FINISHED:
        return columns["finished"][sets.blends_of(product)]
    may_be_short = [p for p in sets.products if p.shortage_penalty_usd_per_lb is not None]
    is_short = np.array([p.product_id == term.product_id for p in may_be_short], bool)
    return columns["short"][is_short]


def check(plan: PlanPounds) -> Iterator[Check]:
    for constraint in plan.case.constraints:
        yield Required(
            Requirement(ConstraintClass.ADDED, rule_id=constraint.name),
            "lb",
            minimum=None if constraint.minimum is None else exact(constraint.minimum),
            maximum=None if constraint.maximum is None else exact(constraint.maximum),
        ).check(_left_side(plan, constraint))


def _left_side(plan: PlanPounds, constraint: LinearConstraint) -> Measured:
    value = allowance = Fraction(0)
    for term in constraint.terms:
        pounds = _pounds(plan, term)
        value += exact(term.coefficient) * pounds.value
        allowance += abs(exact(term.coefficient)) * pounds.allowance
    return Measured(value, allowance)


def _pounds(plan: PlanPounds, term: Term) -> Measured:
    if term.pounds is Pounds.USE:
        parts = [
            part for part in plan.totals[term.product_id].parts if part.lot.lot_id == term.lot_id
        ]
        return Measured(
            sum((part.pounds for part in parts), Fraction(0)),
            sum((part.slack_lb for part in parts), Fraction(0)),
        )
    if term.pounds is Pounds.TAKE:
        rounding_lb = plan.used[term.lot_id].allowance + ROUNDING_LB
        if keeps_whole(plan.case, plan.case.lot(term.lot_id)):
            rounding_lb = Fraction(0)
        return Measured(plan.taken_lb[term.lot_id], rounding_lb)
    if term.pounds is Pounds.FINISHED:
        return plan.totals[term.product_id].finished
    short_lb = plan.shortage_lb[term.product_id]
    return Measured(short_lb, plan.totals[term.product_id].finished.allowance)
