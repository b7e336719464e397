"""`python -m tests.bench`: time Blend against the plainest public way to the same answers."""

from __future__ import annotations

import sys
from collections.abc import Sequence

import click
import pandas

from blend.tables.method import read_method
from tests.bench import first_plans, manipulation, planted, tables, trends, whole_pounds
from tests.bench.measure import BenchPath, PathRow, bench_paths
from tests.bench.page import SIZES, time_pages
from tests.bench.paths import PATHS

BROWSER = "browser"
"""A closer look at the desk, run only when named."""
FIRST_PLANS = "first-plans"
"""How often a first plan in whole numbers is there in time."""
WHOLE_POUNDS = "whole-pounds"
"""Plans in whole pounds against CBC, ten cases a size."""
TRENDS = "trends"
"""How often trends are false and how often moves are seen, in simulated markets."""
MANIPULATION = "manipulation"
"""How far one company that pushes moves a quotation, without the cap and with it."""
PLANTED = "planted"
"""What is planted in markets of known truth, and what is found there."""
NOT_PATHS = (BROWSER, FIRST_PLANS, WHOLE_POUNDS, TRENDS, MANIPULATION, PLANTED)


@click.command(
    epilog=f"Paths: {', '.join(path.name for path in PATHS)}. "
    f"Only when named: {', '.join(NOT_PATHS)}."
)
@click.argument("names", nargs=-1, metavar="[NAME]...")
@click.option("--quick", is_flag=True, help="The smallest size only.")
def bench(names: Sequence[str], quick: bool) -> None:
    """Time Blend against the plainest public way to the same answers.

    NAME is a path, or part of its name. With no NAME every path runs at every size, which takes
    about fifteen minutes, or two with --quick. Compare the ratios of one run; the times are this
    machine's. Needs the extra `dev`.
    """
    paths = [path for name in names if name not in NOT_PATHS for path in _paths_named(name)]
    if paths or not names:
        rows = bench_paths(dict.fromkeys(paths) or PATHS, quick=quick, on_row=_done)
        _print(tables.paths_table(rows), tables.PATHS_NOTE)
    if FIRST_PLANS in names:
        _print(first_plans.table(quick), first_plans.NOTE)
    if WHOLE_POUNDS in names:
        _print(whole_pounds.table(quick), whole_pounds.NOTE)
    if BROWSER in names:
        rows = time_pages(SIZES[:1] if quick else SIZES)
        _print(tables.pages_table(rows), tables.PAGES_NOTE)
    method = read_method().method
    if MANIPULATION in names:
        table = manipulation.manipulation_table(method, 40 if quick else 400)
        _print(table, manipulation.NOTE)
    if TRENDS in names:
        _print(trends.trends_table(method, 10 if quick else 100), trends.NOTE)
    if PLANTED in names:
        _print(planted.planted_table(method, 5 if quick else 50), planted.NOTE)


def _paths_named(name: str) -> list[BenchPath]:
    """The path of this name, else every path with it in its name."""
    named = [path for path in PATHS if path.name == name]
    named = named or [path for path in PATHS if name in path.name]
    if not named:
        known = ", ".join((*(path.name for path in PATHS), *NOT_PATHS))
        raise click.BadParameter(f"{name!r} is not a benchmark. Enter one of: {known}.")
    return named


def _done(row: PathRow) -> None:
    if sys.stderr.isatty():
        click.echo(f"{row.path}, {row.size.words}: done", err=True)


def _print(table: pandas.DataFrame, note: str) -> None:
    click.echo(f"{table.to_string(index=False)}\n\n{note}\n")


if __name__ == "__main__":
    bench(prog_name="python -m tests.bench")
