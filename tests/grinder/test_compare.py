"""A recipe made by hand next to the plan, and past days next to what was ground."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from blend.cli.days import replay
from blend.domain.ground import GroundLine
from blend.domain.requirements import ConstraintClass
from blend.errors import FileTrouble, InputRefused
from blend.grinder.compare import compare, hand_made
from blend.grinder.plan import make_plan
from blend.reading import read_ready_case
from blend.tables.ground import read_ground

DEMO = Path(__file__).parents[2] / "demo_data"


@pytest.fixture(scope="module")
def small():
    """A day with three products that has a plan."""
    case = read_ready_case(DEMO / "no_plan").case
    orders = tuple(replace(each, min_lb=6000.0, max_lb=6100.0) for each in case.products)
    case = replace(case, products=orders)
    return case, make_plan(case, shadow_prices=False)


def lines_of(plan, **more_lb):
    return tuple(
        GroundLine(run.product_id, each.lot_id, run.batches * each.pounds_lb, run.batches)
        for run in plan.runs
        for each in run.ingredients
    ) + tuple(GroundLine("GB80", lot_id, lb) for lot_id, lb in more_lb.items())


def test_the_plans_own_recipe_costs_what_the_plan_costs_and_keeps_every_limit(small):
    case, plan = small
    same = compare(case, lines_of(plan), plan)
    assert same.over_usd == pytest.approx(0, abs=0.01)
    assert not same.mine.broken
    assert same.differences["over_plan_usd"].abs().max() < 0.01


def test_differences_by_lot_and_product_add_up_to_that_of_the_totals(searches_kept):
    case = read_ready_case(DEMO).case
    plan = make_plan(case, shadow_prices=False)
    made = compare(case, read_ground(DEMO / "ground.csv", case), plan)
    found = made.differences
    assert found["over_plan_usd"].sum() == pytest.approx(made.over_usd, abs=0.005)
    assert found["mine_usd"].sum() == pytest.approx(made.mine.money.total_usd, abs=0.005)
    assert found["plan_usd"].sum() == pytest.approx(plan.money.total_usd, abs=0.005)
    assert made.over_usd >= plan.certificate.bound.bound_usd - plan.money.total_usd
    assert not made.mine.broken
    assert 0 < made.more_lean_usd < made.over_usd


def test_a_recipe_that_breaks_limits_says_which_and_buys_whole_containers(small):
    case, plan = small
    lines = [each for each in lines_of(plan) if each.product_id != "GB90"]
    mine = hand_made(case, [*lines, GroundLine("GB90", "B73-1", 5000.0)])
    assert {(each.requirement.constraint_class, each.requirement.product_id)
            for each in mine.broken} == {
        (ConstraintClass.LEAN_MIN, "GB90"),
        (ConstraintClass.VOLUME_MIN, "GB90"),
    }  # fmt: skip
    (take,) = (each for each in mine.takes if each.lot_id == "B73-1")
    assert (take.pounds_lb, take.containers) == (6000, 3)
    over = hand_made(case, [*lines, GroundLine("GB90", "B90-1", 11_000.0)])
    assert any(each.requirement.lot_id == "B90-1" for each in over.broken)


@pytest.mark.parametrize(
    ("rows", "column"),
    [
        ("GB80,NONE,100,", "lot_id"),
        ("NONE,B90-1,100,", "product_id"),
        ("GB80,B90-1,-3,", "pounds_lb"),
        ("GB80,B90-1,5,\nGB80,B90-1,5,", "lot_id"),
        ("GB80,B90-1,5,2\nGB80,B90-2,5,3", "batches"),
        ("GB80,B90-1,0,", "pounds_lb"),
    ],
)
def test_a_recipe_that_cannot_be_read_is_refused_with_the_cell(small, tmp_path, rows, column):
    path = tmp_path / "mine.csv"
    path.write_text(f"product_id,lot_id,pounds_lb,batches\n{rows}\n")
    with pytest.raises(InputRefused) as raised:
        read_ground(path, small[0])
    assert [each.column for each in raised.value.problems] == [column]


def test_past_days_are_compared_for_the_same_pounds_and_others_left_out(tmp_path):
    for name in ("2026-11-24", "2026-11-25", "2026-11-26"):
        shutil.copytree(DEMO / "no_plan", tmp_path / name)
        sheet = tmp_path / name / "settings.csv"
        sheet.write_text(sheet.read_text().replace("plan_on,2026-11-25", f"plan_on,{name}"))
    header = "product_id,lot_id,pounds_lb\n"
    (tmp_path / "2026-11-25" / "ground.csv").write_text(
        header + "GB80,B50-1,4000\nGB80,B90-1,10000\nGB80,I65-1,1000\nGB90,B90-1,0\n"
    )
    (tmp_path / "2026-11-26" / "ground.csv").write_text(header + "GB80,GONE,4000\n")
    found = replay(tmp_path)
    ((on, day),) = found.days
    assert on.isoformat() == "2026-11-25"
    assert [each.folder for each in found.left_out] == ["2026-11-24", "2026-11-26"]
    made = {run.product_id: run.batches * run.finished_lb for run in day.mine.runs}
    planned = {run.product_id: run.batches * run.finished_lb for run in day.plan.runs}
    assert planned.keys() == made.keys() == {"GB80"}
    assert planned["GB80"] == pytest.approx(made["GB80"], abs=10)
    assert found.figures["saves_usd"] == pytest.approx(day.over_usd)
    assert day.over_usd > 0
    with pytest.raises(FileTrouble):
        replay(tmp_path / "2026-11-24")
