"""Measurements as tables. They take plain rows, so that nothing here imports a benchmark."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from blend.show.amounts import percent
from blend.show.shown import Format, ShownColumn, ShownTable, shown_table


def paths_table(rows: Iterable[Any]) -> ShownTable:
    """Rows of `blend.bench.measure.PathRow`."""
    rows = list(rows)
    return shown_table(
        "Every main path against the plainest public way of doing the same",
        (
            ShownColumn("Path"),
            ShownColumn("Size"),
            ShownColumn("Ours", "ms", Format.TENTHS),
            ShownColumn("Solver", "ms", Format.TENTHS),
            ShownColumn("Plain way", "ms", Format.TENTHS),
            ShownColumn("Timed", "%", Format.TENTHS),
            ShownColumn("Times faster", "", Format.TENTHS),
            ShownColumn("Apart", "", Format.READING),
            ShownColumn("Peak", "MB", Format.TENTHS),
            ShownColumn("Growth", "", Format.HUNDREDTHS),
        ),
        (
            (
                row.path,
                row.size.words,
                1e3 * row.ours_s,
                None if row.solver_s is None else 1e3 * row.solver_s,
                None if row.plain_s is None else 1e3 * row.plain_s,
                None if row.plain_s is None else 100 * row.plain_share,
                row.times_faster,
                _apart(row),
                row.peak_mb,
                row.growth,
            )
            for row in rows
        ),
        "Medians of one run, both ways by turns, from the same things in memory. Solver: of ours, "
        "inside HiGHS or Clarabel. Timed: what of the plain way's work was done; its time is "
        "scaled to all of it. Apart: the largest difference of the answers by the largest number. "
        "Peak: beyond imports, in a process of its own; where there are workers, with all that "
        "the largest of them holds. Growth: time grows as the size to this power (pairs of lot "
        "and product, times days; firms). Plain ways: "
        + "; ".join(f"{way} for {', '.join(paths)}" for way, paths in _ways(rows).items())
        + ".",
    )


def _apart(row: Any) -> str:
    if row.apart_share is None:
        return f"{row.plain_way} is missing"
    return f"{row.apart_share:.0e}" + ("" if row.agrees else ": they disagree")


def _ways(rows: Iterable[Any]) -> dict[str, list[str]]:
    """By plain way, the paths it is the way of."""
    ways: dict[str, list[str]] = {}
    for path, way in dict.fromkeys((row.path, row.plain_way) for row in rows):
        ways.setdefault(way, []).append(path)
    return ways


def pages_table(rows: Iterable[Any]) -> ShownTable:
    """Rows of `blend.bench.page.PageTime`."""
    return shown_table(
        "From a price typed at the desk to the new plan",
        (
            ShownColumn("Size"),
            ShownColumn("Bare solver", "ms", Format.TENTHS),
            ShownColumn("Answer", "ms", Format.TENTHS),
            ShownColumn("Seen", "ms", Format.TENTHS),
            ShownColumn("PuLP and CBC", "ms", Format.TENTHS),
            ShownColumn("Apart", "", Format.READING),
        ),
        (
            (
                row.size.words,
                1e3 * row.solver_s,
                1e3 * row.edit_s,
                None if row.seen_s is None else 1e3 * row.seen_s,
                1e3 * row.plain_s,
                f"{row.apart_share:.0e}",
            )
            for row in rows
        ),
        "Medians of one run. Bare solver: from its last optimum, on the same change. Answer: with "
        "every part of the grinder's page, through a socket. Seen: from the key to the plan "
        "painted in a browser, where there is one. PuLP and CBC: the programme stated anew.",
    )


def plan_table(rows: Iterable[Any]) -> ShownTable:
    """Rows of `blend.bench.plan.PlanTiming`."""
    return shown_table(
        "The linear programme of a day: sparse arrays and HiGHS against plain PuLP and CBC",
        (
            ShownColumn("Lots × products"),
            ShownColumn("Kind"),
            ShownColumn("Build", "ms", Format.TENTHS),
            ShownColumn("Solve", "ms", Format.TENTHS),
            ShownColumn("Whole", "ms", Format.TENTHS),
            ShownColumn("PuLP builds", "ms", Format.TENTHS),
            ShownColumn("PuLP whole", "ms", Format.TENTHS),
            ShownColumn("Times faster", "", Format.TENTHS),
            ShownColumn("Costs apart"),
        ),
        (
            (
                f"{row.lots} × {row.products}",
                row.kind,
                1e3 * row.build_s,
                1e3 * row.solve_s,
                1e3 * row.whole_s,
                1e3 * row.plain_build_s,
                1e3 * row.plain_whole_s,
                row.times_faster,
                f"{row.apart_share:.0e}",
            )
            for row in rows
        ),
        "Both begin from the same case in memory. Costs apart: relative difference of the two "
        "optimal costs. Ratios hang on the instance: both kinds are told.",
    )


def whole_table(row: Any) -> ShownTable:
    """A row of `blend.bench.plan.WholeTiming`."""
    return shown_table(
        "The plan of a day in whole numbers",
        (
            ShownColumn("Lots × products"),
            ShownColumn("Seconds", "", Format.HUNDREDTHS),
            ShownColumn("Cost", "USD", Format.HUNDREDTHS),
            ShownColumn("Gap"),
            ShownColumn("Stopped early"),
        ),
        [
            (
                f"{row.lots} × {row.products}",
                row.seconds,
                row.total_usd,
                percent(row.gap_share),
                "yes" if row.stopped_early else "no",
            )
        ],
        "From the case in memory to the proved plan, worths left out. Gap: at most so far from "
        "the least cost.",
    )


def demand_table(rows: Iterable[Any]) -> ShownTable:
    """Rows of `blend.bench.demand.DemandTiming`."""
    return shown_table(
        "One lot's demand curve at many prices",
        (
            ShownColumn("Way"),
            ShownColumn("Prices", "", Format.WHOLE),
            ShownColumn("Timed", "", Format.WHOLE),
            ShownColumn("Seconds", "", Format.HUNDREDTHS),
            ShownColumn("Times exact", "", Format.TENTHS),
        ),
        ((row.way, row.points, row.solved, row.seconds, row.times_exact) for row in rows),
        "Where fewer prices were timed than asked for, seconds are scaled to all of them.",
    )


def safe_table(rows: Iterable[Any]) -> ShownTable:
    """Rows of `blend.bench.safe.ConeTime`."""
    return shown_table(
        "Promised confidence: ways to one optimum",
        (
            ShownColumn("Way"),
            ShownColumn("Time", "ms", Format.TENTHS),
            ShownColumn("Cost", "USD", Format.HUNDREDTHS),
            ShownColumn("Own gap"),
            ShownColumn("Costs apart"),
            ShownColumn("Rounds", "", Format.WHOLE),
        ),
        (
            (
                row.way,
                1e3 * row.seconds,
                row.objective_usd,
                "proves none" if row.gap_share is None else f"{row.gap_share:.0e}",
                f"{row.apart_share:.0e}",
                row.rounds,
            )
            for row in rows
        ),
        "Costs apart: relative difference from the conic library's cost.",
    )
