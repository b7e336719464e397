"""The mixed-integer plan: containers, counts, batches and min purchases."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from blend.domain.case import Case
from blend.domain.products import Product
from blend.errors import OutOfTime, SolverTrouble
from blend.model.aggregated import restricted_master
from blend.model.arrays import Model, dot
from blend.model.build import build_model
from blend.model.room import LITTLE_ROOM_LB, ROOM_LB, with_room
from blend.model.round_plan import RoundedPlan, exact_plan, round_plan, round_quickly
from blend.model.solve import LinearPlan, solve_linear
from blend.model.solver import (
    DEFAULT_EFFORT,
    Answer,
    Outcome,
    WarmLinear,
    best_of_group,
    solve_whole,
)
from blend.model.tighten import tightened, without_switches

_MIN_LB = 1e-6
_LARGE_FROM_PAIRS = 2_000
_NEAR_OF_BLEND, _NEAR_OF_LOT = (20, 80, 320), 10
"""From so many pairs of lot and blend, the neighborhood of the relaxation's optimum is searched
several times: how many pairs of each blend and lot it holds besides those in use. By measurement:
fewer may have no plan, more find their first one later."""
_SMALL_TO_PAIRS = 100
_CLOSE_OF_BLEND, _CLOSE_OF_LOT, _CLOSE_NODES = 10, 4, 100
"""Of smaller cases, where the whole program follows soon; the smallest begin with that."""
_MUCH_EFFORT = 0.2
"""For better plans, where each product receives whole containers: by measurement a plan within
0.1% takes half the time of the default."""
_OWN_GAP, _CLOSER_GAP, _TARGET = 0.5, 0.2, 0.95
"""Of the gap asked for: what the search for a floor stops at, at first and where rounding took more
than what it leaves; and where a search with room stops."""

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
    return _Search(case, linear, on_better, stopped).run()


def plan_again(case: Case, time_limit_s: float, gap_share: float | None = None) -> WholePlan | None:
    """A case like one planned before, planned within its own time limit; None where no plan exists.

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


@dataclass(frozen=True)
class _Stage:
    """One program of the search, and the share of the time left that it is given."""

    model: Model
    gap: float
    """Of the gap asked for."""
    time_share: float = 1.0
    max_nodes: int | None = None
    effort: float = DEFAULT_EFFORT
    is_whole: bool = False
    """Whether its bound is a floor of the case."""


class _Search:
    """The search for a plan in whole pounds and a floor under every plan.

    A plan is looked for near the optimum of the relaxation and with room for rounding, which is
    often enough; then the whole program gives a floor, and is searched again with room. A large
    one is searched further and further off the optimum first: with thousands of lots, similar ones
    can replace any other at little cost, and the whole program takes longer than the time limit.
    """

    def __init__(
        self,
        case: Case,
        linear: LinearPlan,
        on_better: Tell | None,
        stopped: Callable[[], bool] | None,
    ) -> None:
        settings = case.settings
        self.until = time.monotonic() + settings.time_limit_s
        self.gap_share = settings.gap_share
        self.linear, self.on_better, self.stopped = linear, on_better, stopped
        self.model = build_model(case, whole=True)
        self.floor_usd = linear.objective_usd
        self.exact: np.ndarray | None = None
        """The best plan before rounding."""
        self.rounded: RoundedPlan | None = None
        """The best plan in whole pounds."""

    def run(self) -> WholePlan:
        outcome, is_stopped, was_interrupted = Outcome.STOPPED, False, False
        settled = _linear_suffices(self.model, self.linear)
        if settled is not None:
            self._keep(settled)
        for stage in () if self._is_close() else self._stages():
            left_s = self.until - time.monotonic()
            if left_s <= 0 and outcome is not Outcome.STOPPED:
                break
            try:
                found = self._solve(stage, max(0.0, stage.time_share * left_s))
            except KeyboardInterrupt:
                if self.exact is None:
                    raise
                is_stopped = was_interrupted = True
                break
            was_interrupted = found.was_interrupted
            if stage.is_whole:
                outcome = found.outcome
                self.floor_usd = float(np.fmax(self.floor_usd, found.bound))
                if outcome is Outcome.INFEASIBLE and self.exact is None:
                    return WholePlan(outcome, np.inf, np.inf, None, None, by_branching=True)
            # making nothing is a plan too
            if len(found.x) or (stage.is_whole and outcome is Outcome.OPTIMAL):
                self._keep(found.x)
            is_stopped = was_interrupted or (self.stopped is not None and self.stopped())
            if is_stopped or self._is_close():
                break
        return self._plan(is_stopped, was_interrupted)

    def _plan(self, is_stopped: bool, was_interrupted: bool) -> WholePlan:
        by_branching = self.floor_usd > self.linear.objective_usd
        if self.exact is None:
            return WholePlan(Outcome.STOPPED, np.nan, self.floor_usd, None, None, by_branching)
        if self.rounded is None:
            self.rounded = round_plan(self.model, self.exact)
        is_over = self._is_close() or time.monotonic() < self.until
        return WholePlan(
            Outcome.OPTIMAL if is_over and not is_stopped else Outcome.STOPPED,
            dot(self.model.cost, self.exact),
            self.floor_usd,
            self.rounded,
            exact_plan(self.model, self.exact),
            by_branching,
            was_interrupted,
        )

    def _stages(self) -> Iterator[_Stage]:
        tight = tightened(self.model)
        has_room = "containers_used" not in self.model.names
        roomy = with_room(tight, ROOM_LB) if has_room else tight
        pairs = len(self.model.sets.pair_lot)
        if pairs >= _LARGE_FROM_PAIRS:
            relaxed = _relaxation(tight, self.linear)
            if relaxed.outcome is Outcome.OPTIMAL:
                self.floor_usd = max(self.floor_usd, relaxed.objective)
                # by measurement, with counted lots room delays the first plan past the limit
                searched = tight if "is_used" in tight.names else roomy
                for of_blend in _NEAR_OF_BLEND:
                    near = _near(searched, relaxed, of_blend, _NEAR_OF_LOT)
                    yield _Stage(near, _OWN_GAP, time_share=0.4)
        elif pairs > _SMALL_TO_PAIRS:
            near = _near(roomy, self.linear.answer, _CLOSE_OF_BLEND, _CLOSE_OF_LOT)
            if has_room:
                yield _Stage(near, _OWN_GAP, time_share=0.25, max_nodes=_CLOSE_NODES)
            elif len(self.model.sets.blends) == len(self.linear.model.sets.blends):
                yield _Stage(near, _OWN_GAP, time_share=0.3, effort=_MUCH_EFFORT)
        if not has_room:
            yield _Stage(tight, _TARGET, is_whole=True)
        else:
            yield _Stage(tight, _OWN_GAP, time_share=0.5, is_whole=True)
            yield _Stage(roomy, _CLOSER_GAP, time_share=0.5)
            yield _Stage(with_room(tight, LITTLE_ROOM_LB), _CLOSER_GAP, time_share=0.5)
        yield _Stage(tight, _CLOSER_GAP, is_whole=True)

    def _solve(self, stage: _Stage, time_limit_s: float) -> Answer:
        start = self.exact
        if start is None and stage.is_whole:
            start = _mip_start(self.model, self.linear)

        def report(usd: float, bound_usd: float) -> None:
            if self.on_better is not None:
                floor_usd = max(bound_usd, self.floor_usd) if stage.is_whole else self.floor_usd
                self.on_better(usd, floor_usd)

        return solve_whole(
            stage.model,
            gap_share=stage.gap * self.gap_share,
            time_limit_s=time_limit_s,
            guess=start,
            on_better=report,
            stopped=self.stopped,
            target=-np.inf if stage.is_whole else self._close_usd(),
            max_nodes=stage.max_nodes,
            effort=stage.effort,
            is_easy=not {"is_used", "containers_used"} & set(self.model.names),
        )

    def _close_usd(self) -> float:
        """The cost at which a plan is close to the floor."""
        return self.floor_usd + _TARGET * self.gap_share * abs(self.floor_usd)

    def _keep(self, x: np.ndarray) -> None:
        """Round a plan, and keep what is better than before."""
        if self.exact is None or dot(self.model.cost, x - self.exact) < 0:
            self.exact = x
        found = round_quickly(self.model, x)
        if found is not None and (self.rounded is None or found.cost_usd < self.rounded.cost_usd):
            self.rounded = found

    def _is_close(self) -> bool:
        if self.rounded is None:
            return False
        usd = self.rounded.cost_usd
        return usd - self.floor_usd <= self.gap_share * abs(usd)


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


def _near(model: Model, relaxed: Answer, of_blend: int, of_lot: int) -> Model:
    """The program without pairs far from the relaxation's optimum: those not in use and without
    one of the lowest reduced costs of their blend or of a lot that is taken."""
    sets, use = model.sets, model.use
    reduced = relaxed.column_dual[use]
    near = relaxed.x[use] > 0
    near[best_of_group(sets.pair_blend, reduced, of_blend)] = True
    best = best_of_group(sets.pair_lot, reduced, of_lot)
    is_taken = relaxed.x[model.take] > 0
    near[best[is_taken[sets.pair_lot[best]]]] = True
    upper = model.upper.copy()
    upper[use] = np.where(near, upper[use], 0.0)
    return replace(model, upper=upper)
