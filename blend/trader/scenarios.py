"""Scenarios: one case under many prices, supplies, orders and exchange rates.

The work is cut into chunks of one size, whatever the number of workers, and each scenario is
drawn from its own stream of random numbers and solved from the same start. So one worker, many
or a distant cluster give the same table.
"""

from __future__ import annotations

import os
import pickle
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import islice
from multiprocessing.connection import Connection
from threading import Thread, current_thread, main_thread

import numpy as np

from blend.domain.case import Case
from blend.domain.imports import ForeignOffer, ImportRate
from blend.domain.scenarios import (
    BASE,
    Distribution,
    Drawn,
    ScenarioField,
    ScenarioRow,
    changed_lot,
    changed_order,
)
from blend.errors import BlendError
from blend.model.scenarios import WarmCase
from blend.model.solver import Outcome
from blend.trader.import_parity import at_rate, land_all, landed_usd_per_lb
from blend.units import LB_PER_CWT

CHUNK = 50
"""Scenarios solved in one piece of work."""
_AHEAD = 2
"""Chunks under way for each worker: enough to keep it busy, few enough to hold in memory."""
_MIN_LB = 1e-6

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class ScenarioJob:
    """All that a worker needs: the case, the changes and how many draws."""

    case: Case
    rows: tuple[ScenarioRow, ...]
    draws: int = 0
    seed: int = 0
    offers: tuple[ForeignOffer, ...] = ()
    rates: tuple[ImportRate, ...] = ()

    @cached_property
    def named(self) -> tuple[str, ...]:
        """Named scenarios, in the order in which the table first names them."""
        fixed = [row.scenario for row in self.rows if row.distribution is Distribution.FIXED]
        return tuple(dict.fromkeys(fixed))

    @cached_property
    def rows_of_lot(self) -> dict[str, frozenset[str]]:
        """By lot, the ids of the rows that change it."""
        return {
            lot.lot_id: frozenset(row.row_id for row in self.rows if row.means(lot))
            for lot in self.case.lots
        }

    def __len__(self) -> int:
        return 1 + len(self.named) + self.draws

    def name(self, index: int) -> str:
        if index == 0:
            return BASE
        if index <= len(self.named):
            return self.named[index - 1]
        return f"draw {index - len(self.named)}"

    def changes(self, index: int) -> tuple[Drawn, ...]:
        """What changes in one scenario; drawn from a stream of its own."""
        if index == 0:
            return ()
        if index <= len(self.named):
            name = self.named[index - 1]
            return tuple(
                Drawn(row, row.value)
                for row in self.rows
                if row.distribution is Distribution.FIXED and row.scenario == name
            )
        rows = [row for row in self.rows if row.distribution is not Distribution.FIXED]
        own = np.random.default_rng([self.seed, index - len(self.named)])
        normals: dict[str, float] = {}
        for row, normal in zip(rows, own.standard_normal(len(rows)).tolist(), strict=True):
            if row.correlated_with:
                with_it = row.correlation
                normal = with_it * normals[row.correlated_with] + (1 - with_it**2) ** 0.5 * normal
            normals[row.row_id] = normal
        return tuple(Drawn(row, row.drawn(normals[row.row_id])) for row in rows)

    def added_by_rates(self, changes: tuple[Drawn, ...]) -> dict[str, float]:
        """By lot, how far exchange rates move the landed price of its foreign offer, USD/lb."""
        moved = [drawn for drawn in changes if drawn.row.field is ScenarioField.RATE]
        added = {}
        for offer in self.offers:
            rate = offer.usd_per_currency
            for drawn in moved:
                if drawn.row.currency == offer.currency:
                    rate = drawn.row.change.of(rate, drawn.value)
            if offer.lot_id and rate != offer.usd_per_currency:
                there = landed_usd_per_lb(at_rate(offer, rate), self.rates)
                added[offer.lot_id] = there - landed_usd_per_lb(offer, self.rates)
        return added


@dataclass(frozen=True)
class ScenarioResults:
    """One row a scenario: its name, its outcome and `values` under `columns`.

    `values` is NaN where a scenario has no plan. Rows not reached, after Ctrl-C, are left out.
    """

    job: ScenarioJob
    columns: tuple[str, ...]
    outcomes: tuple[Outcome, ...]
    values: np.ndarray

    @property
    def is_complete(self) -> bool:
        return len(self.outcomes) == len(self.job)

    def column(self, name: str) -> np.ndarray:
        return self.values[:, self.columns.index(name)]

    def drawn(self, name: str) -> np.ndarray:
        """The values of a column in the draws that have a plan."""
        values = self.column(name)[1 + len(self.job.named) :]
        return values[~np.isnan(values)]

    def table_rows(self) -> Iterator[tuple]:
        """Rows of the tidy table: scenario, outcome, then the values; None where there is none,
        be it that no plan would be left with one hundredweight more."""
        for index, outcome in enumerate(self.outcomes):
            values = (float(x) if np.isfinite(x) else None for x in self.values[index])
            yield (self.job.name(index), outcome.value, *values)


def run_scenarios(
    job: ScenarioJob,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
    stopped: Callable[[], bool] | None = None,
) -> ScenarioResults:
    """Solve every scenario of a job: the case as it is, the named ones, the draws.

    `workers` are processes on this machine; `scheduler` is the address of a Dask scheduler,
    which then does the work instead. `progress` is told how many of how many are done. Ctrl-C, or
    `stopped()`, ends the work and gives the scenarios done so far. Memory is bounded: 8 bytes for
    each number of the results, and `_AHEAD` chunks for each worker.

    Raises BlendError where Dask is asked for and missing, InputRefused where a rate is to move
    a foreign offer that lacks one of its duties.
    """
    if any(row.field is ScenarioField.RATE for row in job.rows):
        # what an offer lacks is told here and now, not by a worker
        land_all([offer for offer in job.offers if offer.lot_id], job.rates)
    packed = _packed(job)
    warm = _warm_case(packed)
    columns = _columns(warm, job.case)
    values = np.full((len(job), len(columns)), np.nan)
    outcomes: list[Outcome] = []
    try:
        with _executor(workers, scheduler) as (executor, width):
            for start, chunk in _in_order(executor, width, packed, len(job)):
                found, numbers = chunk
                values[start : start + len(found)] = numbers
                outcomes += found
                if progress is not None:
                    progress(len(outcomes), len(job))
                if stopped is not None and stopped():
                    break
    except KeyboardInterrupt:
        if not outcomes:
            raise
    return ScenarioResults(job, columns, tuple(outcomes), values[: len(outcomes)])


# A chunk of work ------------------------------------------------------------------------------


def _packed(job: ScenarioJob) -> bytes:
    return pickle.dumps(job, protocol=5)


@lru_cache(maxsize=1)
def _job(packed: bytes) -> ScenarioJob:
    return pickle.loads(packed)


@lru_cache(maxsize=1)
def _warm_case(packed: bytes) -> WarmCase:
    """The case of a job, kept warm in its process until another job comes."""
    return WarmCase(_job(packed).case)


def run_chunk(packed: bytes, start: int, stop: int) -> tuple[list[Outcome], np.ndarray]:
    """Solve the scenarios `start` to `stop` of a packed job; what workers are handed."""
    job, warm = _job(packed), _warm_case(packed)
    solved = [_solve(job, warm, index) for index in range(start, stop)]
    return [outcome for outcome, _ in solved], np.array([numbers for _, numbers in solved])


def _solve(job: ScenarioJob, warm: WarmCase, index: int) -> tuple[Outcome, np.ndarray]:
    changes = job.changes(index)
    added = job.added_by_rates(changes)
    lots = {}
    for lot in job.case.lots:
        rows = job.rows_of_lot[lot.lot_id]
        own = tuple(drawn for drawn in changes if drawn.row.row_id in rows)
        if own or lot.lot_id in added:
            lots[lot.lot_id] = changed_lot(lot, own, added.get(lot.lot_id, 0.0))
    orders = {}
    for product in job.case.products:
        as_it_is = product.min_lb, product.max_lb
        changed_to = changed_order(*as_it_is, product.product_id, changes)
        if changed_to != as_it_is:
            orders[product.product_id] = changed_to
    answer = warm.solve(lots, orders)
    made_lb = answer.finished_lb
    per_cwt = answer.objective_usd / made_lb * LB_PER_CWT if made_lb > _MIN_LB else np.nan
    summary = (answer.objective_usd, per_cwt, made_lb, answer.short_lb)
    return answer.outcome, np.concatenate((summary, answer.taken_lb, answer.next_cwt_usd))


SUMMARY = ("objective_usd", "usd_per_finished_cwt", "finished_lb", "short_lb")
TAKEN, NEXT_CWT = "taken_lb ", "next_cwt_usd "
"""Beginnings of the names of columns by lot and by product."""


def _columns(warm: WarmCase, case: Case) -> tuple[str, ...]:
    taken = (f"{TAKEN}{lot_id}" for lot_id in warm.lot_ids)
    return (*SUMMARY, *taken, *(f"{NEXT_CWT}{p.product_id}" for p in case.products))


# Who does the work ----------------------------------------------------------------------------


def _in_order(
    executor: Executor | None, width: int, packed: bytes, count: int
) -> Iterator[tuple[int, tuple[list[Outcome], np.ndarray]]]:
    """Chunks with their first index, in order; few are under way at any time."""
    spans = ((start, min(start + CHUNK, count)) for start in range(0, count, CHUNK))
    if executor is None:
        for start, stop in spans:
            yield start, run_chunk(packed, start, stop)
        return
    under_way: deque[tuple[int, Future]] = deque()

    def hand_out(more: Iterable[tuple[int, int]]) -> None:
        for start, stop in more:
            with _undisturbed():  # This may start a worker, which is to hear of no Ctrl-C.
                future = executor.submit(run_chunk, packed, start, stop)
            under_way.append((start, future))

    hand_out(islice(spans, _AHEAD * width))
    while under_way:
        start, future = under_way.popleft()
        yield start, future.result()
        hand_out(islice(spans, 1))


@contextmanager
def _executor(workers: int, scheduler: str | None) -> Iterator[tuple[Executor | None, int]]:
    """Who does the work and how many of them; None for this process alone."""
    if scheduler is not None:
        with _dask(scheduler) as (executor, width):
            yield executor, width
    elif workers > 1:
        from concurrent.futures import ProcessPoolExecutor
        from multiprocessing import get_context

        # a fresh interpreter for each worker: a solver does not take well to being forked
        context = get_context("spawn")
        wanted, kept_open = context.Pipe(duplex=False)
        pool = ProcessPoolExecutor(workers, context, _work_while, (wanted,))
        try:
            yield pool, workers
        except BaseException:
            kept_open.close()  # What workers are at is of no use to anybody.
            raise
        finally:
            with _undisturbed():  # A join that is broken off would leave the others hanging.
                pool.shutdown(wait=True, cancel_futures=True)
            kept_open.close()
            wanted.close()
    else:
        yield None, 1


def _work_while(wanted: Connection) -> None:
    """Leave Ctrl-C to the parent; end at once when its end of the pipe is closed, or it dies."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def end_with_the_parent() -> None:
        with suppress(EOFError, OSError):
            wanted.recv()
        os._exit(1)

    Thread(target=end_with_the_parent, daemon=True).start()


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Ctrl-C does nothing meanwhile, here and in processes that are started."""
    if current_thread() is not main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _dask(address: str) -> Iterator[tuple[Executor, int]]:
    try:
        from distributed import Client
    except ImportError as error:
        raise BlendError(
            "a scheduler needs Dask; in blend's own folder: python -m pip install '.[dask]'"
        ) from error
    try:
        client = Client(address, timeout="10s")
    except OSError as error:
        raise BlendError(f"{address}: no scheduler answers there ({error})") from error
    with client:
        width = max(1, sum(client.nthreads().values()))
        # pure=False: the same chunk of the same job is never mistaken for another's
        executor = client.get_executor(pure=False)
        try:
            yield executor, width
        finally:
            executor.shutdown(wait=False)
