"""Why a lot is used or not: the parts of its worth, its reduced cost and its break-even price.

Checked against the model itself: the parts sum to the delivered price less the reduced cost, and
solving the case again at the break-even price, a little lower or higher, uses the lot or not.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from math import isinf

import pytest
from hypothesis import assume, given, settings

from blend.domain.case import Case
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Loss, Rule, RuleKind
from blend.domain.selectors import parse_selector
from blend.errors import InputRefused, NoPlan
from blend.grinder.lot import LotAnswer
from blend.grinder.why_lot import WhyLot, why_lot, why_lot_of
from blend.model.solve import open_linear, solve_linear
from blend.model.solver import Outcome
from tests import strategies
from tests.published.cases import DAY, make_case, make_lot, make_product

ANY_CASE = strategies.cases() | strategies.cases().flatmap(strategies.warmed)


def priced(case: Case, lot_id: str, delivered_usd_per_lb: float) -> Case:
    """The case with a lot at another delivered price, its left-over value no higher."""

    def at_price(lot):
        if lot.lot_id != lot_id:
            return lot
        leftover = min(lot.salvage_value_usd_per_lb, delivered_usd_per_lb)
        return replace(
            lot,
            price_usd_per_lb=delivered_usd_per_lb,
            price_basis="delivered",
            salvage_value_usd_per_lb=leftover,
        )

    return replace(case, lots=tuple(map(at_price, case.lots)))


def used_lb(case: Case, lot_id: str) -> float:
    return sum(lb for (lot, _), lb in solve_linear(case).use_lb.items() if lot == lot_id)


def answers_of(case: Case) -> list[WhyLot]:
    linear = open_linear(case)
    answer = linear.solve()
    assume(answer.outcome is Outcome.OPTIMAL)
    return [why_lot(case, lot.lot_id, linear, answer) for lot in case.usable_lots()]


@pytest.mark.slow
@settings(max_examples=30)
@given(ANY_CASE)
def test_parts_sum_to_what_the_reduced_cost_says(case):
    for answer in answers_of(case):
        for each in answer.products:
            assert (each.value is None) == bool(each.barred)
            if each.value is None:
                continue
            gain = each.value.usd_per_lb - answer.delivered_usd_per_lb
            size = max(1.0, abs(each.value.finished_usd_per_lb))
            assert gain == pytest.approx(-each.value.reduced_cost_usd_per_lb, abs=1e-9 * size)


@pytest.mark.slow
@settings(max_examples=25)
@given(strategies.cases())
def test_the_turning_price_turns_it(case):
    for answer in answers_of(case)[:3]:
        critical = answer.break_even_usd_per_lb
        if critical is None or isinf(critical) or critical < 1e-3:
            continue
        above = solve_linear(priced(case, answer.lot_id, critical * 1.001))
        below = solve_linear(priced(case, answer.lot_id, critical * 0.999))
        if below.outcome is not Outcome.OPTIMAL:
            continue  # cheap enough, some lots would be bought without limit
        lb = [
            sum(lb for (lot, _), lb in plan.use_lb.items() if lot == answer.lot_id)
            for plan in (above, below)
        ]
        assert lb[0] < 1e-3 < lb[1]


LEAN, FAT = make_lot("lean", 0.90, 3.00), make_lot("fat", 0.50, 1.00)
MIDDLE = make_lot("middle", 0.70, 2.50)
GROUND = make_product(0.70, 1_000, max_lb=1_000, product_id="ground")


def test_an_unused_lot_enters_at_what_the_others_cost_mixed():
    # half lean, half fat make 70% lean meat for 2.00: that is what a pound of 70s is worth
    answer = why_lot_of(make_case((LEAN, FAT, MIDDLE), (GROUND,)), "middle")
    assert not answer.is_used
    assert answer.break_even_usd_per_lb == pytest.approx(2.00, abs=1e-9)
    assert answer.worth_in[answer.best or ""].usd_per_lb == pytest.approx(2.00, abs=1e-9)
    assert {each.lot_id: round(each.now_lb) for each in answer.rivals} == {"lean": 500, "fat": 500}
    assert {each.lot_id: round(each.then_lb) for each in answer.rivals} == {"lean": 0, "fat": 0}


def test_a_used_lot_leaves_at_what_takes_its_place():
    case = make_case((LEAN, FAT, replace(MIDDLE, price_usd_per_lb=1.80)), (GROUND,))
    answer = why_lot_of(case, "middle")
    assert answer.used_lb == pytest.approx(1_000)
    assert answer.break_even_usd_per_lb == pytest.approx(2.00, abs=1e-9)
    assert used_lb(priced(case, "middle", 1.999), "middle") == pytest.approx(1_000)
    assert used_lb(priced(case, "middle", 2.001), "middle") == pytest.approx(0)
    assert {each.lot_id: round(each.then_lb) for each in answer.rivals} == {"lean": 500, "fat": 500}


def test_lean_losses_and_rules_each_have_their_part():
    rule = Rule("few", RuleKind.SHARE, lots=parse_selector("lot=lean|middle"), max_share=0.4)
    loss = Loss("trim", "trim", lots=parse_selector("lot=middle"), lean_loss_share=0.1,
                fat_loss_share=0.1)  # fmt: skip
    strong = make_lot("strong", 0.95, 3.50)
    case = make_case((LEAN, FAT, MIDDLE, strong), (GROUND,), rule, losses=(loss,))
    answer = why_lot_of(case, "middle")
    value = answer.worth_in[answer.best or ""]
    by_constraint_class = {
        part.requirement.constraint_class: part.usd_per_lb for part in value.requirements
    }
    assert value.losses_usd_per_lb == pytest.approx(-0.1 * value.finished_usd_per_lb)
    assert by_constraint_class[ConstraintClass.SHARE_MAX] < 0
    # in the very middle of an exact target, its lean neither adds nor costs
    assert by_constraint_class.get(ConstraintClass.LEAN_MIN, 0.0) == pytest.approx(0.0, abs=1e-9)


def test_what_bars_a_lot_is_named():
    pork = make_lot("pork", 0.7, 0.5, species="pork")
    no_pork = Rule("no pork", RuleKind.MUST_NOT_USE, lots=parse_selector("species=pork"))
    natural = replace(GROUND, species=frozenset({"beef"}), label_claims=frozenset({"natural"}))
    ready = [replace(lot, label_claims=frozenset({"natural"})) for lot in (LEAN, FAT)]
    case = make_case((*ready, pork), (natural,), no_pork)
    answer = why_lot_of(case, "pork")
    (ground,) = answer.products
    assert ground.barred.wrong_species and ground.barred.lacks_label_claims == ("natural",)
    assert [requirement.rule_id for requirement in ground.barred.rules] == ["no pork"]
    assert answer.break_even_usd_per_lb is None and answer.best is None
    reason = LotAnswer(case, answer).tables["barred"]["reason"].item()
    assert all(each in reason for each in ("only beef", "natural", "rule no pork"))


def test_a_lot_of_another_day_tells_its_reason():
    late = replace(MIDDLE, available_on=DAY + timedelta(days=1))
    case = make_case((LEAN, FAT, late), (GROUND,))
    answer = why_lot_of(case, "middle")
    assert answer.reason_unusable and answer.reason_unusable in LotAnswer(case, answer).headline
    assert all(each.value is None for each in answer.products)
    with pytest.raises(KeyError):
        why_lot_of(case, "gone")


def test_no_plan_without_it_is_told():
    case = make_case((LEAN, FAT), (GROUND,))
    answer = why_lot_of(case, "lean")
    assert isinf(answer.break_even_usd_per_lb) and answer.rivals == ()


def test_no_plan_and_money_without_end_are_raised():
    with pytest.raises(NoPlan):
        why_lot_of(make_case((FAT,), (GROUND,)), "fat")
    endless = replace(GROUND, max_lb=None, sale_usd_per_lb=9.0)
    with pytest.raises(InputRefused):
        why_lot_of(make_case((LEAN, FAT), (endless,)), "fat")


def test_the_model_is_left_as_it_was():
    case = make_case((LEAN, FAT, MIDDLE), (GROUND,))
    linear = open_linear(case)
    answer = linear.solve()
    before = linear.cost.copy(), linear.lower.copy(), linear.upper.copy()
    for lot_id in ("lean", "fat", "middle"):
        why_lot(case, lot_id, linear, answer)
    after = linear.cost, linear.lower, linear.upper
    assert all((b == a).all() for b, a in zip(before, after, strict=True))
    assert linear.solve().objective == pytest.approx(answer.objective)
