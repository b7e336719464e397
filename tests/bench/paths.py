"""The main paths, in the order of their people: grinder, trader, reporter."""

from __future__ import annotations

from tests.bench.grind_paths import PLAIN, SAFE, TIGHT, WHOLE
from tests.bench.measure import BenchPath
from tests.bench.page import EDIT
from tests.bench.report_paths import MARKET_MOVED, PLAN_MOVED, QUOTATION
from tests.bench.trade_paths import (
    BOOK,
    CLUSTER,
    DEMAND,
    HAS_CLUSTER,
    ONE_PROCESS,
    POSITIONS,
    TWO_PROCESSES,
)

PATHS: tuple[BenchPath, ...] = (
    PLAIN,
    TIGHT,
    WHOLE,
    SAFE,
    POSITIONS,
    BOOK,
    DEMAND,
    ONE_PROCESS,
    TWO_PROCESSES,
    *((CLUSTER,) if HAS_CLUSTER else ()),
    QUOTATION,
    PLAN_MOVED,
    MARKET_MOVED,
    EDIT,
)


def path_named(name: str) -> BenchPath:
    return next(path for path in PATHS if path.name == name)
