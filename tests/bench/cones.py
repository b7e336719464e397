"""A plan with confidence and a market's equilibrium, modeled in a conic library.

Product by product, in CVXPY, solved by Clarabel: what a careful analyst would write. Only what
invented cases hold is stated: lean, volume, supply, shares and losses.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import RuleKind, kept_per_lb
from blend.domain.uncertainty import ChanceConstraint, LeanUncertainty
from blend.model.round_plan import batch_count
from blend.reporter.clearing import ReadyMarket

_SETTLED = 1e-6
_MAX_ROUNDS = 12
_LOAD_LB = 40_000.0


@dataclass
class _Blend:
    """One product's choices: pounds by lot, and what they keep."""

    product: Product
    lots: list[Lot]
    pounds: Any
    lean: np.ndarray
    fat: np.ndarray

    @classmethod
    def of(cls, case: Case, product: Product) -> _Blend:
        import cvxpy

        lots = [lot for lot in case.usable_lots() if lot.species in product.species]
        kept = np.array([kept_per_lb(lot, product, case.losses) for lot in lots])
        return cls(product, lots, cvxpy.Variable(len(lots), nonneg=True), kept[:, 0], kept[:, 1])

    @property
    def made(self) -> Any:
        return (self.lean + self.fat) @ self.pounds

    def requirements(self, case: Case) -> Iterator[Any]:
        yield self.lean @ self.pounds >= self.product.min_lean * self.made
        yield self.lean @ self.pounds <= self.product.max_lean * self.made
        for rule in case.binding_rules():
            if rule.kind is RuleKind.SHARE and rule.governs(self.product):
                chosen = np.array([rule.lots.holds(lot) for lot in self.lots])
                part = ((self.lean + self.fat) * chosen) @ self.pounds
                if rule.min_share is not None:
                    yield part >= rule.min_share * self.made
                if rule.max_share is not None:
                    yield part <= rule.max_share * self.made


def _used(blends: Sequence[_Blend], lot: Lot) -> Any:
    return sum(each.pounds[each.lots.index(lot)] for each in blends if lot in each.lots)


def _solve(problem: Any) -> None:
    import cvxpy

    with warnings.catch_warnings():
        # the comparison shows how accurate an answer is
        warnings.simplefilter("ignore", UserWarning)
        problem.solve(
            solver=cvxpy.CLARABEL,
            tol_gap_rel=1e-9,
            tol_gap_abs=1e-9,
            tol_feas=1e-9,
            max_threads=1,
        )


# Confidence -------------------------------------------------------------------------------------


def chance_cost(
    case: Case,
    spread: Mapping[str, LeanUncertainty],
    chance_constraints: Sequence[ChanceConstraint],
) -> float:
    """The minimum cost of holding every lean floor with its confidence, USD, batches settled: the
    formulas of `blend.model.chance_constraints`, stated again for each round."""
    batches: dict[str, tuple[np.ndarray, float]] = {}
    best_usd = math.inf
    for number in range(1 + _MAX_ROUNDS):
        usd, batches = _chance_round(case, spread, chance_constraints, batches)
        if number > 0:
            settled = best_usd - usd <= _SETTLED * max(1.0, abs(usd))
            best_usd = min(best_usd, usd)
            if settled:
                break
    return best_usd


def _chance_round(
    case: Case,
    spread: Mapping[str, LeanUncertainty],
    chance_constraints: Sequence[ChanceConstraint],
    batches: Mapping[str, tuple[np.ndarray, float]],
) -> tuple[float, dict[str, tuple[np.ndarray, float]]]:
    import cvxpy

    chance_constraint_of = {
        chance_constraint.product_id: chance_constraint for chance_constraint in chance_constraints
    }
    blends = [_Blend.of(case, product) for product in case.products]
    requirements = []
    for each in blends:
        product = each.product
        requirements += each.requirements(case)
        requirements.append(each.made >= product.min_lb)
        if product.max_lb is not None:
            requirements.append(each.made <= product.max_lb)
        chance_constraint = chance_constraint_of[product.product_id]
        over = each.lean @ each.pounds - product.min_lean * each.made
        scale, of_batch = _scales(each, spread, chance_constraint, batches.get(product.product_id))
        terms = cvxpy.hstack([cvxpy.multiply(scale, each.pounds), of_batch * each.made])
        requirements.append(over >= chance_constraint.quantile * cvxpy.norm(terms))
    for lot in case.usable_lots():
        requirements.append(_used(blends, lot) <= lot.max_lb)
    paid = sum(
        np.array([lot.delivered_usd_per_lb for lot in each.lots]) @ each.pounds for each in blends
    )
    problem = cvxpy.Problem(cvxpy.Minimize(paid), requirements)
    _solve(problem)
    found = {}
    for each in blends:
        made_lb = float((each.lean + each.fat) @ each.pounds.value)
        count = batch_count(each.product, made_lb)
        held = np.maximum(each.pounds.value, 0.0) / count
        found[each.product.product_id] = held, made_lb / count
    return float(problem.value), found


def _scales(
    blend: _Blend,
    spread: Mapping[str, LeanUncertainty],
    chance_constraint: ChanceConstraint,
    batch: tuple[np.ndarray, float] | None,
) -> tuple[np.ndarray, float]:
    """Standard deviation of lean by pound of each lot, and by finished pound."""
    product, lots = blend.product, blend.lots
    limit = product.min_lean
    kept = [
        lean / lot.lean * (1 - limit) + fat / lot.fat_share * limit
        for lot, lean, fat in zip(lots, blend.lean, blend.fat, strict=True)
    ]
    squares, fixed = [], 0.0
    for at, lot in enumerate(lots):
        own = spread[lot.lot_id]
        variance, container_lb = own.container_sd_share**2, lot.container_lb or math.inf
        if batch is None:
            max_lb = product.blender_max_lb / (blend.lean[at] + blend.fat[at])
            of_square = variance * min(1.0, container_lb / min(max_lb, lot.max_lb))
        elif batch[0][at] > container_lb:
            of_square = variance * 0.5 * container_lb / batch[0][at]
            fixed += kept[at] ** 2 * variance * 0.5 * batch[0][at] * container_lb
        else:
            of_square = variance
        squares.append(own.standard_error_share**2 + of_square)
    of_batch = chance_constraint.batch.variance + (
        fixed / batch[1] ** 2 if batch is not None else 0.0
    )
    return np.array(kept) * np.sqrt(squares), math.sqrt(of_batch)


# A market's clearing ----------------------------------------------------------------------------


def clearing_usd_per_lb(market: ReadyMarket) -> dict[str, float]:
    """The price of each item at which a calibrated market clears, as a quadratic program;
    pounds are counted in loads, since solvers do not take well to millions."""
    import cvxpy

    case, curves = market.case, {curve.product_id: curve for curve in market.curves}
    blends = [_Blend.of(case, product) for product in case.products]
    gain: Any = 0.0
    requirements = []
    for each in blends:
        curve = curves[each.product.product_id]
        made = cvxpy.Variable(nonneg=True)
        requirements += [made == each.made, *each.requirements(case)]
        fall = curve.fall_usd_per_lb_lb * _LOAD_LB
        gain += curve.choke_usd_per_lb * made - fall / 2 * cvxpy.square(made)
    supply = {}
    for lot in case.usable_lots():
        used = _used(blends, lot)
        cost = lot.salvage_value_usd_per_lb + market.adjustment_usd_per_lb[lot.lot_id]
        gain -= cost * used
        supply[lot.lot_id] = used <= lot.max_lb / _LOAD_LB
    problem = cvxpy.Problem(cvxpy.Maximize(gain), [*requirements, *supply.values()])
    _solve(problem)
    return {
        lot.lot_id: lot.salvage_value_usd_per_lb + float(supply[lot.lot_id].dual_value)
        for lot in case.usable_lots()
    }
