"""Benchmark results as tables, each with the note that goes under it."""

from __future__ import annotations

from collections.abc import Iterable

import pandas

from tests.bench.measure import PathRow
from tests.bench.page import PageTime

PATHS_NOTE = """\
Medians of one run on this machine; the two ways take turns on the same data in memory. Compare
the ratios, not the times. Solver: the part of Blend's time spent in HiGHS or Clarabel. Baseline
run: the share of the baseline's work that was run; its time is scaled up to all of it. Max
difference: largest difference between the answers, relative to the largest number. Peak: memory
beyond imports, in a fresh process, plus the largest worker's. Growth: time grows as size to this
power (lots times products times days, or companies)."""

PAGES_NOTE = """\
Medians of one run, from a price typed at the desk to the new plan. Bare solver: restarted from its
last optimum. Answer: every part of the grinder's page, over a socket. Painted: from the key press
to the plan on screen, blank without Chromium. PuLP and CBC: rebuilt and solved from scratch."""


def paths_table(rows: Iterable[PathRow]) -> pandas.DataFrame:
    return pandas.DataFrame(
        {
            "path": row.path,
            "size": row.size.words,
            "baseline": row.plain_way,
            "Blend ms": _ms(row.ours_s),
            "solver ms": _ms(row.solver_s),
            "baseline ms": _ms(row.plain_s),
            "baseline run %": "" if row.plain_s is None else _number(100 * row.plain_share),
            "times faster": _number(row.times_faster),
            "max difference": _difference(row),
            "peak MB": _number(row.peak_mb),
            "growth": _number(row.growth, 2),
        }
        for row in rows
    )


def _difference(row: PathRow) -> str:
    if row.apart_share is None:
        return "baseline not installed"
    return f"{row.apart_share:.0e}" + ("" if row.agrees else ": ANSWERS DISAGREE")


def pages_table(rows: Iterable[PageTime]) -> pandas.DataFrame:
    return pandas.DataFrame(
        {
            "size": row.size.words,
            "bare solver ms": _ms(row.solver_s),
            "answer ms": _ms(row.edit_s),
            "painted ms": _ms(row.seen_s),
            "PuLP and CBC ms": _ms(row.plain_s),
            "difference": f"{row.apart_share:.0e}",
        }
        for row in rows
    )


def _ms(seconds: float | None) -> str:
    return "" if seconds is None else _number(1e3 * seconds)


def _number(value: float | None, digits: int = 1) -> str:
    return "" if value is None else f"{value:,.{digits}f}"
