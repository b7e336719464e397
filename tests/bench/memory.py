"""Peak memory of one path, in a process that does nothing else."""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from importlib.util import find_spec
from multiprocessing import get_all_start_methods, get_context

_BYTES_PER_MB = 1e6


def peak_mb(path_name: str, numbers: tuple[int, ...]) -> float | None:
    """MB by which a path raises the memory of a fresh process at most, imports left out; where
    it has workers of its own, with all that the largest of them holds.

    None where the system does not report it. The process is forked from a small server: one started
    by `exec` would count the memory of the process that started it.
    """
    if find_spec("resource") is None or "forkserver" not in get_all_start_methods():
        return None
    with ProcessPoolExecutor(1, get_context("forkserver")) as fresh:
        return fresh.submit(_measured_mb, path_name, numbers).result()


def _measured_mb(path_name: str, numbers: tuple[int, ...]) -> float:
    import resource

    from tests.bench.paths import path_named

    path = path_named(path_name)
    with path.make(path.warm_up) as task:
        task.ours()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with path.make(next(size for size in path.sizes if size.numbers == numbers)) as task:
        task.ours()
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    workers = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    # Linux counts in units of 1,024 bytes, macOS in bytes
    unit = 1 if sys.platform == "darwin" else 1_024
    return (after - before + workers) * unit / _BYTES_PER_MB
