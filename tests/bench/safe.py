"""The plan with promised confidence against an independent conic solver, on the same data.

Both are given the same program and cones: lots and products of `make_instance`, spread by
seed, every product promising its least lean. Times are wall time of this run, in seconds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from time import perf_counter
from typing import TypeVar

import numpy as np

from blend.domain.case import Case
from blend.domain.uncertainty import BatchUncertainty, ChanceConstraint, LeanUncertainty
from blend.model.build import build_model
from blend.model.chance_constraints import ChanceModel
from blend.model.conic import conic_point
from blend.model.tangents import ConicLinear
from tests.bench.instances import make_instance

AGREES_SHARE = 1e-6
_PRICES_MOVED = 20

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class ConeTime:
    """One way to the optimum. `apart_share` is how far its cost is from the conic solver's."""

    way: str
    seconds: float
    objective_usd: float
    gap_share: float | None
    """Between its point and its own bound; None where it has none."""
    apart_share: float
    rounds: int | None = None

    @property
    def agrees(self) -> bool:
        return self.apart_share <= AGREES_SHARE


def uncertain_instance(
    lots: int, products: int, seed: int, confidence: float = 0.975
) -> tuple[Case, dict[str, LeanUncertainty], tuple[ChanceConstraint, ...]]:
    """A case whose lots have errors of 0.2 to 1.2 and containers of 0.5 to 2 lean points."""
    case, random = make_instance(lots, products, seed), Random(f"spread {seed}")
    spread = {
        lot.lot_id: LeanUncertainty(
            lot.lot_id,
            round(random.uniform(0.002, 0.012), 4),
            round(random.uniform(0.005, 0.02), 4),
        )
        for lot in case.lots
    }
    batch = BatchUncertainty(mixing_sd_share=0.001, test_error=0.001)
    chance_constraints = tuple(
        ChanceConstraint(product.product_id, confidence, batch=batch) for product in case.products
    )
    return case, spread, chance_constraints


def time_cones(lots: int = 60, products: int = 12, seed: int = 1) -> tuple[ConeTime, ...]:
    """Time every way to the same optimum, cold, and re-solves with prices moved in order.

    Needs the conic library (extra `reference`). The moved prices are one lot's, up by a tenth
    of a cent a step; their time is the mean, their objective the last one's.
    """
    case, spread, chance_constraints = uncertain_instance(lots, products, seed)
    chance = ChanceModel(build_model(case), spread, chance_constraints)
    # Around real batches, as in a plan.
    chance.refer_to(chance.reference_of(chance.conic.find()))
    model, cones = chance.model, chance.conic.cones
    conic_point(model, cones)  # so that no way pays for imports
    found, by_library = _timed(lambda: conic_point(model, cones))
    best_usd = float(model.cost @ found)
    times = [ConeTime("conic library alone", by_library, best_usd, None, 0.0)]
    kept: dict[bool, ConicLinear] = {}
    for way, uses_library in (
        ("outer approximation cuts alone", False),
        ("conic library, bound from cuts", True),
    ):

        def solve(uses_library: bool = uses_library):
            kept[uses_library] = ConicLinear(model, cones, uses_library)
            return kept[uses_library].solve()

        answer, seconds = _timed(solve)
        times.append(
            ConeTime(
                way,
                seconds,
                answer.objective,
                answer.gap_share,
                _apart(answer.objective, best_usd),
                answer.rounds,
            )
        )
    return (*times, *_moved_prices(chance, kept[False]))


def _moved_prices(chance: ChanceModel, warm: ConicLinear) -> list[ConeTime]:
    model, cones = chance.model, chance.conic.cones
    used = np.bincount(chance.sets.pair_lot, chance.conic.find()[model.use])
    column = np.array([model.take.start + int(np.argmax(used))])
    price = float(model.cost[column[0]])
    by_cuts = by_library = 0.0
    for step in range(1, _PRICES_MOVED + 1):
        cost = np.array([price + 0.001 * step])
        model.cost[column] = cost
        warm.linear.set_cost(column, cost)
        answer, seconds = _timed(warm.solve)
        by_cuts += seconds
        found, seconds = _timed(lambda: conic_point(model, cones))
        by_library += seconds
    model.cost[column] = price
    moved = model.cost.copy()
    moved[column] = cost
    last_usd = float(moved @ found)
    apart = _apart(answer.objective, last_usd)
    steps = f"{_PRICES_MOVED} prices moved, each"
    return [
        ConeTime(f"conic library, {steps}", by_library / _PRICES_MOVED, last_usd, None, 0.0),
        ConeTime(
            f"cuts kept, {steps}",
            by_cuts / _PRICES_MOVED,
            answer.objective,
            answer.gap_share,
            apart,
            answer.rounds,
        ),
    ]


def _timed(solve: Callable[[], T]) -> tuple[T, float]:
    began = perf_counter()
    answer = solve()
    return answer, perf_counter() - began


def _apart(usd: float, best_usd: float) -> float:
    return abs(usd - best_usd) / abs(best_usd)
