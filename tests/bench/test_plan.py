"""The benchmark of the plan compares like with like: the same case, to the same cost."""

from __future__ import annotations

from dataclasses import replace

import pytest
from click.testing import CliRunner

from blend.bench.instances import make_instance
from blend.bench.plan import KINDS, bench_plan, time_whole_plan
from blend.cli import main
from blend.domain.rules import WholeContainers


def test_both_sides_come_to_the_same_cost():
    told = []
    rows = bench_plan(sizes=((12, 3, 2), (30, 8, 1)), on_row=told.append)
    assert [(row.lots, row.products, row.kind) for row in rows] == [
        (lots, products, kind) for lots, products in ((12, 3), (30, 8)) for kind in KINDS
    ]
    assert tuple(told) == rows
    for row in rows:
        assert row.apart_share < 1e-6
        assert 0 < row.plain_build_s < row.plain_whole_s
        assert row.times_faster == pytest.approx(row.plain_whole_s / row.whole_s)


def test_the_plan_in_whole_numbers_is_timed_to_its_gap():
    case = make_instance(10, 2, seed=3, whole=WholeContainers.TAKEN)
    row = time_whole_plan(replace(case, settings=replace(case.settings, gap_share=0.01)))
    assert (row.lots, row.products, row.stopped_early) == (10, 2, False)
    assert 0 <= row.gap_share <= 0.011
    assert row.seconds > 0


def test_the_command_tells_of_a_measure_it_does_not_know():
    ran = CliRunner().invoke(main, ["bench", "plans"])
    assert ran.exit_code == 2
    assert "plan" in ran.output


@pytest.mark.slow
def test_large_cases_are_well_ahead_of_plain_pulp():
    """A margin below the one aimed at, since test machines are busy."""
    for row in bench_plan(sizes=((200, 30, 1),)):
        assert row.times_faster > 2
        assert row.apart_share < 1e-6
