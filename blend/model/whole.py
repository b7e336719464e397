"""The mixed-integer plan: containers, counts, batches and min purchases."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from blend.domain.case import Case
from blend.domain.products import Product
from blend.model.arrays import Model
from blend.model.build import build_model
from blend.model.round_plan import RoundedPlan, exact_plan, round_plan
from blend.model.solve import LinearPlan
from blend.model.solver import Answer, Outcome, best_of_group, or_better, solve_whole

_MIN_LB = 1e-6
_NEAR_FROM_PAIRS = 2_000
_NEAR_SHARE = 0.5
_NEAR_OF_PRODUCT, _NEAR_OF_LOT = 40, 3
"""From so many pairs of lot and product, the neighborhood of the LP optimum is searched first, in
this share of the time; and how many pairs of each product and lot it holds besides those in use.
By measurement: more take longer and save nothing."""

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
    bound_usd = max(linear.objective_usd, found.bound)  # NaN where nothing was found
    return WholePlan(
        found.outcome,
        found.objective,
        bound_usd,
        rounded_plan,
        exact_plan(model, found.x) if is_found else None,
        by_branching=found.bound > linear.objective_usd,
        was_interrupted=found.was_interrupted,
    )


def _search(
    model: Model,
    linear: LinearPlan,
    on_better: Tell | None,
    stopped: Callable[[], bool] | None,
) -> Answer:
    """The best plan in whole numbers; its bound is minus infinity where the LP optimum already
    shows that it is close enough.

    A large program is searched near the LP optimum first: with thousands of lots, similar ones
    can replace any other at little cost, and the full program takes longer than the time limit.
    """
    settings = model.sets.case.settings
    until = time.monotonic() + settings.time_limit_s
    min_usd = linear.objective_usd

    def is_close(found: Answer) -> bool:
        return found.objective - min_usd <= settings.gap_share * abs(found.objective)

    def report(usd: float, bound: float) -> None:
        if on_better is not None:
            on_better(usd, bound)

    def search(within: Model, guess: np.ndarray, time_limit_s: float, better: Tell) -> Answer:
        return solve_whole(
            within,
            gap_share=settings.gap_share,
            time_limit_s=time_limit_s,
            guess=guess,
            on_better=on_better and better,
            stopped=stopped,
        )

    guess, first = _mip_start(model, linear), None
    if len(model.sets.pair_lot) >= _NEAR_FROM_PAIRS:
        near, near_s = _near(model, linear), _NEAR_SHARE * settings.time_limit_s
        first = search(near, guess, near_s, lambda usd, _: report(usd, min_usd))
        if len(first.x):
            guess = first.x
            if is_close(first):
                return replace(first, outcome=Outcome.OPTIMAL, bound=-np.inf)
    return or_better(
        first,
        lambda: search(
            model,
            guess,
            max(0.0, until - time.monotonic()),
            lambda usd, bound: report(usd, max(bound, min_usd)),
        ),
    )


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


def _near(model: Model, linear: LinearPlan) -> Model:
    """The program without pairs far from the LP optimum: those not in use and without one of the
    lowest reduced costs of their product or of a lot that is taken."""
    ours, theirs = model.sets, linear.model.sets
    use = linear.model.use
    reduced = linear.answer.column_dual[use]
    near = linear.answer.x[use] > 0
    near[best_of_group(theirs.pair_blend, reduced, _NEAR_OF_PRODUCT)] = True
    of_lot = best_of_group(theirs.pair_lot, reduced, _NEAR_OF_LOT)
    is_taken = linear.answer.x[linear.model.take] > 0
    near[of_lot[is_taken[theirs.pair_lot[of_lot]]]] = True
    by_lot = np.zeros((len(theirs.lots), len(theirs.products)), bool)
    by_lot[theirs.pair_lot[near], theirs.blends.product[theirs.pair_blend[near]]] = True
    upper = model.upper.copy()
    upper[model.use] = np.where(
        by_lot[ours.pair_lot, ours.blends.product[ours.pair_blend]], upper[model.use], 0.0
    )
    return replace(model, upper=upper)
