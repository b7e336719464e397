"""The plan as frames and screens: sums agree, every check is there, the first screen fits."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.plan import Bound, Ingredient, Money, PlanCertificate, Verdict
from blend.domain.uncertainty import LeanUncertainty
from blend.grinder.blend_chart import shares_by_class
from blend.grinder.day_plan import SECTIONS
from blend.grinder.odds import Errors, errors_of, floor_odds, with_floors
from tests.grinder.example_plan import answer, any_plan, example_case, example_plan
from tests.strategies import cases

CASE = example_case()
PLAN = example_plan(CASE)
ANSWER = answer(CASE, PLAN)


def test_what_is_taken_is_what_is_used_and_left_over():
    taken = ANSWER.purchases
    assert taken["taken_lb"].sum() == 16_158
    assert (taken["taken_lb"] == taken["used_lb"] + taken["leftover_lb"]).all()


def test_recipes_add_up_to_what_is_used():
    assert ANSWER.recipes["run_lb"].sum() == ANSWER.purchases["used_lb"].sum()
    of_batch = ANSWER.recipes.groupby("product_id")["of_batch_percent"].sum()
    assert of_batch.tolist() == pytest.approx([100, 100], abs=0.01)


def test_money_adds_up_and_agrees_with_the_list_of_purchases():
    money = Money(1_000.0, 50.0, 20.0, 30.0, 600.0, 500.0)
    parts = answer(CASE, replace(PLAN, money=money)).tables["money"]
    assert parts["money_usd"].sum() == pytest.approx(money.total_usd) == pytest.approx(460.0)
    bought = ANSWER.purchases["purchase_usd"].sum()
    assert bought == pytest.approx(
        PLAN.money.meat_usd + PLAN.money.freight_usd + PLAN.money.stock_books_usd
    )


@settings(max_examples=15, deadline=None)
@given(cases())
def test_any_plan_has_every_frame_and_a_first_screen_that_fits(case):
    plan = any_plan(case)
    shown = answer(case, plan)
    lines = shown.screen().splitlines()
    assert len(lines) <= 40 and max(map(len, lines)) <= 80
    assert shown.screen(["all"]).startswith("\n".join(lines))
    assert shown.to_json()
    assert shown.products["batches"].sum() == sum(run.batches for run in plan.runs)
    checked = shown.limits["verdict"] != ""
    assert checked.sum() == len(plan.certificate.checks)


def test_sixty_products_of_two_hundred_lots_still_fit_one_screen():
    lots = tuple(replace(CASE.lots[0], lot_id=f"LONG-LOT-NUMBER-{n:04}") for n in range(200))
    products = tuple(replace(CASE.products[0], product_id=f"P{n:02}") for n in range(60))
    case = replace(CASE, lots=lots, products=products, rules=())
    lines = answer(case, any_plan(case)).screen().splitlines()
    assert len(lines) <= 40 and max(map(len, lines)) <= 80


def test_break_evens_keep_the_plan_and_the_relaxation_apart():
    lots = ANSWER.lots.set_index("lot_id")
    assert lots.loc["Z85-02", ["plan_lb", "if_split_lb"]].tolist() == [2_540, 2_540]
    is_used = lots["if_split_lb"] > 0
    assert lots.loc[is_used, "buy_under_usd_per_cwt"].isna().all()
    assert lots.loc[~is_used, "drop_over_usd_per_cwt"].isna().all()
    assert lots.loc["F50-11", "drop_over_usd_per_cwt"] == float("inf")
    assert lots.loc["F90-03", "drop_over_usd_per_cwt"] == pytest.approx(302.42)


def test_limits_carry_their_shadow_prices():
    limits = ANSWER.limits.set_index("limit")
    priced = limits[limits["per"] != ""]
    assert len(priced) == len(PLAN.shadow_prices)
    floor = limits[limits["loosening_saves_usd"] == 487.11]
    assert floor["value"].tolist() == [0.79496] and floor["minimum"].tolist() == [0.795]


@pytest.mark.parametrize("name", SECTIONS)
def test_a_plan_without_prices_has_every_section(name):
    assert answer(CASE, example_plan(CASE, shadow_prices=False)).screen([name])


@settings(max_examples=50)
@given(st.floats(-50, 300_000), st.booleans(), st.booleans())
def test_the_gap_claimed_is_never_below_the_bound_and_names_who_vouches(gap, certified, stopped):
    printed = PLAN.money.total_usd
    bound = Bound(printed, printed - gap, "by hand", printed, certified)
    certificate = PlanCertificate(PLAN.certificate.checks, bound)
    plan = replace(PLAN, certificate=certificate, stopped_early=stopped)
    words = answer(CASE, plan).cost_words
    assert ("stopped early" in words) == stopped
    assert ("certified exactly" in words) == certified
    if gap > 0.01:
        claimed = words.split("more than $")[1].split(" ")[0].replace(",", "")
        assert float(claimed) >= gap


def test_control_characters_never_reach_the_terminal():
    lots = tuple(replace(lot, item="a\x1b[2J\nb") for lot in CASE.lots)
    assert "\x1b" not in answer(replace(CASE, lots=lots), PLAN).screen(["all"])


def test_nothing_is_over_a_limit_in_silence():
    over = [check for check in PLAN.certificate.checks if check.verdict is Verdict.WARNING]
    assert over
    watch = " ".join(ANSWER.watch)
    for check in over:
        assert CASE.product(check.requirement.product_id).name in watch


@given(st.floats(0.0, 1.0))
def test_every_lean_has_a_class(lean):
    lots = (replace(CASE.lots[0], lean=lean),)
    run = replace(PLAN.runs[0], ingredients=(Ingredient(lots[0].lot_id, 10),))
    assert len(shares_by_class(replace(CASE, lots=lots), run)) == 1


# Odds ------------------------------------------------------------------------------------------


def test_lots_without_an_error_of_their_own_are_assumed_and_named():
    known = {"F90-03": LeanUncertainty("F90-03", 0.005, 0.01)}
    errors = errors_of(CASE, known)
    assert errors.lots["F90-03"].whole_error_share == pytest.approx(0.005)
    assert "F90-03" not in errors.assumed_lots and "F50-11" in errors.assumed_lots
    assert set(errors.lots) >= {lot.lot_id for lot in CASE.usable_lots()}


def test_a_batch_at_its_floor_tests_under_spec_half_the_time():
    product = CASE.product("GB80")
    lot = replace(CASE.lot("F75-08"), lean=product.min_lean)
    case = replace(CASE, lots=(lot,), losses=())
    run = replace(PLAN.runs[0], ingredients=(Ingredient(lot.lot_id, 100),))
    (odds,) = floor_odds(case, [run], errors_of(case, {}))
    assert odds.odds == pytest.approx(0.5)
    better = replace(case, lots=(replace(lot, lean=lot.lean + 0.02),))
    assert floor_odds(better, [run], errors_of(case, {}))[0].odds > 0.9


@given(st.floats(0.5, 0.99), st.floats(0.5, 0.99))
def test_no_floor_is_ever_held_less_surely_than_asked(own, asked):
    errors = Errors({}, {})
    rows = [errors.constraint("GB80", own)]
    held = with_floors(CASE, errors, rows, asked)
    floors = {each.product_id: each.min_confidence for each in held}
    assert floors == {"GB80": max(own, asked), "GC73": asked}
