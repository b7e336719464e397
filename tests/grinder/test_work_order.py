"""The work order: every pound of the plan, every combo opened once, few changeovers."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

import pytest

from blend.grinder.plan import make_plan
from blend.grinder.work_order import BLANKS, RunOrder, work_order
from blend.reading import read_ready_case

DEMO = Path(__file__).parents[2] / "demo_data"


@pytest.fixture(name="demo", scope="module")
def demo_plan(searches_kept):
    case = read_ready_case(DEMO).case
    return case, make_plan(case, shadow_prices=False)


@pytest.mark.parametrize("order", RunOrder)
def test_every_pound_of_the_plan_is_on_it_once(demo, order):
    case, plan = demo
    made = work_order(case, plan, order)
    used = defaultdict(float)
    for batch in made.batches:
        for line in batch.lines:
            used[line.lot_id] += line.pounds_lb
    assert used == {take.lot_id: take.used_lb for take in plan.takes if take.used_lb}
    assert [batch.number for batch in made.batches] == list(range(1, len(made.batches) + 1))


def test_combos_are_opened_one_after_another_and_hold_what_is_used(demo):
    case, plan = demo
    made = work_order(case, plan)
    opened, poured = defaultdict(list), defaultdict(float)
    for batch in made.batches:
        for line in batch.lines:
            opened[line.lot_id] += line.combos_opened
            poured[line.lot_id] += line.pounds_lb
            lot = case.lot(line.lot_id)
            if lot.container_lb:
                held = len(opened[line.lot_id]) * lot.container_lb - poured[line.lot_id]
                assert line.left_open_lb == pytest.approx(held) and 0 <= held < lot.container_lb
    for numbers in opened.values():
        assert numbers == list(range(1, len(numbers) + 1))


def test_each_species_and_claim_runs_once_and_leanest_first(demo):
    case, plan = demo
    made = work_order(case, plan)
    groups = [
        (case.product(b.product_id).species, case.product(b.product_id).label_claims)
        for b in made.batches
    ]
    changes = [
        group for before, group in zip([None, *groups], groups, strict=False) if group != before
    ]
    assert len(changes) == len(set(changes))
    assert [bool(b.cleanup_before) for b in made.batches].count(True) == len(changes)
    plain = [b for b in made.batches if not case.product(b.product_id).label_claims
             and case.product(b.product_id).species == frozenset({"beef"})]  # fmt: skip
    leans = [case.product(b.product_id).target_lean for b in plain]
    assert leans == sorted(leans, reverse=True)


def test_what_the_floor_fills_in_is_blank_and_named_as_the_record_asks(demo):
    lines = work_order(*demo).lines
    assert (lines[list(BLANKS)] == "").all().all()
    for name in ("supplier_establishment", "supplier_lot", "time_ground", "cleaned_at"):
        assert name in BLANKS
