"""Cones in whole numbers: a search under the tangents so far, then the cones with its numbers."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np

from blend.errors import SolverTrouble
from blend.model.solver import Outcome, solve_whole
from blend.model.tangents import ConicAnswer, ConicLinear

_MAX_SEARCHES = 100
_TOO_LITTLE_SHARE = 0.1
"""Share of the time limit: with less left, no further search begins. Each may take half of what is
left, since its solution shows where cuts are missing."""


def solve_conic_whole(
    conic: ConicLinear,
    *,
    gap_share: float,
    time_limit_s: float,
    guess: Callable[[np.ndarray], np.ndarray],
    on_better: Callable[[float, float], None] | None = None,
) -> ConicAnswer:
    """Solve in whole numbers, to a relative gap or until time is out.

    The search has the cuts so far. Its best whole numbers are fixed and the cones solved with them,
    which gives a feasible point, or new cuts that exclude these numbers; and so on until the point
    and the search's bound meet. `guess` makes a MIP start (NaN: none) from the relaxation's
    optimum.
    """
    until = time.monotonic() + time_limit_s
    divisible = conic.solve()
    if divisible.outcome is not Outcome.OPTIMAL:
        return divisible
    whole = np.flatnonzero(conic.whole)
    start = guess(divisible.x)
    best: ConicAnswer | None = None
    bound, inner_gap, seen = divisible.bound, gap_share / 2, set()
    rounds, is_close, is_over, was_interrupted = 0, False, False, False
    while not (is_close or is_over):
        rounds += 1
        model = conic.with_cuts()
        padded = np.full(len(model.cost), np.nan)
        padded[: len(start)] = start
        share_s = max(0.1, (until - time.monotonic()) / 2)
        try:
            searched = solve_whole(
                model,
                gap_share=inner_gap,
                time_limit_s=share_s,
                guess=padded,
                on_better=on_better,
            )
            was_interrupted = searched.was_interrupted
            if searched.outcome is Outcome.INFEASIBLE:
                bound = np.inf if best is None else best.objective
            else:
                bound = np.nanmax((bound, searched.bound))
            if len(searched.x):
                numbers = np.round(searched.x[whole])
                near = _solved_at(conic, whole, numbers)
                if len(near.x) and (best is None or near.objective < best.objective):
                    best = near
                    start = np.where(conic.whole, np.round(near.x), np.nan)
                inner_gap = inner_gap / 4 if numbers.tobytes() in seen else inner_gap
                seen.add(numbers.tobytes())
        except KeyboardInterrupt:
            if best is None:
                raise
            was_interrupted = True
            break
        is_over = (
            searched.outcome is Outcome.INFEASIBLE
            or was_interrupted
            or rounds == _MAX_SEARCHES
            or until - time.monotonic() < _TOO_LITTLE_SHARE * time_limit_s
        )
        is_close = best is not None and best.objective - bound <= gap_share * abs(best.objective)
    if best is None:
        if was_interrupted:
            raise KeyboardInterrupt  # Nothing was found that the user could be given.
        outcome = Outcome.INFEASIBLE if np.isinf(bound) else Outcome.STOPPED
        return replace(divisible, outcome=outcome, objective=np.nan, bound=bound, x=np.zeros(0))
    return replace(
        best,
        outcome=Outcome.OPTIMAL if is_close else Outcome.STOPPED,
        bound=min(float(bound), best.objective),
        rounds=rounds,
        was_interrupted=was_interrupted,
    )


@contextmanager
def held(conic: ConicLinear, columns: np.ndarray, numbers: np.ndarray) -> Iterator[None]:
    """Some columns held at numbers while this is open."""
    linear = conic.linear
    lower, upper = linear.lower[columns], linear.upper[columns]
    linear.set_columns_bounds(columns, numbers, numbers)
    try:
        yield
    finally:
        linear.set_columns_bounds(columns, lower, upper)


def _solved_at(conic: ConicLinear, columns: np.ndarray, numbers: np.ndarray) -> ConicAnswer:
    """Solve with some columns held. No solution where the cones cannot be closed: the numbers then
    leave no more than a point."""
    try:
        with held(conic, columns, numbers):
            return conic.solve()
    except SolverTrouble:
        return ConicAnswer(Outcome.STOPPED, np.nan, np.nan, np.zeros(0), 0)
