"""Work in chunks: in this process, in several, or on a Dask cluster, kept as it goes.

Chunks are of one size whatever the number of workers, and come back in order: one worker, many, or
a cluster give the same table.
"""

from __future__ import annotations

import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import islice
from multiprocessing.connection import Connection
from threading import Thread, current_thread, main_thread
from typing import Any

import numpy as np

from blend.errors import BlendError
from blend.model.solver import Outcome
from blend.trader.kept_scenarios import Keep, job_mark, read_kept, write_kept

CHUNK = 50
"""Scenarios solved in one piece of work."""
_AHEAD = 2
"""Chunks under way for each worker: enough to keep it busy, few enough to hold in memory."""
_UNSAVED_SHARE = 0.05
"""Of the scenarios done, what a killed run may lose: each save writes all of them again."""

Run = Callable[[bytes, int, int], tuple[list[Outcome], np.ndarray]]
"""What workers are handed: a packed job, the first scenario of a chunk and the one after its last.
It gives their outcomes, and a row of numbers for each."""
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Work:
    """Who does the work, who hears of it, and where it is kept.

    `workers` are processes on this machine; `scheduler` is the address of a Dask scheduler, which
    then does it instead. `progress` gets how many of how many are done. `keep` is where finished
    chunks are saved, the last of them at the end; what it holds already of the same job is not
    solved again.
    """

    workers: int = 1
    scheduler: str | None = None
    progress: Progress | None = None
    stopped: Callable[[], bool] | None = None
    keep: Keep | None = None

    def run(
        self, run: Run, job: Any, packed: bytes, count: int, columns: tuple[str, ...]
    ) -> tuple[tuple[Outcome, ...], np.ndarray]:
        """Outcomes and numbers of all scenarios of a job; those done so far after Ctrl-C, or once
        `stopped()`. Memory is bounded: 8 bytes for each number, and `_AHEAD` chunks for each
        worker. Raises BlendError where Dask is asked for and missing."""
        values = np.full((count, len(columns)), np.nan)
        outcomes: list[Outcome] = []
        mark, saved = "", 0
        if self.keep is not None:
            mark = job_mark(job, columns)
            outcomes, there = read_kept(self.keep, mark)
            saved = len(outcomes)
            if there is not None:
                values[:saved] = there

        def save() -> None:
            nonlocal saved
            if self.keep is not None and len(outcomes) > saved:
                write_kept(self.keep, mark, outcomes, values[: len(outcomes)])
                saved = len(outcomes)

        try:
            with _executor(self.workers, self.scheduler) as (executor, width):
                chunks = _in_order(executor, width, run, packed, len(outcomes), count)
                for start, (found, numbers) in chunks:
                    values[start : start + len(found)] = numbers
                    outcomes += found
                    if len(outcomes) > (1 + _UNSAVED_SHARE) * saved:
                        save()
                    if self.progress is not None:
                        self.progress(len(outcomes), count)
                    if self.stopped is not None and self.stopped():
                        break
        except KeyboardInterrupt:
            if not outcomes:
                raise
        finally:
            save()
        return tuple(outcomes), values[: len(outcomes)]


def _in_order(
    executor: Executor | None, width: int, run: Run, packed: bytes, first: int, count: int
) -> Iterator[tuple[int, tuple[list[Outcome], np.ndarray]]]:
    """Chunks from `first` on with their first index, in order; few are under way at any time."""
    spans = ((start, min(start + CHUNK, count)) for start in range(first, count, CHUNK))
    if executor is None:
        for start, stop in spans:
            yield start, run(packed, start, stop)
        return
    under_way: deque[tuple[int, Future]] = deque()

    def hand_out(more: Iterable[tuple[int, int]]) -> None:
        for start, stop in more:
            with _undisturbed():  # This may start a worker, which is to hear of no Ctrl-C.
                future = executor.submit(run, packed, start, stop)
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
