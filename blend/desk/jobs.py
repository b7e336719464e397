"""Long work in the background: it reports progress and can be stopped."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor, wait
from time import monotonic
from typing import Any

from blend.errors import FileTrouble

_MAX_KEPT = 64
_AT_ONCE = 2


class Job:
    """One piece of long work. `result()` raises what the work raised.

    `can_stop`: the work looks whether it is stopped, and then ends with the best so far.
    `is_superseded`: the tables have changed since, and nobody waits for it any more.
    """

    def __init__(self, about: str, revision: int | None = None, *, can_stop: bool = False) -> None:
        self.about = about
        self.revision = revision
        self.can_stop = can_stop
        self.is_superseded = False
        self.said = ""
        self.began = monotonic()
        self._stopped = threading.Event()
        self.future: Future[Any] = Future()

    def say(self, text: str) -> None:
        self.said = text

    def stop(self) -> None:
        self._stopped.set()

    def is_stopped(self) -> bool:
        return self._stopped.is_set()

    @property
    def is_done(self) -> bool:
        return self.future.done()

    @property
    def seconds(self) -> int:
        return int(monotonic() - self.began)

    def result(self) -> Any:
        try:
            return self.future.result()
        except CancelledError:
            raise FileTrouble(
                "the tables have changed since this was asked for; load the page again"
            ) from None

    def wait(self, seconds: float) -> bool:
        """Wait a little, so that what is quick needs no second look; whether it is done."""
        try:
            self.future.exception(timeout=seconds)
        except TimeoutError:
            return False
        except CancelledError:
            return True
        return True


class Jobs:
    """Work by a key of everything it depends on: what was asked before is answered at once."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(_AT_ONCE, "desk")
        self._jobs: OrderedDict[Hashable, Job] = OrderedDict()
        self._lock = threading.Lock()

    def ask(
        self,
        key: Hashable,
        about: str,
        work: Callable[[Job], Any],
        *,
        revision: int | None = None,
        can_stop: bool = False,
    ) -> Job:
        """The work of this key, begun where it was not yet; on the tables as of `revision`, or on
        nothing that is typed."""
        key = (revision, key)
        with self._lock:
            job = self._jobs.get(key)
            if job is None:
                job = Job(about, revision, can_stop=can_stop)
                self._jobs[key] = job
                self._pool.submit(_run, job, work)
                self._forget_old()
            self._jobs.move_to_end(key)
            return job

    def known(self, revision: int, key: Hashable) -> Job | None:
        """The work of this key where it was asked for, and neither forgotten nor superseded."""
        with self._lock:
            job = self._jobs.get((revision, key))
        return None if job is None or job.is_superseded else job

    def supersede(self, revision: int) -> None:
        """End what was begun on the tables as they were before `revision`."""
        with self._lock:
            for job in self._jobs.values():
                is_older = job.revision is not None and job.revision < revision
                if is_older and not job.is_done:
                    job.is_superseded = True
                    job.stop()

    def close(self, seconds: float = 0.0) -> bool:
        """Stop everything; whether all has ended within so many seconds."""
        with self._lock:
            left = [job for job in self._jobs.values() if not job.is_done]
            for job in left:
                job.is_superseded = True
                job.stop()
        self._pool.shutdown(wait=False)
        return not wait([job.future for job in left], seconds).not_done

    def _forget_old(self) -> None:
        while len(self._jobs) > _MAX_KEPT:
            _, job = self._jobs.popitem(last=False)
            job.stop()


def _run(job: Job, work: Callable[[Job], Any]) -> None:
    if job.is_superseded:
        job.future.cancel()
        return
    try:
        job.future.set_result(work(job))
    except BaseException as error:  # raised where the result is asked for
        job.future.set_exception(error)
