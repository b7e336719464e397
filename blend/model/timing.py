"""How long the solvers themselves run, for measurements: nothing is counted unless asked for."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from time import perf_counter


@dataclass
class SolverTime:
    """Seconds that solvers ran, and how many times they were started."""

    seconds: float = 0.0
    runs: int = 0


_COUNTED: ContextVar[SolverTime | None] = ContextVar("solver time", default=None)


@contextmanager
def solver_time() -> Iterator[SolverTime]:
    """Count what solvers take while this is open, in this thread and process alone."""
    counted = SolverTime()
    token = _COUNTED.set(counted)
    try:
        yield counted
    finally:
        _COUNTED.reset(token)


@contextmanager
def in_solver() -> Iterator[None]:
    """Around one run of a solver."""
    counted = _COUNTED.get()
    began = perf_counter()
    try:
        yield
    finally:
        if counted is not None:
            counted.seconds += perf_counter() - began
            counted.runs += 1
