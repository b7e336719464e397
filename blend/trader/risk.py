"""Risk of a book: value at risk, expected shortfall, hedge sizes, and joint draws of prices.

Losses are positive. Every figure says how many days it comes from and its sampling error; a tail
that the history is too short for is refused, not extrapolated.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
MIN_IN_TAIL = 1.0
"""Observations that a tail must hold on average before its quantile is given."""


class TooShort(ValueError):
    """The history is too short for the confidence asked for."""


class NoHedge(ValueError):
    """The instruments move alike, or do not move."""


@dataclass(frozen=True, slots=True)
class AtRisk:
    """A loss not exceeded with the stated confidence, and the mean loss beyond it, USD.

    The standard errors are those of sampling: what another history as long would give.
    """

    confidence: float
    value_at_risk_usd: float
    expected_shortfall_usd: float
    standard_error_usd: float
    shortfall_error_usd: float
    observations: int
    method: str


def historical_risk(
    profits_usd: Sequence[float], confidence: float = 0.95, *, resamples: int = 400, seed: int = 0
) -> AtRisk:
    """From profits of past periods as they were, none assumed alike.

    The value at risk is a loss that happened, the one of the rank that fills the tail, never less:
    interpolating to a smaller one would show less risk. Errors are by bootstrap. Raises TooShort
    where the tail holds less than one observation.
    """
    losses = np.sort(-np.asarray(profits_usd, float))
    _check_tail(len(losses), confidence)
    rng = np.random.default_rng(seed)
    draws = rng.choice(losses, (resamples, len(losses)))
    values, shortfalls = zip(*(_tail(row, confidence) for row in draws), strict=True)
    value, shortfall = _tail(losses, confidence)
    rank = len(losses) - _first_in_tail(len(losses), confidence)
    return AtRisk(
        confidence, value, shortfall, float(np.std(values)), float(np.std(shortfalls)),
        len(losses), f"historical, loss number {rank} from the worst",
    )  # fmt: skip


def bootstrap_risk(
    profits_usd: Sequence[float],
    periods: int,
    confidence: float = 0.95,
    *,
    draws: int = 4_000,
    resamples: int = 100,
    seed: int = 0,
) -> AtRisk:
    """Over several periods, each drawn from the past ones as if independent of the one before.

    The errors are those of the history: each resample draws its own. Raises TooShort as
    `historical_risk` does.
    """
    past = np.asarray(profits_usd, float)
    _check_tail(len(past), confidence)
    rng = np.random.default_rng(seed)

    def tail(history: Array) -> tuple[float, float]:
        drawn = rng.choice(history, (draws, periods)).sum(1)
        return _tail(-drawn, confidence)

    value, shortfall = tail(past)
    values, shortfalls = zip(
        *(tail(rng.choice(past, len(past))) for _ in range(resamples)), strict=True
    )
    return AtRisk(
        confidence, value, shortfall, float(np.std(values)), float(np.std(shortfalls)),
        len(past), f"{draws:,} draws of {periods} past weeks each, taken as independent",
    )  # fmt: skip


def _check_tail(observations: int, confidence: float) -> None:
    if observations * (1 - confidence) < MIN_IN_TAIL - 1e-9:
        needed = math.ceil(MIN_IN_TAIL / (1 - confidence) - 1e-9)
        raise TooShort(
            f"{confidence:.0%} needs at least {needed} periods of history; there are {observations}"
        )


def _tail(losses: Array, confidence: float) -> tuple[float, float]:
    """The loss that begins the tail, and the mean of the losses from it on.

    Losses as large as the quantile count as often as it takes to fill the tail, not all of them:
    draws of a few past weeks repeat each many times.
    """
    tail = np.sort(losses)[_first_in_tail(len(losses), confidence) :]
    return float(tail[0]), float(tail.mean())


def _first_in_tail(count: int, confidence: float) -> int:
    """Of losses in order; the rule that numpy calls "higher"."""
    return math.ceil((count - 1) * confidence - 1e-9)


@dataclass(frozen=True, slots=True)
class CovarianceRisk:
    """Value at risk of normal moves, with each position's part and what spreading them saves."""

    sd_usd: float
    value_at_risk_usd: float
    components_usd: tuple[float, ...]
    """Parts that add up to the whole (Euler)."""
    alone_usd: tuple[float, ...]

    @property
    def diversification_usd(self) -> float:
        return sum(self.alone_usd) - self.value_at_risk_usd


def covariance_risk(
    positions_usd: Sequence[float],
    covariance: Sequence[Sequence[float]],
    confidence: float = 0.99,
    periods: float = 1.0,
) -> CovarianceRisk:
    """Of positions in USD and the covariance of their relative moves in one period.

    Moves of several periods are taken as independent: the error grows with the root of their
    number. Assumes normal moves and no drift.
    """
    holding = np.asarray(positions_usd, float)
    matrix = np.asarray(covariance, float)
    sd = math.sqrt(float(holding @ matrix @ holding))
    scale = NormalDist().inv_cdf(confidence) * math.sqrt(periods)
    components = scale * holding * (matrix @ holding) / sd if sd else np.zeros(len(holding))
    alone = scale * np.abs(holding) * np.sqrt(np.diag(matrix))
    return CovarianceRisk(sd, scale * sd, tuple(components.tolist()), tuple(alone.tolist()))


@dataclass(frozen=True, slots=True)
class Hedge:
    """Units of each instrument for one unit held that leave the lowest variance.

    `ratio` is short: sell that much against a long position. `explained` is the share of the
    variance it takes away.
    """

    ratio: tuple[float, ...]
    standard_error: tuple[float, ...]
    explained: float
    observations: int


def hedge(own: Sequence[float], instruments: Sequence[Sequence[float]]) -> Hedge:
    """Minimum-variance hedge by least squares, with an intercept: changes of the own price on the
    changes of each instrument. Raises TooShort where there are fewer than 2 spare observations,
    NoHedge where the instruments move alike.
    """
    price = np.asarray(own, float)
    table = np.column_stack([np.ones(len(price)), *np.asarray(instruments, float)])
    spare = len(price) - table.shape[1]
    if spare < 2:
        raise TooShort(f"{len(price)} changes are too few for {table.shape[1] - 1} instruments")
    if np.linalg.matrix_rank(table) < table.shape[1]:
        raise NoHedge("an instrument never moves, or two always move alike")
    found, *_ = np.linalg.lstsq(table, price, rcond=None)
    residual = price - table @ found
    variance = float(residual @ residual) / spare
    errors = np.sqrt(variance * np.diag(np.linalg.inv(table.T @ table)))
    total = float(((price - price.mean()) ** 2).sum())
    explained = 1 - float(residual @ residual) / total if total else 0.0
    return Hedge(tuple(found[1:].tolist()), tuple(errors[1:].tolist()), explained, len(price))


_FLOOR = 1e-9
"""Smallest eigenvalue of a matrix that counts as positive definite."""


def nearest_correlation(matrix: Sequence[Sequence[float]] | Array) -> tuple[Array, float]:
    """The nearest positive definite correlation matrix, and how far the largest entry moved:
    alternating projections (N. J. Higham, IMA Journal of Numerical Analysis 22, 2002)."""
    given = np.asarray(matrix, float)
    given = (given + given.T) / 2
    if np.linalg.eigvalsh(given).min() >= _FLOOR and np.allclose(np.diag(given), 1.0):
        return given, 0.0
    found, correction = given.copy(), np.zeros_like(given)
    for _ in range(500):
        before = found.copy()
        values, vectors = np.linalg.eigh(found - correction)
        positive = (vectors * np.maximum(values, 2 * _FLOOR)) @ vectors.T
        correction = positive - (found - correction)
        found = positive.copy()
        np.fill_diagonal(found, 1.0)
        if np.abs(found - before).max() < 1e-10:
            break
    return found, float(np.abs(found - given).max())


class Joint(StrEnum):
    """Where joint draws come from."""

    BOOTSTRAP = "bootstrap"
    """Whole past weeks, so that what moved together in the past moves together here."""
    COVARIANCE = "covariance"
    """Lognormal moves with the robust covariance of past weeks, or correlations given."""


@dataclass(frozen=True, slots=True)
class Moves:
    """What each price is multiplied by in each draw, (draws, series)."""

    joint: Joint
    factors: Array
    correlation: Array
    """Of the moves behind the draws."""
    repaired_by: float
    """How far the largest entry of the matrix given had to move to be one of correlations."""


def joint_moves(
    changes: Array,
    weeks: int,
    draws: int,
    joint: Joint = Joint.BOOTSTRAP,
    *,
    seed: int = 0,
    correlated: Callable[[Array], Array] | None = None,
) -> Moves:
    """Joint draws over several weeks, from relative changes of past weeks (weeks, series).

    Weeks are taken as independent of one another. `correlated` makes of the fitted correlations
    those to use, which are repaired where they fit no distribution; for `Joint.COVARIANCE`.
    """
    rng = np.random.default_rng(seed)
    if joint is Joint.BOOTSTRAP:
        picked = rng.integers(0, len(changes), (draws, weeks))
        factors = (1 + changes[picked]).prod(1)
        return Moves(joint, factors, correlation(np.cov(changes.T)), 0.0)
    scale, fitted = fitted_moves(changes)
    used, moved = nearest_correlation(fitted if correlated is None else correlated(fitted))
    values, vectors = np.linalg.eigh(used)
    normals = rng.standard_normal((draws, len(scale))) * np.sqrt(np.maximum(values, 0)) @ vectors.T
    factors = np.exp(normals * scale * math.sqrt(weeks))
    return Moves(joint, factors, used, 0.0 if correlated is None else moved)


def fitted_moves(changes: Array) -> tuple[Array, Array]:
    """Standard deviations of the logarithms of a week's moves, and their correlations, robust."""
    covariance = robust_covariance(np.log1p(changes))
    return np.sqrt(np.diag(covariance)), correlation(covariance)


def correlation(covariance: Array) -> Array:
    """Of a covariance matrix; what never moves correlates with nothing."""
    covariance = np.atleast_2d(covariance)
    scale = np.sqrt(np.diag(covariance))
    scale = np.where(scale > 0, scale, 1.0)
    found = covariance / np.outer(scale, scale)
    np.fill_diagonal(found, 1.0)
    return found


def robust_covariance(changes: Array) -> Array:
    """Covariance from ranks and median distances, which a few wild days do not move: Spearman's
    correlation turned into a normal one, 2 sin(pi r / 6), times the scales 1.4826 MAD.

    A series that does not move most of the time has a median distance of zero, which would hide
    its risk: its standard deviation is taken. One that never moves has no covariance.
    """
    from scipy.stats import spearmanr

    scale = 1.4826 * np.median(np.abs(changes - np.median(changes, 0)), 0)
    scale = np.where(scale > 0, scale, changes.std(0))
    moving = np.flatnonzero(np.ptp(changes, 0) > 0)
    correlation = np.eye(changes.shape[1])
    if len(moving) > 1:
        ranks = np.atleast_2d(spearmanr(changes[:, moving]).statistic)
        if ranks.shape == (1, 1):  # scipy gives one number for two series
            ranks = np.array([[1.0, ranks[0, 0]], [ranks[0, 0], 1.0]])
        found, _ = nearest_correlation(2 * np.sin(np.pi * ranks / 6))
        correlation[np.ix_(moving, moving)] = found
    return correlation * np.outer(scale, scale)
