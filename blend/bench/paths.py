"""The main paths, in the order of their people: grinder, trader, reporter."""

from __future__ import annotations

from importlib.util import find_spec

from blend.bench.grind_paths import PLAIN, SAFE, TIGHT, WHOLE
from blend.bench.measure import BenchPath
from blend.bench.report_paths import MARKET_MOVED, PLAN_MOVED, QUOTATION
from blend.bench.trade_paths import (
    CLUSTER,
    DEMAND,
    HAS_CLUSTER,
    ONE_PROCESS,
    POSITIONS,
    TWO_PROCESSES,
)

HAS_DESK = all(find_spec(name) is not None for name in ("jinja2", "starlette", "uvicorn"))


def _edit() -> tuple[BenchPath, ...]:
    """An edit on the page, where what serves the page is installed."""
    if not HAS_DESK:
        return ()
    from blend.bench.page import EDIT

    return (EDIT,)


PATHS: tuple[BenchPath, ...] = (
    PLAIN,
    TIGHT,
    WHOLE,
    SAFE,
    POSITIONS,
    DEMAND,
    ONE_PROCESS,
    TWO_PROCESSES,
    *((CLUSTER,) if HAS_CLUSTER else ()),
    QUOTATION,
    PLAN_MOVED,
    MARKET_MOVED,
    *_edit(),
)


def path_named(name: str) -> BenchPath:
    return next(path for path in PATHS if path.name == name)
