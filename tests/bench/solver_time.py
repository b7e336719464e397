"""How long the solvers themselves run."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from time import perf_counter
from typing import Any
from unittest.mock import patch

import clarabel

from blend.model import solver


@dataclass
class SolverTime:
    """Seconds that solvers ran, and how many times they were started."""

    seconds: float = 0.0
    runs: int = 0


_OPEN: list[SolverTime] = []


@contextmanager
def solver_time() -> Iterator[SolverTime]:
    """Count what solvers take while this is open; the innermost one counts."""
    _OPEN.append(SolverTime())
    try:
        if len(_OPEN) > 1:
            yield _OPEN[-1]
        else:
            with (
                patch.object(solver._QuietHighs, "run", _timed(solver._QuietHighs.run)),
                patch.object(clarabel, "DefaultSolver", _TimedClarabel),
            ):
                yield _OPEN[-1]
    finally:
        _OPEN.pop()


def _timed(run: Callable) -> Callable:
    def timed(*given: Any) -> Any:
        counted, began = _OPEN[-1], perf_counter()
        try:
            return run(*given)
        finally:
            counted.seconds += perf_counter() - began
            counted.runs += 1

    return timed


class _TimedClarabel:
    def __init__(self, *given: Any, _make: Callable = clarabel.DefaultSolver) -> None:
        self.solve = _timed(_make(*given).solve)
