"""One path through the program against the plainest public way of doing the same.

A path is measured at a few sizes. Both ways begin from the same things in memory and come to
numbers that must agree; their runs take turns, so that whatever else the machine does falls on
both. Peak memory is that of a fresh process that does nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from statistics import fmean, median
from time import perf_counter

from tests.bench.memory import peak_mb
from tests.bench.solver_time import solver_time

_BUDGET_S = 1.5
"""Short runs are repeated for about so long, and the median is reported."""
_MAX_RUNS = 9
_OURS_AT_MIN = 3

Span = float | tuple[float, float]
"""A number, or the least and the most of it where an answer leaves it open."""


@dataclass(frozen=True, slots=True)
class Size:
    """How large a task is: `numbers` make it, `extent` is what growth is measured by."""

    words: str
    numbers: tuple[int, ...]
    extent: float


def pairs(lots: int, products: int, *more: int) -> Size:
    """A size in pairs of lot and product; `more` numbers make the task."""
    return Size(f"{lots} × {products}", (lots, products, *more), lots * products)


@dataclass(frozen=True, slots=True)
class Task:
    """Both ways to one answer, ready to be run.

    The plain way may leave out numbers that ours gives, and do only a `plain_share` of the
    work; its time is then scaled. It is None where its library is missing.
    """

    ours: Callable[[], Mapping[str, Span]]
    plain: Callable[[], Mapping[str, float]] | None
    plain_share: float = 1.0
    solver_is_here: bool = True
    """Whether solvers run in this process, where they can be timed."""


@dataclass(frozen=True, slots=True)
class BenchPath:
    """One main path: its sizes, the smallest first, and how a task is made of one.

    `agrees_within` is how far the answers may lie apart, as a share of the largest number.
    """

    name: str
    plain_way: str
    sizes: tuple[Size, ...]
    warm_up: Size
    make: Callable[[Size], AbstractContextManager[Task]]
    agrees_within: float = 1e-6


@dataclass(frozen=True, slots=True)
class PathRow:
    """One path at one size. Times are medians, in seconds."""

    path: str
    plain_way: str
    size: Size
    ours_s: float
    solver_s: float | None
    """Of these, inside the solvers; None where they run elsewhere."""
    plain_s: float | None
    plain_share: float
    """Of the plain way's work, that done; its time is scaled to the whole."""
    apart_share: float | None
    """Largest difference of the two ways' numbers, as a share of the largest of them."""
    agrees: bool
    peak_mb: float | None
    growth: float | None = None
    """Of the path, in its last row: time grows as the size's extent to this power."""

    @property
    def times_faster(self) -> float | None:
        return None if self.plain_s is None else self.plain_s / self.ours_s


def bench_paths(
    paths: Iterable[BenchPath],
    *,
    quick: bool = False,
    memory: bool = True,
    on_row: Callable[[PathRow], None] = lambda row: None,
) -> tuple[PathRow, ...]:
    """Measure every path at every size, or at its smallest alone if `quick`; `on_row` gets
    each as it is done."""
    rows = []
    for path in paths:
        for row in _rows_of(path, path.sizes[:1] if quick else path.sizes, memory):
            on_row(row)
            rows.append(row)
    return tuple(rows)


def _rows_of(path: BenchPath, sizes: Sequence[Size], memory: bool) -> Iterator[PathRow]:
    with path.make(path.warm_up) as task:  # so that no size pays for imports
        _take_turns(task, max_runs=1)
    rows = []
    for size in sizes:
        peak = peak_mb(path.name, size.numbers) if memory else None
        row = replace(_row(path, size), peak_mb=peak)
        rows.append(row)
        if len(rows) == len(sizes):
            row = replace(row, growth=growth([(r.size.extent, r.ours_s) for r in rows]))
        yield row


def _row(path: BenchPath, size: Size) -> PathRow:
    with path.make(size) as task:
        runs = _take_turns(task, _MAX_RUNS)
    apart = None if task.plain is None else apart_share(runs.ours, runs.plain)
    return PathRow(
        path=path.name,
        plain_way=path.plain_way,
        size=size,
        ours_s=median(runs.ours_s),
        solver_s=median(runs.solver_s) if task.solver_is_here else None,
        plain_s=median(runs.plain_s) / task.plain_share if runs.plain_s else None,
        plain_share=task.plain_share,
        apart_share=apart,
        agrees=apart is None or apart <= path.agrees_within,
        peak_mb=None,
    )


@dataclass
class _Runs:
    """Seconds of each run, and the last answers."""

    ours_s: list[float]
    solver_s: list[float]
    plain_s: list[float]
    ours: Mapping[str, Span]
    plain: Mapping[str, float]

    def run_ours(self, task: Task) -> None:
        began = perf_counter()
        with solver_time() as counted:
            self.ours = task.ours()
        self.ours_s.append(perf_counter() - began)
        self.solver_s.append(counted.seconds)

    def run_plain(self, task: Task) -> None:
        began = perf_counter()
        self.plain = task.plain()
        self.plain_s.append(perf_counter() - began)


def _take_turns(task: Task, max_runs: int) -> _Runs:
    """Ours, plain, ours, plain; where the plain way is slow, ours still is run three times if
    that is quick."""
    runs = _Runs([], [], [], {}, {})
    began = perf_counter()
    while True:
        runs.run_ours(task)
        if task.plain is not None:
            runs.run_plain(task)
        if len(runs.ours_s) == max_runs or perf_counter() - began > _BUDGET_S:
            break
    while len(runs.ours_s) < min(_OURS_AT_MIN, max_runs) and sum(runs.ours_s) < _BUDGET_S:
        runs.run_ours(task)
    return runs


def apart_share(ours: Mapping[str, Span], plain: Mapping[str, float]) -> float:
    """How far the plain way's numbers lie outside ours, the most of all, by the largest number."""
    largest = max((abs(number) for number in plain.values()), default=0.0) or 1.0

    def outside(name: str, number: float) -> float:
        own = ours[name]
        minimum, maximum = own if isinstance(own, tuple) else (own, own)
        return max(minimum - number, number - maximum, 0.0)

    return max((outside(*each) for each in plain.items()), default=0.0) / largest


def growth(points: Sequence[tuple[float, float]]) -> float | None:
    """The power of the extent with which time grows: the slope of a straight line through the
    logarithms, by least squares; None where the extent never differs."""
    x = [math.log(extent) for extent, _ in points]
    y = [math.log(seconds) for _, seconds in points]
    spread = sum((each - fmean(x)) ** 2 for each in x)
    if spread == 0:
        return None
    return sum((a - fmean(x)) * b for a, b in zip(x, y, strict=True)) / spread
