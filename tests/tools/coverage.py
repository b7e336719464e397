"""`python -m tests.tools.coverage [worlds]`: how often planned batches hold their floor.

Each world is planted: suppliers with biases of their own, lots that stray from these, and tests of
earlier lots. Lots are estimated from those tests, a day is planned at each confidence, and the
share of its batches at or above the floor is worked out from the planted truth, not from the
plan's own errors. Batches of one world share its suppliers, so the interval of the mean is over
worlds. Next to it are plans of the same estimates that take errors as independent.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from math import sqrt
from statistics import NormalDist

import numpy as np

from blend.domain.case import Case
from blend.domain.evidence import LeanMethod, LeanTest
from blend.domain.lots import Lot
from blend.domain.uncertainty import LeanUncertainty
from blend.lean.estimate import USUAL_SPREAD_SHARE, case_with_estimates, estimate_lots
from blend.model.build import build_model
from blend.model.chance_constraints import ChanceModel, solve_chance
from tests.grinder.uncertain import BATCH, chance_constraints, day, lot

ASKED = (0.90, 0.95, 0.975)
CONTAINER_SD_SHARE = 0.012
MEAN_BIAS_SHARE = 0.003
TESTED_BEFORE, SUPPLIERS, LOTS_BEFORE = 5, 6, 4
"""Suppliers with tests of earlier lots, of all there are, and how many lots each."""
METHOD = LeanMethod("core", "core sample", 0.005, 0.005, 1.0, "own", "own", "own", "own")
TESTED_TODAY = ("lot 2", "lot 7")
MAIN_SHARE = 0.7
_DEAREST = 1.1
"""Lots leaner than stated cost more; how much does not matter for how often floors hold."""


@dataclass(frozen=True)
class World:
    """A day as the plant sees it, and what is true of it."""

    case: Case
    tests: tuple[LeanTest, ...]
    true_lean: dict[str, float]
    """Of each lot; of lots not tested, the mean over all lots its supplier might have sent."""
    lot_sd: dict[str, float]
    """Of lots not tested: how far single ones stray from that."""


@dataclass(frozen=True)
class Coverage:
    """Share of batches at or above the floor, averaged over worlds."""

    asked: float
    held: float
    low: float
    high: float
    independent: float
    """The same of plans that take errors as independent."""


def world(seed: int) -> World:
    draw = np.random.default_rng(seed)
    between, within = np.abs(draw.normal(0, USUAL_SPREAD_SHARE, 2))
    bias = draw.normal(MEAN_BIAS_SHARE, between, SUPPLIERS)
    error = sqrt(METHOD.variance(1))
    case = _day(draw)
    tests, true_lean, lot_sd = [], {}, {}

    def test(lot_id: str, supplier: str, stated: float, lean: float) -> None:
        on = case.settings.plan_on - timedelta(days=1)
        seen = lean + draw.normal(0, error)
        tests.append(LeanTest(f"of {lot_id}", lot_id, supplier, on, "core", 1, seen, stated))

    for number in range(TESTED_BEFORE * LOTS_BEFORE):
        of = number % TESTED_BEFORE
        test(f"before {number}", f"supplier {of}", 0.8, 0.8 - bias[of] - draw.normal(0, within))
    for each in case.lots:
        mean = each.lean - bias[int(each.supplier.split()[-1])]
        is_tested = each.lot_id in TESTED_TODAY
        true_lean[each.lot_id] = mean - draw.normal(0, within) if is_tested else mean
        lot_sd[each.lot_id] = 0.0 if is_tested else float(within)
        if is_tested:
            test(each.lot_id, each.supplier, each.lean, true_lean[each.lot_id])
    return World(case, tuple(tests), true_lean, lot_sd)


def _day(draw: np.random.Generator) -> Case:
    """Two products with room above their floors; most of the many small lots are of one supplier,
    in half of the worlds one never tested."""
    main = int(draw.choice([0, SUPPLIERS - 1]))
    of = np.where(draw.random(20) < MAIN_SHARE, main, draw.integers(SUPPLIERS, size=20))
    leans = np.linspace(0.5, 0.97, 20).round(3)
    lots = [
        _lot(f"lot {number}", float(lean), int(supplier), draw)
        for number, (lean, supplier) in enumerate(zip(leans, of, strict=True))
    ]
    products = tuple(
        replace(each, target_lean=target, tolerance_above_share=0.15)
        for each, target in zip(day().products, (0.80, 0.70), strict=True)
    )
    return replace(day(), lots=tuple(lots), products=products, losses=())


def _lot(name: str, lean: float, supplier: int, draw: np.random.Generator) -> Lot:
    usd = (0.5 + 3 * (lean - 0.4)) * float(draw.uniform(1, _DEAREST))
    made = lot(name, lean, round(usd, 4), "combo", 1000.0)
    return replace(made, supplier=f"supplier {supplier}", quantity_lb=2500.0)


def share_held(
    of: World, case: Case, errors: dict[str, LeanUncertainty], asked: float
) -> float | None:
    """Of the batches planned, the share that truly tests at or above its floor; None where no plan
    reaches the confidence."""
    chance = ChanceModel(build_model(case), errors, chance_constraints(asked))
    answer = solve_chance(chance)
    if not answer.is_kept:
        return None
    reference = chance.reference_of(answer.answer.x)
    shares = []
    for index, product in enumerate(chance.sets.products):
        lean, variance = 0.0, BATCH.variance
        for each, lb in zip(chance.sets.lots, reference.pounds_lb[:, index].tolist(), strict=True):
            share = lb / reference.batch_lb[index]
            containers = max(1.0, np.ceil(lb / (each.container_lb or lb or 1.0)))
            lean += share * of.true_lean[each.lot_id]
            variance += share**2 * (
                of.lot_sd[each.lot_id] ** 2 + CONTAINER_SD_SHARE**2 / containers
            )
        shares.append(NormalDist().cdf((lean - product.min_lean) / sqrt(variance)))
    return float(np.mean(shares))


def _both(
    of: World, case: Case, errors: Sequence[dict[str, LeanUncertainty]], asked: float
) -> list[float]:
    """Shares held with either of the errors; fewer where one has no plan."""
    shares = (share_held(of, case, each, asked) for each in errors)
    return [share for share in shares if share is not None]


def coverage(worlds: int, asked: Sequence[float] = ASKED) -> tuple[tuple[Coverage, ...], int]:
    """A row for each confidence, over the worlds in which every one can be planned, and how many
    those are."""
    held: list[list[float]] = []
    for seed in range(worlds):
        of = world(seed)
        estimates = estimate_lots(of.case, of.tests, {"core": METHOD})
        case = case_with_estimates(of.case, estimates)
        joint = {
            lot_id: replace(each, container_sd_share=CONTAINER_SD_SHARE)
            for lot_id, each in estimates.errors.items()
        }
        alone = {
            lot_id: LeanUncertainty(lot_id, each.whole_error_share, CONTAINER_SD_SHARE)
            for lot_id, each in joint.items()
        }
        shares = [share for each in asked for share in _both(of, case, (joint, alone), each)]
        if len(shares) == 2 * len(asked):
            held.append(shares)
    by_world = np.array(held)
    found = []
    for at, each in enumerate(asked):
        column = by_world[:, 2 * at]
        half = NormalDist().inv_cdf(0.975) * float(column.std(ddof=1)) / sqrt(len(column))
        mean, independent = (float(by_world[:, 2 * at + one].mean()) for one in (0, 1))
        found.append(Coverage(each, mean, mean - half, mean + half, independent))
    return tuple(found), len(held)


def main(worlds: int = 400) -> None:
    rows, planned = coverage(worlds)
    print(f"Batches at or above their floor, {planned} of {worlds} planted worlds")
    print("asked %   held %   95% interval     if errors are taken as independent %")
    for row in rows:
        print(
            f"{row.asked:7.1%}  {row.held:7.2%}   {row.low:.2%} to {row.high:.2%}"
            f"   {row.independent:7.2%}"
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
