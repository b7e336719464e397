"""The plan of a case that is being edited: the linear program kept warm from edit to edit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from blend.check.statement import dual_bound_usd
from blend.domain.case import Case
from blend.domain.plan import BatchRun, InfeasibleSubset, Ingredient, MarginalCost
from blend.domain.prices import DualPrices
from blend.errors import InputRefused
from blend.grinder.odds import Errors, floor_odds
from blend.grinder.ways_out import tried
from blend.model.infeasible import explain_infeasibility
from blend.model.prices import dual_prices
from blend.model.shadow_prices import marginal_costs_of, marginal_shadow_prices
from blend.model.solve import LinearPlan, open_stated, state_linear, why_unbounded
from blend.model.solver import Answer, Outcome, WarmLinear


@dataclass(frozen=True, slots=True)
class LiveBlend:
    """One product: finished pounds, their lean, and the meat in a finished pound.

    `lean` and `meat_usd_per_lb` are None where nothing of it is made.
    """

    product_id: str
    made_lb: float
    short_lb: float
    lean: float | None
    meat_usd_per_lb: float | None
    kept_lb: dict[str, float]
    """Finished pounds by the lot they come from."""
    used_lb: dict[str, float]
    """Pounds put in by lot, before losses."""


@dataclass(frozen=True, slots=True)
class LiveLot:
    """One usable lot: pounds used, and what the next pound would be worth to the best blend.

    `value_usd_per_lb` is at the plan's dual prices and compares with the delivered price; None
    where no blend may hold the lot.
    """

    lot_id: str
    used_lb: float
    value_usd_per_lb: float | None


@dataclass(frozen=True)
class LivePlan:
    """The optimum of the LP relaxation, with the prices that certify it."""

    case: Case
    total_usd: float
    prices: DualPrices
    blends: tuple[LiveBlend, ...]
    lots: tuple[LiveLot, ...]
    marginal_costs: tuple[MarginalCost, ...]

    @cached_property
    def bound_usd(self) -> float:
        """A floor under the cost, from the dual prices in exact fractions, outside the solver."""
        return dual_bound_usd(self.case, self.prices)

    @property
    def made_lb(self) -> float:
        return sum(blend.made_lb for blend in self.blends)

    @property
    def meat_usd_per_lb(self) -> float | None:
        """Meat in a finished pound of the day, at delivered prices; None where none is made."""
        usd = sum(b.made_lb * b.meat_usd_per_lb for b in self.blends if b.meat_usd_per_lb)
        return usd / self.made_lb if self.made_lb > _MIN_LB else None


class LiveCase:
    """Plans a case again and again while it is edited, from the last optimum where it can."""

    def __init__(self) -> None:
        self.linear: WarmLinear | None = None
        self.answer: Answer | None = None

    def plan(self, case: Case) -> LivePlan | None:
        """The plan of the case as it is now; None where no plan meets every requirement.

        Raises InputRefused where the model is unbounded.
        """
        model = state_linear(case)
        if self.linear is None or not self.linear.move_to(model):
            self.linear = open_stated(model)
        self.answer = self.linear.solve()
        if self.answer.outcome is Outcome.UNBOUNDED:
            raise InputRefused(why_unbounded(case))
        if self.answer.outcome is not Outcome.OPTIMAL:
            return None
        return _live_plan(case, self.linear, self.answer)


def why_no_plan(case: Case, progress: Callable[[str], None] | None = None) -> InfeasibleSubset:
    """Which requirements leave the LP relaxation of a case without a plan, with changes that were
    planned in whole containers."""
    infeasible = explain_infeasibility(case, whole=False, progress=progress)
    return tried(case, infeasible, progress or (lambda text: None))


def _live_plan(case: Case, linear: WarmLinear, answer: Answer) -> LivePlan:
    optimum = LinearPlan(linear.model, answer)
    return LivePlan(
        case=case,
        total_usd=answer.objective,
        prices=dual_prices(optimum),
        blends=_blends(linear, answer),
        lots=_lots(linear, answer),
        marginal_costs=marginal_costs_of(linear, answer),
    )


def _blends(linear: WarmLinear, answer: Answer) -> tuple[LiveBlend, ...]:
    model, sets = linear.model, linear.model.sets
    used = np.maximum(answer.x[model.use], 0.0)
    made = answer.x[model.names["finished"]]
    usd_per_lb = np.array([lot.cost_usd_per_lb for lot in sets.lots])
    blends = []
    for index, product in enumerate(sets.products):
        pairs = sets.pairs_of(index)
        kept_lb = sets.kept_mass[pairs] * used[pairs]
        total_lb = float(kept_lb.sum())
        lean_lb = float(sets.kept_lean[pairs] @ used[pairs])
        meat_usd = float(usd_per_lb[sets.pair_lot[pairs]] @ used[pairs])
        is_made = total_lb > _MIN_LB
        blends.append(
            LiveBlend(
                product_id=product.product_id,
                made_lb=float(made[index]),
                short_lb=max(0.0, product.min_lb - float(made[index])),
                lean=lean_lb / total_lb if is_made else None,
                meat_usd_per_lb=meat_usd / total_lb if is_made else None,
                kept_lb={
                    sets.lots[lot].lot_id: lb
                    for lot, lb in zip(sets.pair_lot[pairs], kept_lb.tolist(), strict=True)
                    if lb > _MIN_LB
                },
                used_lb={
                    sets.lots[lot].lot_id: lb
                    for lot, lb in zip(sets.pair_lot[pairs], used[pairs].tolist(), strict=True)
                    if lb > _MIN_LB
                },
            )
        )
    return tuple(blends)


_MIN_LB = 1e-6


def _lots(linear: WarmLinear, answer: Answer) -> tuple[LiveLot, ...]:
    sets = linear.model.sets
    used = np.bincount(sets.pair_lot, np.maximum(answer.x[linear.model.use], 0.0), len(sets.lots))
    value = marginal_shadow_prices(linear, answer)
    return tuple(
        LiveLot(lot.lot_id, lb, usd if np.isfinite(usd) else None)
        for lot, lb, usd in zip(sets.lots, used.tolist(), value.tolist(), strict=True)
    )


def live_odds(plan: LivePlan, errors: Errors) -> list[float]:
    """By product made: the odds that a batch tests at or above its floor, as if combos and
    batches could be split."""
    runs = [_run(plan.case, blend) for blend in plan.blends if blend.made_lb > _MIN_LB]
    return [each.odds for each in floor_odds(plan.case, runs, errors)]


def _run(case: Case, blend: LiveBlend) -> BatchRun:
    batch_lb = case.product(blend.product_id).batch_lb or blend.made_lb
    part = min(1.0, batch_lb / blend.made_lb)
    ingredients = tuple(
        Ingredient(lot_id, round(lb * part, 2))
        for lot_id, lb in blend.used_lb.items()
        if lb * part > _MIN_LB
    )
    return BatchRun(blend.product_id, 1, ingredients, blend.made_lb * part, blend.lean or 0.0)
