"""The day's plan against the same model in plain PuLP with CBC, in one run.

Both sides begin from the same case in memory and end with its optimal cost; stating and solving
are timed apart. Small sizes are repeated and the medians told, since one small solve is noise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import median
from time import perf_counter
from typing import TypeVar

from blend.bench.instances import make_instance
from blend.core.build import programme_of
from blend.core.layout import lay_out
from blend.core.reference import state_programme
from blend.core.solve import solve_linear
from blend.domain.case import Case
from blend.grind.plan import make_plan

SIZES = ((30, 8, 9), (200, 30, 5), (1_000, 60, 1))
"""Lots, products and how often each is repeated."""
_OURS_AT_LEAST = 3
"""Short times vary most; where PuLP is timed once, ours still is a median."""
KINDS = ("plain", "tight")

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class PlanTiming:
    """One size and kind of instance. Times are seconds."""

    lots: int
    products: int
    kind: str
    build_s: float
    """Stating the whole programme as sparse arrays."""
    whole_s: float
    """From the case to the optimum, building and the pooled start included."""
    plain_build_s: float
    plain_whole_s: float
    apart_share: float
    """Between the two optimal costs."""

    @property
    def solve_s(self) -> float:
        return self.whole_s - self.build_s

    @property
    def times_faster(self) -> float:
        return self.plain_whole_s / self.whole_s


@dataclass(frozen=True, slots=True)
class WholeTiming:
    """The plan in whole numbers of one case, proof included and worths left out."""

    lots: int
    products: int
    seconds: float
    total_usd: float
    gap_share: float
    stopped_early: bool


def time_whole_plan(case: Case) -> WholeTiming:
    """Time the whole plan of a case to the gap of its settings."""
    plan, seconds = _timed(lambda: make_plan(case, worths=False))
    return WholeTiming(
        lots=len(case.usable_lots()),
        products=len(case.products),
        seconds=seconds,
        total_usd=plan.money.total_usd,
        gap_share=plan.proof.bound.gap_share,
        stopped_early=plan.stopped_early,
    )


def bench_plan(
    sizes: tuple[tuple[int, int, int], ...] = SIZES,
    kinds: tuple[str, ...] = KINDS,
    seed: int = 1,
    on_row: Callable[[PlanTiming], None] = lambda row: None,
) -> tuple[PlanTiming, ...]:
    """Time every size and kind; `on_row` is told of each as it is done."""
    _time_plan(make_instance(10, 2, seed, kinds[0]), 1)  # so that no size pays for imports
    rows = []
    for lots, products, repeats in sizes:
        for kind in kinds:
            times = _time_plan(make_instance(lots, products, seed, kind), repeats)
            row = PlanTiming(lots, products, kind, *times)
            on_row(row)
            rows.append(row)
    return tuple(rows)


def _time_plan(case: Case, repeats: int) -> tuple[float, float, float, float, float]:
    build, whole, plain_build, plain_whole = [], [], [], []
    cost = plain_cost = 0.0
    for _ in range(max(repeats, _OURS_AT_LEAST)):
        _, seconds = _timed(lambda: programme_of(lay_out(case)))
        build.append(seconds)
        cost, seconds = _timed(lambda: solve_linear(case).objective_usd)
        whole.append(seconds)
    for _ in range(repeats):
        model, stating = _timed(lambda: state_programme(case, relax=True))
        plain_cost, solving = _timed(lambda model=model: _solve_plain(model.problem))
        plain_build.append(stating)
        plain_whole.append(stating + solving)
    apart = abs(cost - plain_cost) / max(1.0, abs(plain_cost))
    return median(build), median(whole), median(plain_build), median(plain_whole), apart


def _solve_plain(problem) -> float:
    import pulp

    problem.solve(pulp.PULP_CBC_CMD(msg=False))
    return problem.objective.value()


def _timed(run: Callable[[], T]) -> tuple[T, float]:
    begin = perf_counter()
    answer = run()
    return answer, perf_counter() - begin
