"""Planned batches drawn at random: how often they test out of spec.

Each draw is one day. What lots share, such as a supplier's bias, is drawn once for the day, a
lot's own error once for every batch that holds it;
containers, mixing and tests are drawn for every batch. Lean and fat go through the losses
separately, so that nothing here relies on the plan's own formula. Errors are normal, as in the
plan: a simulation cannot show whether those of real meat are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

import numpy as np

from blend.check.chance import limit_of
from blend.domain.case import Case
from blend.domain.plan import BatchRun
from blend.domain.rules import kept_per_lb
from blend.domain.uncertainty import ChanceConstraint, LeanUncertainty, Sides

DRAWS = 20_000
INTERVAL_SHARE = 0.95
_BINS = 60
_MIN_OUT = 1e-12


@dataclass(frozen=True, slots=True)
class OutOfLimits:
    """How often one limit was missed, and how often it may be."""

    side: Sides
    limit_share: float
    """Lean."""
    share: float
    """Of the first batch of each draw: draws are independent, batches of one draw are not."""
    min_share: float
    max_share: float
    """95% interval (Wilson 1927, J. Am. Stat. Assoc. 22:209-212)."""
    chance_share: float
    day_share: float
    """Of draws, those with any batch out."""


@dataclass(frozen=True, slots=True)
class SimulatedRun:
    """One recipe, its batches drawn."""

    product_id: str
    run: int
    batches: int
    mean_share: float
    sd_share: float
    """Of the tested lean."""
    out: tuple[OutOfLimits, ...]
    fat_edges: tuple[float, ...]
    fat_counts: tuple[int, ...]
    """Batches by tested fat between each two edges."""


@dataclass(frozen=True, slots=True)
class Simulation:
    draws: int
    seed: int
    runs: tuple[SimulatedRun, ...]


def draw_batches(
    case: Case,
    runs: Iterable[BatchRun],
    uncertainty: Mapping[str, LeanUncertainty],
    chance_constraints: Iterable[ChanceConstraint],
    *,
    draws: int = DRAWS,
    seed: int = 1,
) -> Simulation:
    """Draw the batches of every product with a confidence; the same seed draws the same.

    Raises KeyError for a lot without an entry in `uncertainty`.
    """
    random = np.random.default_rng(seed)
    known = [uncertainty[lot.lot_id] for lot in case.lots if lot.lot_id in uncertainty]
    lot_errors = {
        each.lot_id: random.standard_normal(draws) * each.standard_error_share for each in known
    }
    count = max((len(each.shared_error) for each in known), default=0)
    of_day = random.standard_normal((draws, count))
    for each in known:
        lot_errors[each.lot_id] += of_day[:, : len(each.shared_error)] @ np.array(each.shared_error)
    by_product = {each.product_id: each for each in chance_constraints}
    number: dict[str, int] = {}
    simulated = []
    for run in runs:
        if run.product_id not in by_product:
            continue
        number[run.product_id] = number.get(run.product_id, 0) + 1
        asked = by_product[run.product_id]
        tested = _tested_lean(case, run, asked, uncertainty, lot_errors, random)
        simulated.append(_seen(case, run, number[run.product_id], asked, tested))
    return Simulation(draws, seed, tuple(simulated))


def wilson_interval(count: int, of: int, confidence: float = INTERVAL_SHARE) -> tuple[float, float]:
    """Interval of a share seen in `count` of `of` independent draws."""
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    share = count / of
    middle = share + z**2 / (2 * of)
    half = z * sqrt(share * (1 - share) / of + z**2 / (4 * of**2))
    return max(0.0, (middle - half) / (1 + z**2 / of)), min(1.0, (middle + half) / (1 + z**2 / of))


def _tested_lean(
    case: Case,
    run: BatchRun,
    asked: ChanceConstraint,
    uncertainty: Mapping[str, LeanUncertainty],
    lot_errors: Mapping[str, np.ndarray],
    random: np.random.Generator,
) -> np.ndarray:
    """Tested lean of each batch in each draw, draws × batches."""
    product = case.product(run.product_id)
    draws = len(next(iter(lot_errors.values())))
    lean, fat = np.zeros((draws, run.batches)), np.zeros((draws, run.batches))
    for each in run.ingredients:
        lot = case.lot(each.lot_id)
        container_sd = uncertainty[lot.lot_id].container_sd_share
        pieces = _pieces_lb(each.pounds_lb, lot.container_lb)
        # The weighted mean of independent normal pieces is normal too.
        sd = container_sd * float(np.linalg.norm(pieces)) / each.pounds_lb
        share = lot.lean + lot_errors[lot.lot_id][:, None]
        share = share + sd * random.standard_normal((draws, run.batches))
        share = np.clip(share, 0.0, 1.0)
        kept_lean, kept_fat = kept_per_lb(lot, product, case.losses)
        lean += each.pounds_lb * share * (kept_lean / lot.lean if lot.lean else 1.0)
        fat += each.pounds_lb * (1 - share) * (kept_fat / lot.fat_share if lot.fat_share else 1.0)
    noise = sqrt(asked.batch.variance) * random.standard_normal((draws, run.batches))
    return lean / (lean + fat) + noise


def _pieces_lb(pounds_lb: float, container_lb: float | None) -> np.ndarray:
    """Full containers and the rest; loose meat is one piece."""
    if container_lb is None:
        return np.array([pounds_lb])
    full, rest = divmod(pounds_lb, container_lb)
    return np.append(np.full(int(full), container_lb), rest)


def _seen(
    case: Case, run: BatchRun, number: int, asked: ChanceConstraint, tested: np.ndarray
) -> SimulatedRun:
    product = case.product(run.product_id)
    out = []
    for side in asked.each_side:
        limit = float(limit_of(case, product, side))
        is_out = tested < limit - _MIN_OUT if side is Sides.BELOW else tested > limit + _MIN_OUT
        first = int(is_out[:, 0].sum())
        minimum, maximum = wilson_interval(first, len(tested))
        out.append(
            OutOfLimits(
                side=side,
                limit_share=limit,
                share=first / len(tested),
                min_share=minimum,
                max_share=maximum,
                chance_share=asked.max_out_of_side_share,
                day_share=float(is_out.any(axis=1).mean()),
            )
        )
    counts, edges = np.histogram(1 - tested, bins=_BINS)
    return SimulatedRun(
        product_id=run.product_id,
        run=number,
        batches=run.batches,
        mean_share=float(tested.mean()),
        sd_share=float(tested.std()),
        out=tuple(out),
        fat_edges=tuple(edges.tolist()),
        fat_counts=tuple(counts.tolist()),
    )
