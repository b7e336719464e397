"""Certificates of batch adjustments."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from blend.check.adjust import certify_adjustment
from blend.domain.correction import Act, Added, Correction, Held, Reading, Terms
from blend.domain.plan import Ingredient
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import parse_selector
from blend.domain.uncertainty import LeanUncertainty
from blend.errors import SolverTrouble
from blend.grinder.correct import correct_batch, lots_to_add
from blend.model.solver import solve_dense
from tests.grinder.test_correct import case_of

FEW = settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
SHARE = Rule("frozen", RuleKind.SHARE, lots=parse_selector("lot=lean"), max_share=0.1)
COUNT = Rule("few", RuleKind.MAX_LOTS, max_count=2)
CASE = case_of({"lean": 0.05, "mid": 0.10, "fat": 0.5}, 0.20, SHARE, tolerance=0.01)
ERRORS = {name: LeanUncertainty(name, 0.004, 0.003) for name in ("lean", "mid", "fat")}
HELD = Held(2000.0, 5000.0)


def terms(case=CASE, **more):
    return Terms(lots_to_add(case), **more)


def make(case=CASE, fat=0.24, held=HELD, sd=0.004, spread=ERRORS, **more):
    asked = terms(case, **more)
    correction = correct_batch(case, "P", held, Reading(fat, 2, sd), asked, spread)
    return correction, asked


ADD, ADD_TERMS = make(confidence=0.95)
SWAP, SWAP_TERMS = make(held=Held(2000.0, 100.0), may_remove=True)
SHORT, SHORT_TERMS = make(held=Held(2000.0, 100.0))
STEPS, STEPS_TERMS = make(confidence=0.95, step_lb=1.0)
RETEST, RETEST_TERMS = make(fat=0.2105, confidence=0.5, step_lb=1.0, test_cost_usd=1.0)
NOTHING, NOTHING_TERMS = make(fat=0.2, confidence=0.9)


def faults(correction, asked=ADD_TERMS, case=CASE, spread=ERRORS):
    return certify_adjustment(case, correction, asked, spread, solve_dense).faults


def test_right_corrections_are_accepted():
    acts = {
        Act.ADD: (ADD, ADD_TERMS),
        Act.SWAP: (SWAP, SWAP_TERMS),
        Act.SHORT: (SHORT, SHORT_TERMS),
    }
    acts |= {Act.RETEST: (RETEST, RETEST_TERMS), Act.NOTHING: (NOTHING, NOTHING_TERMS)}
    for act, (correction, asked) in acts.items():
        assert correction.act is act
        certified = certify_adjustment(CASE, correction, asked, ERRORS, solve_dense)
        assert certified.is_valid, certified.faults
    for correction, asked in acts[Act.ADD], acts[Act.SWAP], acts[Act.SHORT]:
        assert certify_adjustment(CASE, correction, asked, ERRORS, solve_dense).gap_usd < 1
    stepped = certify_adjustment(CASE, STEPS, STEPS_TERMS, ERRORS, solve_dense)
    assert stepped.is_valid and 0 < stepped.gap_usd < 5


def test_another_test_is_advised_where_it_pays():
    """The chance that the mean of one more reading lies within limits, times what that saves."""
    after, spread = 0.004 / math.sqrt(3), 0.004**2 * (1 / 2 - 1 / 3)
    margin = NormalDist().inv_cdf(0.75) * after
    mean = NormalDist(0.2105, math.sqrt(spread))
    clears = mean.cdf(0.21 - margin) - mean.cdf(0.19 + margin)
    assert RETEST.retest.clears == pytest.approx(clears, abs=1e-6)
    assert RETEST.retest.saving_usd == pytest.approx(clears * RETEST.cost_usd, abs=1e-6)
    assert RETEST.act is Act.RETEST and RETEST.retest.saving_usd > RETEST.retest.cost_usd
    dear, _ = make(fat=0.2105, confidence=0.5, step_lb=1.0, test_cost_usd=1e4)
    assert dear.act is Act.ADD


def _weighed(correction: Correction, added=None, removed_lb=None) -> Correction:
    """The correction with other amounts, and every figure that follows from them set right."""
    added = correction.added if added is None else added
    removed = correction.removed_lb if removed_lb is None else removed_lb
    lots = {each.lot_id: CASE.lot(each.lot_id) for each in added}
    added = tuple(
        replace(each, cost_usd=each.pounds_lb * lots[each.lot_id].delivered_usd_per_lb)
        for each in added
    )
    kept = correction.held.held_lb - removed
    fat = kept * correction.reading.fat_share
    fat += sum(each.pounds_lb * lots[each.lot_id].fat_share for each in added)
    finished = kept + sum(each.pounds_lb for each in added)
    return replace(
        correction,
        added=added,
        removed_lb=removed,
        finished_lb=finished,
        fat_share=fat / finished,
        cost_usd=sum(each.cost_usd for each in added),
    )


def _more(correction, by_lb, at=0):
    added = list(correction.added)
    added[at] = replace(added[at], pounds_lb=added[at].pounds_lb + by_lb)
    return _weighed(correction, tuple(added))


def _only(correction, lot_id, pounds_lb):
    return _weighed(correction, (Added(lot_id, pounds_lb, None, 0.0),))


def _swapped(correction):
    first, second, *rest = correction.added
    one = replace(first, lot_id=second.lot_id)
    return replace(correction, added=(one, replace(second, lot_id=first.lot_id), *rest))


CORRUPTIONS = {
    "too few pounds": lambda: (_more(ADD, -1.0), ADD_TERMS),
    "too many pounds, all figures right": lambda: (_more(ADD, 50.0, at=1), ADD_TERMS),
    "pounds moved, figures left": lambda: (
        replace(ADD, added=(replace(ADD.added[0], pounds_lb=10.0), *ADD.added[1:])),
        ADD_TERMS,
    ),
    "two lots swapped": lambda: (_swapped(ADD), ADD_TERMS),
    "a lot dropped": lambda: (_weighed(ADD, ADD.added[1:]), ADD_TERMS),
    "the more expensive lot alone": lambda: (_only(ADD, "mid", 1500.0), ADD_TERMS),
    "a lot that is not on hand": lambda: (ADD, replace(ADD_TERMS, addable=frozenset({"mid"}))),
    "cost moved": lambda: (replace(ADD, cost_usd=ADD.cost_usd - 1), ADD_TERMS),
    "cost of one lot moved, another compensating": lambda: (
        replace(
            ADD,
            added=(
                replace(ADD.added[0], cost_usd=ADD.added[0].cost_usd + 1),
                replace(ADD.added[1], cost_usd=ADD.added[1].cost_usd - 1),
            ),
        ),
        ADD_TERMS,
    ),
    "fat moved": lambda: (replace(ADD, fat_share=ADD.fat_share - 1e-4), ADD_TERMS),
    "limits moved": lambda: (replace(ADD, max_fat_share=0.22), ADD_TERMS),
    "surer than it is": lambda: (replace(ADD, sure_after=0.99), ADD_TERMS),
    "less asked than was": lambda: (replace(ADD, asked=0.5), ADD_TERMS),
    "room moved": lambda: (replace(ADD, held=Held(2000.0, 100.0)), ADD_TERMS),
    "meat taken out without leave": lambda: (SWAP, replace(SWAP_TERMS, may_remove=False)),
    "more taken out than reported": lambda: (
        replace(SWAP, removed_lb=SWAP.removed_lb + 5),
        SWAP_TERMS,
    ),
    "more taken out than must be": lambda: (
        _more(_weighed(SWAP, removed_lb=SWAP.removed_lb + 50), 50.0, at=1),
        SWAP_TERMS,
    ),
    "short where it need not be": lambda: (
        replace(_weighed(ADD, ()), act=Act.SHORT, sure_after=ADD.sure_before),
        ADD_TERMS,
    ),
    "short and not the nearest": lambda: (_more(SHORT, -20.0), SHORT_TERMS),
    "nothing where something is needed": lambda: (
        replace(_weighed(ADD, ()), act=Act.NOTHING, sure_after=ADD.sure_before),
        ADD_TERMS,
    ),
    "something where nothing is needed": lambda: (
        replace(_only(NOTHING, "mid", 10.0), sure_after=NOTHING.sure_after),
        NOTHING_TERMS,
    ),
    "a step too many": lambda: (_more(STEPS, 1.0, at=1), STEPS_TERMS),
    "part of a step": lambda: (_more(STEPS, 0.5, at=1), STEPS_TERMS),
}


def test_a_rule_that_the_correction_was_not_made_to_is_found():
    without = replace(CASE, rules=())
    made, asked = make(without, confidence=0.95)
    assert not faults(made, asked, without)
    assert any("rule frozen" in fault for fault in faults(made, asked))
    apart = Rule(
        "apart",
        RuleKind.KEEP_APART,
        lots=parse_selector("lot=lean"),
        against=parse_selector("lot=mid"),
    )
    share = Rule("much", RuleKind.MIN_IF_USED, min_share=0.3)
    for rule in (apart, share, replace(COUNT, max_count=1)):
        assert f"rule {rule.rule_id} is broken" in faults(ADD, case=replace(CASE, rules=(rule,)))


def test_rules_hold_for_the_whole_batch_where_its_recipe_is_known():
    held = Held(2000.0, 5000.0, (Ingredient("mid", 1000.0), Ingredient("fat", 1000.0)))
    made, asked = make(held=held, confidence=0.95)
    assert not faults(made, asked)
    assert faults(replace(made, held=HELD), asked)


def test_rules_that_count_lots_are_branched_on():
    rule = Rule("much", RuleKind.MIN_IF_USED, min_share=0.25)
    case = replace(CASE, rules=(rule, replace(COUNT, max_count=1)))
    made, asked = make(case)
    certified = certify_adjustment(case, made, asked, ERRORS, solve_dense)
    assert len(made.added) == 1
    assert certified.is_valid and certified.gap_usd < 1, certified


def test_meat_of_another_price_or_lean_is_found():
    dear = tuple(replace(lot, price_usd_per_lb=lot.price_usd_per_lb + 0.1) for lot in CASE.lots)
    assert faults(ADD, case=replace(CASE, lots=dear))
    lean = tuple(replace(lot, lean=lot.lean - 0.01) for lot in CASE.lots)
    assert faults(ADD, case=replace(CASE, lots=lean))
    assert faults(ADD, spread={})


@FEW
@given(
    fat=st.integers(100, 400),
    lots=st.lists(st.integers(1, 90), min_size=1, max_size=5, unique=True),
    room=st.sampled_from((0.0, 300.0, 5000.0)),
    may_remove=st.booleans(),
    step_lb=st.sampled_from((None, 1.0)),
    whole_containers=st.booleans(),
    confidence=st.sampled_from((None, 0.9)),
    rules=st.sets(st.sampled_from((SHARE, COUNT))),
)
def test_any_correction_is_accepted_and_one_that_costs_more_is_not(
    fat, lots, room, may_remove, step_lb, whole_containers, confidence, rules
):
    names = {("lean", "mid", "fat", "l3", "l4")[at]: lot / 100 for at, lot in enumerate(lots)}
    case = case_of(names, 0.20, *rules, tolerance=0.01)
    asked = terms(
        case,
        may_remove=may_remove,
        step_lb=step_lb,
        whole_containers=whole_containers,
        confidence=confidence,
    )
    held = Held(2000.0, room)
    try:
        made = correct_batch(case, "P", held, Reading(fat / 1000, 1, 0.004), asked, ERRORS)
    except SolverTrouble:
        assume(False)
    certified = certify_adjustment(case, made, asked, ERRORS, solve_dense)
    assert certified.is_valid, certified.faults
    wrong = replace(made, cost_usd=made.cost_usd - 0.1, removed_lb=made.removed_lb)
    assert not certify_adjustment(case, wrong, asked, ERRORS, solve_dense).is_valid
