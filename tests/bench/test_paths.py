"""The benchmark of the main paths: whole rows, both ways to one answer, the right growth."""

from __future__ import annotations

import math
from contextlib import contextmanager
from dataclasses import replace
from time import sleep

import pytest
from click.testing import CliRunner

from blend.grinder.plan_days import plan_days
from blend.model.solve import solve_linear
from tests.bench.__main__ import bench
from tests.bench.horizons import make_horizon, min_cost_stated
from tests.bench.instances import make_instance
from tests.bench.measure import BenchPath, Size, Task, apart_share, bench_paths, growth, pairs
from tests.bench.memory import peak_mb
from tests.bench.paths import PATHS, path_named
from tests.bench.solver_time import solver_time
from tests.bench.tables import paths_table

NEEDS = {
    "plan with confidence": "cvxpy",
    "why a market moved": "cvxpy",
}
SLOW = {
    "scenarios (2 processes)",
    "scenarios (Dask, 2)",
    "why a market moved",
    "plan with confidence",
}


def _size(extent: float) -> Size:
    return Size(f"{extent:g}", (int(extent),), extent)


def made_up(ours=lambda n: {"x": 1.0}, plain=lambda n: {"x": 1.0}, share=1.0, **more) -> BenchPath:
    """A path whose ways are plain functions of its size."""

    @contextmanager
    def make(size: Size):
        (number,) = size.numbers
        way = None if plain is None else lambda: plain(number)
        yield Task(lambda: ours(number), way, share, **more)

    return BenchPath("made up", "by hand", (_size(1), _size(2), _size(4)), _size(1), make)


# One path after the other -----------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [pytest.param(p, marks=pytest.mark.slow if p.name in SLOW else ()) for p in PATHS],
    ids=lambda path: path.name,
)
def test_both_ways_come_to_the_same_answers(path):
    if path.name in NEEDS:
        pytest.importorskip(NEEDS[path.name])
    with path.make(path.warm_up) as task:
        ours, plain = task.ours(), task.plain()
    assert plain.keys() <= ours.keys()
    assert len(plain) > 0
    assert all(map(math.isfinite, plain.values()))
    assert apart_share(ours, plain) <= path.agrees_within
    assert 0 < task.plain_share <= 1


def test_a_horizon_with_scarce_room_costs_the_same_both_ways():
    """Meat is kept overnight and bought again later, so that rooms and last days count."""
    horizon = make_horizon(12, 3, 4, seed=3)
    plan = plan_days(horizon, divisible=True, shadow_prices=False)
    assert any(row.kept_lb > 1 for row in plan.ledger)
    assert plan.bound.objective_usd == pytest.approx(min_cost_stated(horizon), rel=1e-7)


# Rows -------------------------------------------------------------------------------------------


def test_rows_are_complete_and_growth_stands_in_the_last_of_a_path():
    done = []
    rows = bench_paths(
        [path_named("plan"), made_up()], memory=False, quick=True, on_row=done.append
    )
    assert tuple(done) == rows
    plan, other = rows
    assert (plan.path, plan.plain_way, plan.size.words) == ("plan", "PuLP and CBC", "30 × 8")
    assert 0 < plan.solver_s < plan.ours_s
    assert plan.plain_s > 0
    assert plan.times_faster == pytest.approx(plan.plain_s / plan.ours_s)
    assert plan.agrees and plan.plain_share == 1
    assert plan.growth is None
    assert other.solver_s == 0.0
    rows = bench_paths([made_up(lambda n: sleep(0.01 * n) or {"x": 1.0})], memory=False)
    assert [row.growth is None for row in rows] == [True, True, False]
    assert rows[-1].growth == pytest.approx(growth([(r.size.extent, r.ours_s) for r in rows]))


@pytest.mark.parametrize(
    ("path", "difference"),
    [
        (made_up(plain=lambda n: {"x": 1.5}), "DISAGREE"),
        (made_up(plain=None), "not installed"),
        (made_up(solver_is_here=False), "0e+00"),
    ],
)
def test_the_table_shows_how_far_the_answers_differ(path, difference):
    (row,) = bench_paths([path], memory=False, quick=True)
    assert difference in paths_table([row]).to_string()
    assert row.agrees == (difference != "DISAGREE")
    assert (row.plain_s is None) == (row.apart_share is None) == (difference == "not installed")
    assert (row.solver_s is None) == (difference == "0e+00")


def test_a_baseline_that_does_part_of_the_work_is_scaled_to_all_of_it():
    path = made_up(plain=lambda n: sleep(0.002) or {"x": 1.0}, share=0.01)
    (row,) = bench_paths([path], memory=False, quick=True)
    assert row.plain_share == 0.01 and row.plain_s >= 0.2


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "more", "times_faster"),
    [("plan", (), 2), ("plan (lean scarce)", (), 2), ("break-even curve", (3,), 500)],
)
def test_large_cases_are_well_ahead_of_plain_pulp(name, more, times_faster):
    """Low margins, since test machines are busy."""
    path = replace(path_named(name), sizes=(pairs(200, 30, *more),))
    (row,) = bench_paths([path], memory=False)
    assert row.times_faster > times_faster
    assert row.agrees


# The command ------------------------------------------------------------------------------------


def test_the_command_runs_the_path_named_and_lists_the_names_when_it_does_not_know_one():
    ran = CliRunner().invoke(bench, ["--quick", "plan (lean"])
    assert ran.exit_code == 0, ran.output
    assert "30 × 8" in ran.output and "120 × 20" not in ran.output
    ran = CliRunner().invoke(bench, ["plans"])
    assert ran.exit_code == 2 and "quotation" in ran.output


# Numbers ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("power", [0.0, 1.0, 1.7, 2.0])
def test_growth_finds_the_power_behind_the_times(power):
    points = [(n, 3e-4 * n**power) for n in (240, 2_400, 16_000)]
    assert growth(points) == pytest.approx(power, abs=1e-9)


def test_growth_is_least_squares_and_needs_sizes_that_differ():
    # logarithms to base 2: (0, 0), (1, 1), (2, 1), whose straight line rises by 1/2
    assert growth([(1, 1), (2, 2), (4, 2)]) == pytest.approx(0.5)
    assert growth([(5, 1.0)]) is None
    assert growth([(5, 1.0), (5, 2.0)]) is None


def test_apart_is_the_distance_outside_by_the_largest_number():
    ours = {"a": 10.0, "b": (2.0, 3.0), "more": 7.0}
    assert apart_share(ours, {"a": 10.0, "b": 2.5}) == 0.0
    assert apart_share(ours, {"a": 10.0, "b": 3.5}) == pytest.approx(0.05)
    assert apart_share(ours, {"a": 11.0, "b": 1.0}) == pytest.approx(1 / 11)
    assert apart_share(ours, {"b": 0.0}) == pytest.approx(2.0)


@pytest.mark.slow
def test_peak_memory_is_that_of_a_fresh_process():
    """What this process holds is not counted; a larger case takes more than a small one."""
    ballast = bytearray(300_000_000)
    small, _, large, _ = path_named("plan").sizes
    peaks = [peak_mb("plan", size.numbers) for size in (small, large)]
    if None in peaks:
        pytest.skip("this system does not report peak memory")
    assert 0 <= peaks[0] < peaks[1] < len(ballast) / 1e6


# The solver's time ------------------------------------------------------------------------------


def test_solver_time_is_counted_only_while_measured_and_nothing_leaks():
    case = make_instance(12, 3, 1)
    with solver_time() as outer:
        solve_linear(case)
        first = outer.runs
        with pytest.raises(RuntimeError), solver_time() as inner:
            solve_linear(case)
            raise RuntimeError
        solve_linear(case)
    solve_linear(case)
    assert first >= 1 and inner.runs == first
    assert outer.runs == 2 * first
    assert outer.seconds > 0
