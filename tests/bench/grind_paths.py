"""The grinder's paths: the day's plan, in whole numbers, and with confidence."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from importlib.util import find_spec

from blend.domain.rules import WholeContainers
from blend.grinder.plan import make_plan
from blend.model.build import build_model
from blend.model.chance_constraints import ChanceModel, solve_chance
from blend.model.solve import solve_linear
from tests.bench.instances import make_instance
from tests.bench.measure import BenchPath, Size, Task, pairs
from tests.bench.safe import uncertain_instance
from tests.reference import solve_reference

_GAP_SHARE = 5e-4
_TIME_LIMIT_S = 60.0


@contextmanager
def _linear(size: Size, kind: str) -> Iterator[Task]:
    lots, products = size.numbers
    case = make_instance(lots, products, 1, kind)

    def plain() -> Mapping[str, float]:
        return {"cost": solve_reference(case, relax=True).objective_usd}

    yield Task(lambda: {"cost": solve_linear(case).objective_usd}, plain)


@contextmanager
def _plain_linear(size: Size) -> Iterator[Task]:
    with _linear(size, "plain") as task:
        yield task


@contextmanager
def _tight_linear(size: Size) -> Iterator[Task]:
    with _linear(size, "tight") as task:
        yield task


@contextmanager
def _whole(size: Size) -> Iterator[Task]:
    lots, products = size.numbers
    case = make_instance(lots, products, 1, whole=WholeContainers.TAKEN)
    settings = replace(case.settings, gap_share=_GAP_SHARE, time_limit_s=_TIME_LIMIT_S)
    case = replace(case, settings=settings)

    def ours() -> Mapping[str, float]:
        return {"cost": make_plan(case, shadow_prices=False).money.total_usd}

    def plain() -> Mapping[str, float]:
        answer = solve_reference(case, gap_share=_GAP_SHARE, time_limit_s=_TIME_LIMIT_S)
        return {"cost": answer.objective_usd}

    yield Task(ours, plain)


@contextmanager
def _safe(size: Size) -> Iterator[Task]:
    lots, products = size.numbers
    case, spread, chance_constraints = uncertain_instance(lots, products, seed=2)

    def ours() -> Mapping[str, float]:
        chance = ChanceModel(build_model(case), spread, chance_constraints)
        return {"cost": solve_chance(chance).answer.objective}

    plain = None
    if find_spec("cvxpy") is not None:
        from tests.bench.cones import chance_cost

        def plain() -> Mapping[str, float]:
            return {"cost": chance_cost(case, spread, chance_constraints)}

    yield Task(ours, plain)


PLAIN = BenchPath(
    "plan",
    "PuLP and CBC",
    (pairs(30, 8), pairs(120, 20), pairs(400, 40), pairs(1_000, 60)),
    pairs(10, 2),
    _plain_linear,
)
TIGHT = BenchPath("plan (lean scarce)", "PuLP and CBC", PLAIN.sizes, pairs(10, 2), _tight_linear)
WHOLE = BenchPath(
    "plan in whole numbers",
    "PuLP and CBC",
    (pairs(15, 4), pairs(30, 8), pairs(100, 20)),
    pairs(10, 2),
    _whole,
    agrees_within=2 * _GAP_SHARE,
)
SAFE = BenchPath(
    "plan with confidence",
    "CVXPY and Clarabel",
    (pairs(30, 8), pairs(60, 12), pairs(120, 20)),
    pairs(10, 2),
    _safe,
)
