"""Why a plan's cost and an item's worth moved: parts add up, and each is a case one can solve."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import EVERY_LOT, parse_selector
from blend.errors import InputRefused, NoPlan
from blend.model.solve import solve_linear
from blend.reporter.between import PlansBetween
from blend.reporter.explained import Observed
from blend.reporter.mixed import PLAN_DRIVERS, Driver, TwoCases
from blend.reporter.why import put_back, why_plan_moved
from blend.tables.read import read_case
from blend.tables.write import write_case
from tests.reporter.markets import DAY, imported, lot, plant, product
from tests.strategies import cases

NINETIES = parse_selector("lot=90s")
PENALTY_USD = 9.0
FEW = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))

# 1 lb of 90s does the work of 0.4/0.45 lb of 95s and the rest 50s (Pearson square, taught in
# meat-calculation lessons), so with 95s at 3.60 and 50s at 1.00 it is worth this
VALUE_BESIDE_95S = (0.4 * 3.60 + 0.05 * 1.00) / 0.45


def base(ninety_lb=None, ninety_usd=3.0, import_lb=0.0):
    return plant(
        lot("50s", 0.5, 1.0, None),
        lot("90s", 0.9, ninety_usd, ninety_lb),
        lot("95s", 0.95, 3.6, None),
        imported("I90", 0.9, 2.9, import_lb),
    )


def parts(explained):
    return {each.driver: each.amount for each in explained.contributions}


def nothing_but(moved):
    return {driver: moved.get(driver, 0.0) for driver in PLAN_DRIVERS}


# By hand -----------------------------------------------------------------------------------------


def test_where_an_item_is_partly_used_it_is_value_its_price():
    why = why_plan_moved(base(), base(ninety_usd=3.1), NINETIES)
    # 900 lb of an 80 from 90s and 50s hold three quarters of 90s
    assert parts(why.value.next) == pytest.approx(nothing_but({Driver.OWN_PRICE: 0.1}))
    assert parts(why.cost) == pytest.approx(nothing_but({Driver.OWN_PRICE: 675 * 0.1}))
    assert why.value.next.before == pytest.approx(3.0)
    assert why.value.last.after == pytest.approx(3.1)


def test_where_it_is_used_up_the_next_pound_is_value_what_replaces_it():
    why = why_plan_moved(base(ninety_lb=300.0), base(ninety_lb=200.0), NINETIES)
    assert why.value.next.before == pytest.approx(VALUE_BESIDE_95S)
    assert why.value.next.change == pytest.approx(0.0, abs=1e-9)
    cost = nothing_but({Driver.FRESH_SUPPLY: 100 * (VALUE_BESIDE_95S - 3.0)})
    assert parts(why.cost) == pytest.approx(cost)


def test_where_none_is_used_it_is_value_what_a_blend_would_pay():
    why = why_plan_moved(base(ninety_usd=3.4), base(ninety_usd=3.5), NINETIES)
    assert why.value.next.before == pytest.approx(VALUE_BESIDE_95S)
    assert why.value.next.change == pytest.approx(0.0)
    assert why.cost.change == pytest.approx(0.0)


def test_scarce_imports_are_found_and_each_part_is_a_counterfactual():
    before, after = base(ninety_lb=300.0, import_lb=800.0), base(ninety_lb=300.0, import_lb=100.0)
    why = why_plan_moved(before, after, NINETIES)
    # plentiful imports are the marginal 90s at their own price; scarce ones leave it to 95s
    rise = VALUE_BESIDE_95S - 2.9
    assert parts(why.value.next) == pytest.approx(nothing_but({Driver.IMPORTED_SUPPLY: rise}))
    back = why.value.next.contribution(Driver.IMPORTED_SUPPLY).put_back
    assert back == pytest.approx(2.9)
    case = put_back(before, after, NINETIES, Driver.IMPORTED_SUPPLY)
    assert case.lot("I90").quantity_lb == 800.0
    again = why_plan_moved(case, after, NINETIES)
    assert again.value.next.before == pytest.approx(back)


def test_on_a_degenerate_the_last_pound_is_value_more_than_the_next():
    # just the 675 lb that the order takes: the next pound would replace none
    exact = base(ninety_lb=675.0)
    why = why_plan_moved(exact, base(ninety_lb=675.0, ninety_usd=2.9), NINETIES)
    assert why.value.next.before == pytest.approx(3.0)
    assert why.value.last.before == pytest.approx(VALUE_BESIDE_95S)
    assert why.value.next.change == pytest.approx(-0.1)
    assert why.value.last.change == pytest.approx(0.0)


def test_what_the_quotation_did_beyond_the_model():
    seen = Observed(0.15, 0.03)
    why = why_plan_moved(base(), base(ninety_usd=3.1), NINETIES, observed=seen)
    assert why.value.unexplained_usd_per_lb == pytest.approx(0.05)
    assert why.value.unexplained_error_usd_per_lb == pytest.approx(0.03)


def test_substitution_is_the_change_of_recipe():
    dearer = base(ninety_usd=3.5)
    why = why_plan_moved(base(), dearer, NINETIES)
    shift = {each.lot_id: each for each in why.recipe.lots}
    assert shift["90s"].before_lb_per_lb == pytest.approx(0.75)
    assert shift["95s"].after_lb_per_lb == pytest.approx(2 / 3)
    assert why.recipe.prices_usd == pytest.approx(900 * 0.375 * 0.5)
    assert why.recipe.total_usd == pytest.approx(why.cost.change)


# A case between that has no plan -----------------------------------------------------------------


def growing(lb):
    return plant(
        lot("50s", 0.5, 1.0, lb), lot("90s", 0.9, 3.0, lb), products=(product("GB80", 0.8, lb),)
    )


def test_a_case_between_without_a_plan_is_named_with_what_to_allow():
    with pytest.raises(InputRefused) as refused:
        why_plan_moved(growing(900.0), growing(2000.0), NINETIES)
    (problem,) = refused.value.problems
    assert "orders as after and the rest as before" in problem.value
    assert "GB80" in problem.hint and "shortage" in problem.hint


def test_a_stated_shortage_price_lets_it_be_split():
    why = why_plan_moved(
        growing(900.0), growing(2000.0), NINETIES, shortage_penalty_usd_per_lb=PENALTY_USD
    )
    assert math.fsum(parts(why.cost).values()) == pytest.approx(why.cost.change)
    assert why.cost.contribution(Driver.ORDERS).amount > 0
    assert why.cost.contribution(Driver.FRESH_SUPPLY).amount < 0


def test_a_case_that_itself_has_no_plan_tells_its_infeasible():
    short = plant(lot("50s", 0.5, 1.0, None), lot("90s", 0.9, 3.0, 10.0))
    for pair in ((short, base()), (base(), short)):
        with pytest.raises(NoPlan):
            why_plan_moved(*pair, NINETIES)


def test_an_item_that_there_is_none_of_is_refused():
    with pytest.raises(InputRefused, match="no lot with item=veal"):
        why_plan_moved(base(), base(), parse_selector("item=veal"))


def test_temperature_of_a_lot_that_one_side_does_not_know_is_refused():
    rule = Rule("cold", RuleKind.MAX_TEMP, max_temp_f=38.0, excess_heat_btu_per_lb=(("50s", 1.0),))
    before = replace(base(), rules=(rule,))
    with pytest.raises(InputRefused, match="no temperature of 90s"):
        TwoCases(before, base(), NINETIES).mixed(())


# Any two cases -----------------------------------------------------------------------------------


@st.composite
def pairs(draw):
    """Two cases of overlapping ids that may always fall short."""
    both = []
    for _ in range(2):
        case = draw(cases(max_lots=5, max_products=3, max_rules=2))
        products = tuple(
            replace(
                each,
                shortage_penalty_usd_per_lb=PENALTY_USD,
                max_lb=each.max_lb or each.min_lb + 500,
            )
            for each in case.products
        )
        rules = tuple(
            rule for rule in case.rules if rule.kind not in (RuleKind.MUST_USE, RuleKind.MAX_TEMP)
        )
        both.append(replace(case, products=products, rules=rules))
    return tuple(both)


def asked(before, after):
    try:
        return why_plan_moved(before, after, EVERY_LOT)
    except (InputRefused, NoPlan):
        assume(False)


@FEW
@given(pairs())
def test_parts_add_up_inside_and_outside_the_recipes(pair):
    why = asked(*pair)
    for each in (why.cost, why.value.next, why.value.last):
        assert math.fsum(parts(each).values()) == pytest.approx(each.change, abs=1e-6)
    assert why.recipe.total_usd == pytest.approx(why.cost.change, abs=1e-4, rel=1e-7)
    assert why.value.next.after <= why.value.last.after + 1e-9


@FEW
@given(pairs(), st.sets(st.sampled_from(PLAN_DRIVERS)))
def test_solved_warm_as_from_scratch_and_the_ends_are_the_cases(pair, moved):
    try:
        between = PlansBetween(TwoCases(*pair, EVERY_LOT))
    except InputRefused:
        assume(False)
    for some in (frozenset(PLAN_DRIVERS[:2]), frozenset(moved)):
        cold = solve_linear(between.two.mixed(some)).objective_usd
        assert between.at(some).objective_usd == pytest.approx(cold, abs=1e-5, rel=1e-7)
    for case, end in zip(pair, (frozenset(), frozenset(PLAN_DRIVERS)), strict=True):
        own = solve_linear(case).objective_usd
        assert between.at(end).objective_usd == pytest.approx(own, abs=1e-5, rel=1e-7)


@FEW
@given(pairs())
def test_going_back_takes_back_every_part_of_the_cost(pair):
    there, back = asked(*pair), asked(*pair[::-1])
    undone = {driver: -amount for driver, amount in parts(back.cost).items()}
    assert parts(there.cost) == pytest.approx(undone, abs=1e-4, rel=1e-7)


def test_what_did_not_move_has_no_part_and_costs_no_solve():
    why = why_plan_moved(base(), base(), NINETIES)
    assert why.plans == 1
    assert set(parts(why.cost).values()) == {0.0}


def test_lots_that_come_go_or_are_out_of_date_have_no_pounds_on_that_side():
    gone = replace(base(), lots=tuple(each for each in base().lots if each.lot_id != "95s"))
    stale = replace(base().lot("50s"), use_by=DAY.replace(day=1))
    early = replace(base(), lots=(*(x for x in base().lots if x.lot_id != "50s"), stale))
    two = TwoCases(gone, early, NINETIES)
    before, after = two.mixed(()), two.mixed(PLAN_DRIVERS)
    assert before.lot("95s").quantity_lb == 0.0 and after.lot("95s").quantity_lb is None
    assert before.lot("50s").quantity_lb is None and after.lot("50s").quantity_lb == 0.0


@pytest.mark.parametrize("driver", PLAN_DRIVERS)
def test_the_demo_counterfactuals_read_back_as_they_were_written(driver, tmp_path, demo_pair):
    case = put_back(*demo_pair, parse_selector("item=fresh 90s"), driver)
    write_case(case, tmp_path)
    assert read_case(tmp_path).case == case


@pytest.fixture(scope="module")
def demo_pair():
    from pathlib import Path

    demo = Path(__file__).parents[2] / "demo_data"
    return read_case(demo / "week_before").case, read_case(demo).case
