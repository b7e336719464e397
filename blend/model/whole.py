"""The mixed-integer plan: containers, counts, batches and min purchases."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from blend.domain.case import Case
from blend.domain.products import Product
from blend.errors import OutOfTime, SolverTrouble
from blend.model.aggregated import restricted_master
from blend.model.arrays import Model
from blend.model.build import build_model
from blend.model.round_plan import RoundedPlan, exact_plan, round_plan
from blend.model.solve import LinearPlan, solve_linear
from blend.model.solver import (
    Answer,
    Outcome,
    WarmLinear,
    best_of_group,
    or_better,
    solve_whole,
)
from blend.model.tighten import tightened, without_switches

_MIN_LB = 1e-6
_NEAR_FROM_PAIRS = 2_000
_NEAR_SHARE = 0.4
_NEAR_OF_BLEND, _NEAR_OF_LOT = (20, 80, 320), 10
"""From so many pairs of lot and blend, the neighborhood of the relaxation's optimum is searched
first, each time in this share of the time left; and how many pairs of each blend and lot it holds
besides those in use. By measurement: fewer may have no plan, more find their first one later."""

Tell = Callable[[float, float], None]
"""Called with the objective of a better plan and its bound, USD."""


@dataclass(frozen=True)
class WholePlan:
    """The best mixed-integer plan, exact and rounded to whole pounds.

    `objective_usd` is of the exact plan; no plan costs less than `bound_usd`.
    """

    outcome: Outcome
    objective_usd: float
    bound_usd: float
    rounded_plan: RoundedPlan | None
    exact: RoundedPlan | None
    """Before rounding to whole pounds."""
    by_branching: bool
    """False where the bound is the LP relaxation's optimum."""
    was_interrupted: bool = False
    """Whether Ctrl-C ended the search."""


def plan_whole(
    case: Case,
    linear: LinearPlan,
    on_better: Tell | None = None,
    stopped: Callable[[], bool] | None = None,
) -> WholePlan:
    """Plan in whole numbers to the case's gap or time limit, starting from the LP optimum.

    The outcome is INFEASIBLE when whole numbers rule out every plan, STOPPED when time ran
    out; `rounded_plan` is None where no plan was found.
    """
    model = build_model(case, whole=True)
    settled = _linear_suffices(model, linear)
    if settled is not None:
        objective = linear.objective_usd
        return WholePlan(
            Outcome.OPTIMAL,
            objective,
            objective,
            round_plan(model, settled),
            exact_plan(model, settled),
            by_branching=False,
        )
    found = _search(model, linear, on_better, stopped)
    # making nothing is a plan too
    is_found = len(found.x) > 0 or found.outcome is Outcome.OPTIMAL
    rounded_plan = round_plan(model, found.x) if is_found else None
    return WholePlan(
        found.outcome,
        found.objective,
        found.bound,
        rounded_plan,
        exact_plan(model, found.x) if is_found else None,
        by_branching=found.bound > linear.objective_usd,
        was_interrupted=found.was_interrupted,
    )


def plan_again(case: Case, time_limit_s: float, gap_share: float | None = None) -> WholePlan | None:
    """A case like one planned before, planned in a time of its own; None where no plan exists.

    Raises SolverTrouble where none was found in that time.
    """
    gap_share = case.settings.gap_share if gap_share is None else gap_share
    settings = replace(case.settings, time_limit_s=time_limit_s, gap_share=gap_share)
    case = replace(case, settings=settings)
    linear = solve_linear(case)
    if linear.outcome is Outcome.INFEASIBLE:
        return None
    if linear.outcome is not Outcome.OPTIMAL:
        raise SolverTrouble("The LP relaxation was not solved.")
    whole = plan_whole(case, linear)
    if whole.outcome is Outcome.INFEASIBLE:
        return None
    if whole.rounded_plan is None:
        raise OutOfTime(f"No plan was found within {time_limit_s:g} s.")
    return whole


def _search(
    model: Model,
    linear: LinearPlan,
    on_better: Tell | None,
    stopped: Callable[[], bool] | None,
) -> Answer:
    """The best plan in whole numbers; no plan costs less than its bound.

    A large program is searched near the optimum of its relaxation first, further and further off
    it: with thousands of lots, similar ones can replace any other at little cost, and the full
    program takes longer than the time limit.
    """
    settings = model.sets.case.settings
    until = time.monotonic() + settings.time_limit_s
    tight, floor_usd = tightened(model), linear.objective_usd
    stages = [tight]
    guess: np.ndarray | None = _mip_start(model, linear)
    if len(model.sets.pair_lot) >= _NEAR_FROM_PAIRS:
        relaxed = _relaxation(tight, linear)
        if relaxed.outcome is Outcome.OPTIMAL:
            floor_usd = max(floor_usd, relaxed.objective)
            stages = [*(_near(tight, relaxed, of_blend) for of_blend in _NEAR_OF_BLEND), tight]
            if "is_used" in model.names:
                guess = None

    def is_close(found: Answer) -> bool:
        return found.objective - floor_usd <= settings.gap_share * abs(found.objective)

    def search(within: Model, guess: np.ndarray | None, time_limit_s: float) -> Answer:
        def report(usd: float, bound_usd: float) -> None:
            if on_better is not None:
                on_better(usd, max(bound_usd, floor_usd) if within is tight else floor_usd)

        return solve_whole(
            within,
            gap_share=settings.gap_share,
            time_limit_s=time_limit_s,
            guess=guess,
            on_better=report,
            stopped=stopped,
        )

    best: Answer | None = None
    for stage in stages:
        left_s = max(0.0, until - time.monotonic())
        share = 1.0 if stage is tight else _NEAR_SHARE
        start = guess if best is None or not len(best.x) else best.x
        best = or_better(best, partial(search, stage, start, share * left_s))
        if stage is tight or best.was_interrupted:
            break
        if len(best.x) and is_close(best):
            return replace(best, outcome=Outcome.OPTIMAL, bound=floor_usd)
    assert best is not None, "the whole program is searched last"
    if stage is not tight or not best.bound > floor_usd:
        best = replace(best, bound=floor_usd)
    if len(best.x) and best.objective - best.bound <= settings.gap_share * abs(best.objective):
        best = replace(best, outcome=Outcome.OPTIMAL)
    return best


def _relaxation(tight: Model, linear: LinearPlan) -> Answer:
    """The optimum of the relaxation with a share of each switch, by column generation."""
    sets, theirs = tight.sets, linear.model.sets
    near = linear.answer.x[linear.model.use] > 0
    reduced = linear.answer.column_dual[linear.model.use]
    near[best_of_group(theirs.pair_blend, reduced, _NEAR_OF_BLEND[0])] = True
    by_lot = np.zeros((len(theirs.lots), len(theirs.products)), bool)
    by_lot[theirs.pair_lot[near], theirs.blends.product[theirs.pair_blend[near]]] = True
    pairs = np.flatnonzero(by_lot[sets.pair_lot, sets.blends.product[sets.pair_blend]])
    first = restricted_master(len(tight.cost), [(tight.use, sets, pairs)])
    return WarmLinear(without_switches(tight), first).solve()


def _linear_suffices(model: Model, linear: LinearPlan) -> np.ndarray | None:
    """The LP optimum as a solution of the mixed-integer program, where only batches have to be
    whole and can be; else None."""
    others = set(model.names) - set(linear.model.names) - {"batches"}
    needed = any(model.names[name].stop > model.names[name].start for name in others)
    if needed or len(model.sets.blends) != len(linear.model.sets.blends):
        return None
    x = np.zeros(len(model.cost))
    for name, block in linear.model.names.items():
        x[model.names[name]] = linear.answer.x[block]
    finished = x[model.names["finished"]]
    for product, made_lb in zip(model.sets.products, finished, strict=True):
        if made_lb > _MIN_LB and not _batches_fit(product, float(made_lb)):
            return None
    return x


def _batches_fit(product: Product, made_lb: float) -> bool:
    fewest = math.ceil(made_lb / product.blender_max_lb - 1e-9)
    return fewest * product.blender_min_lb <= made_lb * (1 + 1e-9)


def _mip_start(model: Model, linear: LinearPlan) -> np.ndarray:
    """Containers of the LP optimum rounded up, as a MIP start: without it the solver spends most
    of its time on a first plan. None where products receive whole containers too, which rules out
    most rounded plans (both by measurement)."""
    guess = np.full(len(model.cost), np.nan)
    if "containers_taken" in model.names and "containers_used" not in model.names:
        container_lb = np.array([lot.container_lb or 0.0 for lot in model.sets.lots])
        boxed = np.flatnonzero(container_lb)
        taken_lb = linear.answer.x[linear.model.take][boxed]
        guess[model.names["containers_taken"]] = np.ceil(taken_lb / container_lb[boxed] - 1e-6)
    return guess


def _near(model: Model, relaxed: Answer, of_blend: int) -> Model:
    """The program without pairs far from the relaxation's optimum: those not in use and without
    one of the lowest reduced costs of their blend or of a lot that is taken."""
    sets, use = model.sets, model.use
    reduced = relaxed.column_dual[use]
    near = relaxed.x[use] > 0
    near[best_of_group(sets.pair_blend, reduced, of_blend)] = True
    of_lot = best_of_group(sets.pair_lot, reduced, _NEAR_OF_LOT)
    is_taken = relaxed.x[model.take] > 0
    near[of_lot[is_taken[sets.pair_lot[of_lot]]]] = True
    upper = model.upper.copy()
    upper[use] = np.where(near, upper[use], 0.0)
    return replace(model, upper=upper)
