"""Batches put right: Pearson's square and mass balance, rules, certainty, another test."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from statistics import NormalDist

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from blend.domain.case import Case, Settings
from blend.domain.lots import Lot
from blend.domain.plan import Ingredient
from blend.domain.products import Product
from blend.domain.rules import Loss, Rule, RuleKind
from blend.domain.selectors import parse_selector
from blend.domain.uncertainty import LeanUncertainty
from blend.grinder.correct import (
    Act,
    Held,
    Reading,
    Terms,
    correct_batch,
    lots_to_add,
    obstacles,
)


def case_of(
    fats: dict[str, float], target_fat: float, *rules: Rule, tolerance: float = 0.0, **more
) -> Case:
    """Lots by name and fat at 2 USD, each a cent more than the one before."""
    lots = tuple(
        Lot(
            name,
            name,
            "beef",
            1 - fat,
            2.0 + 0.01 * at,
            None,
            on_hand_or_offered="on hand",
            container="box",
            container_lb=60.0,
        )
        for at, (name, fat) in enumerate(fats.items())
    )
    product = Product(
        "P",
        "ground",
        frozenset(("beef",)),
        1 - target_fat,
        tolerance,
        tolerance,
        0.0,
        None,
        2000.0,
        0.0,
        5000.0,
    )
    return Case(Settings(date(2026, 3, 2)), lots, (product,), rules, **more)


def put_right(case, fat, room_lb=5000.0, *, held_lb=2000.0, recipe=(), reading=None, **terms):
    return correct_batch(
        case,
        "P",
        Held(held_lb, room_lb, recipe),
        reading or Reading(fat),
        Terms(lots_to_add(case), **terms),
    )


# Mass balance: W (f0 - t) / (t - c) to add, W (f0 - t) / (f0 - c) to swap (worked; no published
# example was found).


@pytest.mark.parametrize(
    ("fat", "corrector", "add", "swap"),
    [(0.22, 0.10, 400.0, 333.33), (0.18, 0.50, 133.33, 125.0)],
)
def test_mass_balance_to_add_and_to_swap(fat, corrector, add, swap):
    case = case_of({"c": corrector}, 0.20)
    added = put_right(case, fat)
    assert added.act is Act.ADD
    assert added.added[0].pounds_lb == pytest.approx(add, abs=0.01)
    assert added.finished_lb == pytest.approx(2000 + add, abs=0.01)
    swapped = put_right(case, fat, room_lb=0.0, may_remove=True)
    assert swapped.act is Act.SWAP
    assert swapped.removed_lb == pytest.approx(swap, abs=0.01)
    assert swapped.added[0].pounds_lb == pytest.approx(swap, abs=0.01)
    assert swapped.finished_lb == pytest.approx(2000)
    assert [added.fat_share, swapped.fat_share] == pytest.approx([0.20, 0.20])


def test_a_corrector_at_the_target_never_gets_there_but_by_the_whole_batch():
    case = case_of({"c": 0.20}, 0.20)
    assert put_right(case, 0.22).act is Act.SHORT
    swapped = put_right(case, 0.22, room_lb=0.0, may_remove=True)
    assert swapped.removed_lb == pytest.approx(2000)


def test_too_little_room_comes_as_near_as_can_be():
    correction = put_right(case_of({"c": 0.10}, 0.20), 0.22, room_lb=300.0)
    assert correction.act is Act.SHORT
    assert correction.added[0].pounds_lb == pytest.approx(300, abs=1e-3)
    assert correction.fat_share == pytest.approx((440 + 30) / 2300, abs=1e-7)  # 20.43%


@settings(deadline=None, max_examples=60)
@given(
    held=st.integers(100, 4000),
    fat=st.integers(5, 45),
    target=st.integers(5, 45),
    corrector=st.integers(1, 90),
)
def test_two_lots_equal_pearsons_square(held, fat, target, corrector):
    f, t, c = fat / 100, target / 100, corrector / 100
    assume(fat != target and (f - t) * (t - c) > 0)
    needed = held * (f - t) / (t - c)
    correction = put_right(case_of({"c": c}, t), f, 1e6, held_lb=float(held))
    assert correction.added[0].pounds_lb == pytest.approx(needed, rel=1e-6)
    square = (f - t) / ((f - t) + (t - c))
    assert needed / (held + needed) == pytest.approx(square)
    swapped = put_right(case_of({"c": c}, t), f, 0.0, held_lb=float(held), may_remove=True)
    assert swapped.removed_lb == pytest.approx(held * (f - t) / (f - c), rel=1e-6)


@settings(deadline=None, max_examples=60)
@given(
    fat=st.integers(10, 40),
    lots=st.lists(st.integers(1, 90), min_size=1, max_size=4, unique=True),
    room=st.integers(0, 3000),
    may_remove=st.booleans(),
    whole_containers=st.booleans(),
)
def test_what_is_told_agrees_with_plain_arithmetic(fat, lots, room, may_remove, whole_containers):
    names = {f"lot{n}": n / 100 for n in lots}
    case = case_of(names, 0.20, tolerance=0.01)
    told = put_right(
        case,
        fat / 100,
        float(room),
        may_remove=may_remove,
        whole_containers=whole_containers,
        step_lb=1.0,
    )
    kept = 2000 - told.removed_lb
    finished = kept + sum(each.pounds_lb for each in told.added)
    fat_lb = kept * fat / 100 + sum(each.pounds_lb * names[each.lot_id] for each in told.added)
    assert told.finished_lb == pytest.approx(finished)
    assert told.fat_share == pytest.approx(fat_lb / finished)
    assert 2000 - 1e-5 <= finished <= 2000 + room + 1e-5
    assert may_remove or told.removed_lb == 0
    within = 0.19 - 1e-8 <= told.fat_share <= 0.21 + 1e-8
    assert within == (told.act is not Act.SHORT)
    if whole_containers:
        assert all(abs(each.pounds_lb - 60 * each.containers) < 1e-6 for each in told.added)
    # Never further from the limits than it was.
    outside = max(0.19 - told.fat_share, told.fat_share - 0.21, 0.0)
    assert outside <= max(0.19 - fat / 100, fat / 100 - 0.21, 0.0) + 1e-9


def test_losses_count():
    thaw = Loss("thaw", "thaw", parse_selector("lot=c"), lean_loss_share=0.05)
    correction = put_right(case_of({"c": 0.10}, 0.20, losses=(thaw,)), 0.22)
    # A pound gives 0.855 lean and 0.1 fat: 440 + 0.1 x = 0.2 (2000 + 0.955 x)
    assert correction.added[0].pounds_lb == pytest.approx(40 / (0.2 * 0.955 - 0.1))


# Rules ------------------------------------------------------------------------------------------

SHARE = Rule("frozen", RuleKind.SHARE, lots=parse_selector("lot=c"), max_share=0.10)


def test_share_rules_hold_for_what_is_added_where_the_recipe_is_not_known():
    case = case_of({"c": 0.05, "d": 0.10}, 0.20, SHARE)
    correction = put_right(case, 0.22)
    added = {each.lot_id: each.pounds_lb for each in correction.added}
    assert added["c"] <= 0.1 * (added["c"] + added["d"]) + 1e-6
    assert correction.notes


def test_share_rules_hold_for_the_whole_batch_where_it_is():
    case = case_of({"c": 0.05, "d": 0.10}, 0.20, SHARE)
    recipe = (Ingredient("c", 100.0), Ingredient("d", 1900.0))
    correction = put_right(case, 0.22, recipe=recipe)
    added = {each.lot_id: each.pounds_lb for each in correction.added}
    assert not correction.notes
    assert added["c"] + 100 == pytest.approx(0.1 * correction.finished_lb)


def test_a_count_of_lots_holds_those_in_the_blender():
    rule = Rule("two lots", RuleKind.MAX_LOTS, max_count=2)
    case = case_of({"c": 0.10, "d": 0.10, "e": 0.2}, 0.20, rule)
    recipe = (Ingredient("d", 1000.0), Ingredient("e", 1000.0))
    correction = put_right(case, 0.22, recipe=recipe)
    assert [each.lot_id for each in correction.added] == ["d"]


def test_lots_kept_apart_do_not_meet_in_the_blender():
    rule = Rule(
        "apart", RuleKind.KEEP_APART, lots=parse_selector("lot=c"), against=parse_selector("lot=e")
    )
    case = case_of({"c": 0.10, "d": 0.10, "e": 0.2}, 0.20, rule)
    correction = put_right(case, 0.22, recipe=(Ingredient("e", 2000.0),))
    assert [each.lot_id for each in correction.added] == ["d"]


# How sure ---------------------------------------------------------------------------------------

READING = Reading(0.22, 4, 0.006)


def test_the_confidence_asked_is_reached_and_costs_more():
    case = case_of({"c": 0.10}, 0.20, tolerance=0.01)
    known = {"c": LeanUncertainty("c", 0.01, 0.0)}
    costs = []
    for confidence in (None, 0.8, 0.95):
        terms = Terms(lots_to_add(case), confidence=confidence)
        told = correct_batch(case, "P", Held(2000.0, 3000.0), READING, terms, known)
        kept, x = 2000 / told.finished_lb, told.added[0].pounds_lb / told.finished_lb
        sd = ((0.003 * kept) ** 2 + (0.01 * x) ** 2) ** 0.5
        normal = NormalDist(told.fat_share, sd)
        assert told.sure_after == pytest.approx(normal.cdf(0.21) - normal.cdf(0.19))
        assert told.is_as_sure_as_asked
        costs.append(told.cost_usd)
    assert costs[0] < costs[1] < costs[2]


def test_more_confidence_than_can_be_had_gives_the_max_there_is():
    """One reading so rough that no mean is sure enough: the middle of the limits is best."""
    case = case_of({"c": 0.10}, 0.20, tolerance=0.005)
    told = put_right(case, 0.22, reading=Reading(0.22, 1, 0.01), confidence=0.95)
    assert told.act is Act.ADD
    assert not told.is_as_sure_as_asked
    assert told.fat_share == pytest.approx(0.20, abs=2e-4)


def test_another_test_comes_first_where_it_may_well_clear_the_batch():
    case = case_of({"c": 0.10}, 0.20, tolerance=0.01)
    rough = Reading(0.2105, 1, 0.006)
    told = put_right(case, 0.2105, reading=rough, test_cost_usd=1.0)
    assert told.act is Act.RETEST
    # The mean of two readings then is N(0.2105, 0.006² / 2); it clears between 0.19 and 0.21.
    normal = NormalDist(0.2105, 0.006 / 2**0.5)
    assert told.retest.clears == pytest.approx(normal.cdf(0.21) - normal.cdf(0.19))
    assert told.retest.saving_usd == pytest.approx(told.retest.clears * told.cost_usd)
    assert put_right(case, 0.2105, reading=rough, test_cost_usd=500.0).act is Act.ADD
    assert put_right(case, 0.25, reading=Reading(0.25, 1, 0.006), test_cost_usd=1.0).act is Act.ADD


def test_lots_at_hand_are_those_named_or_the_stock():
    case = case_of({"c": 0.10, "d": 0.2}, 0.20)
    offered = replace(
        case, lots=(case.lots[0], replace(case.lots[1], on_hand_or_offered="offered"))
    )
    assert lots_to_add(offered) == {"c"}
    assert lots_to_add(offered, ["d"]) == {"d"}


# The limits that stop it -------------------------------------------------------------------------


def in_the_way(case, fat, room_lb=5000.0, **terms):
    terms = Terms(frozenset(terms.pop("addable", lots_to_add(case))), **terms)
    return {
        each.kind: each for each in obstacles(case, "P", Held(2000.0, room_lb), Reading(fat), terms)
    }


def test_two_rules_that_are_in_the_way_together_are_named_and_no_other():
    rules = (
        replace(SHARE, rule_id="few c", max_share=0.1),
        Rule("no c", RuleKind.SHARE, lots=parse_selector("lot=c"), max_share=0.2),
        Rule("idle", RuleKind.SHARE, lots=parse_selector("lot=d"), max_share=0.9),
    )
    found = in_the_way(case_of({"c": 0.05}, 0.20, *rules), 0.22)
    assert set(found["rules"].rule_ids) == {"few c", "no c"}
    assert found["rules"].added_lb[0][1] == pytest.approx(2000 * 0.02 / 0.15, abs=0.1)


def test_each_single_limit_that_is_in_the_way_is_named():
    case = case_of({"c": 0.10}, 0.20)
    assert set(in_the_way(case, 0.22, room_lb=10.0)) == {"room", "removal"}
    assert set(in_the_way(case, 0.22, addable=())) == {"lots"}
    assert in_the_way(case_of({"c": 0.30}, 0.20), 0.22, may_remove=True) == {}
