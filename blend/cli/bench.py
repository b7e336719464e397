"""Measurements: each against the plainest way of doing the same, in one run."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from blend.cli.common import read_folder

MEASURES = ("all", "plan", "demand", "safe", "page")


@click.command()
@click.argument("measure", type=click.Choice(MEASURES), default="all", metavar="[MEASURE]")
@click.option("--quick", is_flag=True, help="With all: the smallest size of each path only.")
@click.option(
    "--folder",
    type=click.Path(path_type=Path),
    help="A case whose plan in whole numbers is timed with the measure plan.",
)
def bench(measure: str, quick: bool, folder: Path | None) -> None:
    """Time the main paths against plain ways of doing the same.

    MEASURE is all, where none is named: one table of every main path at three sizes, which takes
    about ten minutes, or a minute with --quick. Or in more detail: plan (building and solving,
    against PuLP with CBC), demand (a demand curve at 1,000 prices, against stating the programme
    anew at each), safe (promised confidence, against a conic library) or page (an edit at the
    desk, to the answer and as a browser shows it, beside the bare solver). Ratios of one run mean
    something, seconds only on the machine they were taken on. Needs the extra `reference`; paths
    whose plain way is pandas, CVXPY or Dask need that library beside it.
    """
    from blend.show.bench import (
        demand_table,
        pages_table,
        paths_table,
        plan_table,
        safe_table,
        whole_table,
    )
    from blend.show.text import table_text, tables_text

    case = None if folder is None else read_folder(folder).case

    def every() -> str:
        from blend.bench.measure import PathRow, bench_paths
        from blend.bench.paths import PATHS

        def told(row: PathRow) -> None:
            if sys.stderr.isatty():
                click.echo(f"{row.path}, {row.size.words}: done", err=True)

        return table_text(paths_table(bench_paths(PATHS, quick=quick, on_row=told)))

    def plan() -> str:
        from blend.bench.plan import bench_plan, time_whole_plan

        tables = [plan_table(bench_plan())]
        if case is not None:
            tables.append(whole_table(time_whole_plan(case)))
        return tables_text(tables)

    def demand() -> str:
        from blend.bench.demand import bench_demand

        return table_text(demand_table(bench_demand()))

    def safe() -> str:
        from blend.bench.safe import time_cones

        return table_text(safe_table(time_cones()))

    def page() -> str:
        from blend.bench.page import time_pages

        return table_text(pages_table(time_pages()))

    measures = {"all": every, "plan": plan, "demand": demand, "safe": safe, "page": page}
    click.echo(measures[measure]())
