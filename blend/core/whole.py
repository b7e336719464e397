"""The plan in whole numbers: containers, counts, batches and least purchases."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from blend.core.build import build_programme
from blend.core.programme import Programme
from blend.core.solve import LinearPlan
from blend.core.solver import Answer, Outcome, WarmLinear, solve_whole
from blend.core.weigh import WeighedPlan, weigh
from blend.domain.case import Case
from blend.domain.products import Product

_LEAST_LB = 1e-6


@dataclass(frozen=True)
class WholePlan:
    """The best plan in whole numbers, exact and as weighed.

    `objective_usd` is of the exact plan; no plan costs less than `bound_usd`.
    """

    outcome: Outcome
    objective_usd: float
    bound_usd: float
    weighed: WeighedPlan | None
    by_branching: bool
    """False when the linear optimum already is whole where it must be."""


def plan_whole(
    case: Case,
    linear: LinearPlan,
    on_better: Callable[[float, float], None] | None = None,
    stopped: Callable[[], bool] | None = None,
) -> WholePlan:
    """Plan in whole numbers to the case's gap or time limit, beginning from the linear optimum.

    The outcome is INFEASIBLE when whole numbers rule out every plan, STOPPED when time ran
    out; `weighed` is None where no plan was found.
    """
    programme = build_programme(case, whole=True)
    settled = _linear_suffices(programme, linear)
    if settled is not None:
        weighed = weigh(programme, settled)
        objective = linear.objective_usd
        return WholePlan(Outcome.OPTIMAL, objective, objective, weighed, by_branching=False)
    answer = solve_whole(
        programme,
        gap_share=case.settings.gap_share,
        time_limit_s=case.settings.time_limit_s,
        guess=_rounded_guess(programme),
        on_better=on_better,
        stopped=stopped,
    )
    weighed = weigh(programme, answer.x) if len(answer.x) else None
    return WholePlan(answer.outcome, answer.objective, answer.bound, weighed, by_branching=True)


def _linear_suffices(programme: Programme, linear: LinearPlan) -> np.ndarray | None:
    """The linear optimum as a solution of the whole programme, where nothing else has to be
    whole than the batches and those can be; else None."""
    others = set(programme.names) - set(linear.programme.names) - {"batches"}
    needed = any(programme.names[name].stop > programme.names[name].start for name in others)
    if needed or len(programme.layout.blends) != len(linear.programme.layout.blends):
        return None
    x = np.zeros(len(programme.cost))
    for name, block in linear.programme.names.items():
        x[programme.names[name]] = linear.answer.x[block]
    finished = x[programme.names["finished"]]
    for product, made_lb in zip(programme.layout.products, finished, strict=True):
        if made_lb > _LEAST_LB and not _batches_fit(product, float(made_lb)):
            return None
    return x


def _batches_fit(product: Product, made_lb: float) -> bool:
    fewest = math.ceil(made_lb / product.blender_most_lb - 1e-9)
    return fewest * product.blender_least_lb <= made_lb * (1 + 1e-9)


def _rounded_guess(programme: Programme) -> np.ndarray:
    """Containers of the divisible optimum rounded up: a start without which the solver
    spends most of its time on a first plan (by measurement)."""
    guess = np.full(len(programme.cost), np.nan)
    answer: Answer = WarmLinear(programme).solve()
    if answer.outcome is Outcome.OPTIMAL and "containers_taken" in programme.names:
        block = programme.names["containers_taken"]
        guess[block] = np.ceil(answer.x[block] - 1e-6)
    return guess
