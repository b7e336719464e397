"""Plans of several days: against a second model, the checks that must catch, and shadow prices."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from blend.check.days import check_days, count_days_money
from blend.domain.horizon import Cooler, DayConstraintClass, ForwardPrice, Horizon, Order, Side
from blend.domain.plan import Ingredient, Verdict
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Rule, RuleKind
from blend.domain.selectors import parse_selector
from blend.errors import NoPlan
from blend.grinder.plan_days import plan_days
from blend.model import horizon as core_horizon
from blend.model.solve import solve_linear
from tests.bench.horizons import make_horizon as invented_horizon
from tests.trader.horizons import DAY, make_horizon, min_cost_by_age


def _agrees(seed: int) -> None:
    horizon = make_horizon(seed)
    by_age = min_cost_by_age(horizon)
    try:
        plan = plan_days(horizon, shadow_prices=False)
    except NoPlan:
        assert by_age is None
        return
    assert plan.money.total_usd == pytest.approx(by_age, rel=1e-6, abs=1e-3)
    assert plan.bound.objective_usd == pytest.approx(plan.money.total_usd, rel=1e-9, abs=1e-5)
    assert [check for check in plan.checks if check.verdict is Verdict.BROKEN] == []


@pytest.mark.parametrize("seed", range(25))
def test_a_model_that_follows_every_receipt_by_age_costs_the_same(seed: int):
    _agrees(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(25, 250))
def test_and_so_it_does_on_many_more(seed: int):
    _agrees(seed)


def test_the_seeds_reach_what_they_are_meant_to():
    plans = []
    for seed in range(25):
        try:
            plans.append(plan_days(make_horizon(seed), shadow_prices=False))
        except NoPlan:
            continue
    assert sum(bool(plan.freezes) for plan in plans) > 5
    assert sum(bool(plan.wastes) for plan in plans) > 5
    assert sum(bool(plan.sales) for plan in plans) > 5
    assert sum(any(blend.short_lb for blend in plan.blends) for plan in plans) > 2


# One day is the one-day plan ------------------------------------------------------------------


def test_a_horizon_of_one_day_costs_what_the_day_costs():
    horizon = make_horizon(3)
    lots = tuple(
        replace(lot, on_hand_or_offered="offered", use_by=None, salvage_value_usd_per_lb=0.0)
        for lot in horizon.case.lots
    )
    orders = tuple(order for order in horizon.orders if order.day == DAY)
    products = tuple(order.placed_on(horizon.case.product(order.product_id)) for order in orders)
    case = replace(horizon.case, lots=lots, products=products)
    alone = Horizon(case, (DAY,), orders)
    assert plan_days(alone).money.total_usd == pytest.approx(
        solve_linear(case).objective_usd, rel=1e-9
    )


# What is bought when --------------------------------------------------------------------------


def _two_days(**cooler) -> Horizon:
    """One lot, dear on the second day when it is wanted; 1,000 lb a day."""
    horizon = make_horizon(0)
    lot = replace(
        horizon.case.lots[2],
        lean=0.8,
        quantity_lb=0.0,
        on_hand_or_offered="offered",
        use_by=None,
        salvage_value_usd_per_lb=0.0,
    )
    case = replace(horizon.case, lots=(lot,), losses=())
    days = (DAY, DAY + timedelta(days=3))
    return Horizon(
        case,
        days,
        tuple(Order(f"o{day}", "P80", day, 1000.0, 1000.0, 9.0) for day in days),
        tuple(
            ForwardPrice(f"p{day}", Side.OFFER, lot.lot_id, day, price)
            for day, price in zip(days, (2.0, 2.5), strict=True)
        ),
        (Cooler(**{"cooler_id": "cooler", "holding_usd_per_lb_day": 0.1} | cooler),),
    )


@pytest.mark.parametrize(
    ("cooler", "bought", "cost"),
    [
        pytest.param(
            {}, [2000, 0], 2 * 1000 * 2.0 + 3 * 0.1 * 1000, id="three nights are worth it"
        ),
        pytest.param({"capacity_lb": 400.0}, [1400, 600], 2800 + 120 + 1500, id="little room"),
        pytest.param({"shelf_life_days": 2}, [1000, 1000], 2000 + 2500, id="it would not keep"),
        pytest.param({"shelf_life_days": 3}, [2000, 0], 4300, id="it just keeps"),
        pytest.param({"holding_usd_per_lb_day": 0.17}, [1000, 1000], 4500, id="storage is dear"),
    ],
)
def test_meat_is_bought_ahead_where_that_is_cheaper(cooler, bought, cost):
    plan = plan_days(_two_days(**cooler))
    assert [row.pounds_lb for row in plan.purchases] == pytest.approx(bought)
    assert plan.money.total_usd == pytest.approx(cost)


def test_room_is_value_the_difference_of_prices_less_holding():
    plan = plan_days(_two_days(capacity_lb=400.0))
    (value,) = plan.capacity_prices
    assert value.constraint_class is DayConstraintClass.CAPACITY
    assert value.loosening_saves_usd_per_cwt == pytest.approx(100 * (2.5 - 2.0 - 0.3), abs=1e-6)
    assert [order.next_cwt_usd for order in plan.order_prices] == pytest.approx([200, 250])
    assert [row.value_usd_per_lb for row in plan.purchases] == pytest.approx([2.0, 2.5])


@pytest.mark.parametrize("seed", [3, 7, 11])
def test_shadow_prices_are_the_differences_of_two_plans(seed: int):
    horizon = make_horizon(seed)
    plan = plan_days(horizon)
    told = {(value.product_id, value.day): value.next_cwt_usd for value in plan.order_prices}
    for order in horizon.orders:
        if (order.product_id, order.day) not in told:
            continue
        step_lb = 0.01
        more = replace(
            order,
            min_lb=order.min_lb + step_lb,
            max_lb=order.max_lb + step_lb * (order.max_lb == order.min_lb),
        )
        others = tuple(each for each in horizon.orders if each is not order)
        usd = plan_days(replace(horizon, orders=(*others, more)), shadow_prices=False)
        rate = (usd.bound.objective_usd - plan.bound.objective_usd) / step_lb * 100
        assert told[order.product_id, order.day] == pytest.approx(rate, abs=0.02)


@pytest.mark.parametrize("seed", [3, 7, 11])
def test_an_offer_is_left_alone_above_its_value_and_taken_below_it(seed: int):
    horizon = make_horizon(seed)
    plan = plan_days(horizon)
    left = [
        row
        for row in plan.purchases
        if not row.pounds_lb and row.value_usd_per_lb > 0.02 and row.offer_id.startswith("offer ")
    ]
    assert left
    for row in left:
        assert row.value_usd_per_lb <= row.price_usd_per_lb + 1e-9
        for nudge, is_taken in ((-0.01, True), (0.001, False)):
            prices = tuple(
                replace(price, price_usd_per_lb=row.value_usd_per_lb + nudge)
                if price.price_id == row.offer_id
                else price
                for price in horizon.prices
            )
            moved = plan_days(replace(horizon, prices=prices), shadow_prices=False)
            (own,) = (each for each in moved.purchases if each.offer_id == row.offer_id)
            assert bool(own.pounds_lb) is is_taken


# No plan --------------------------------------------------------------------------------------


def test_a_infeasible_names_what_must_be_eased_and_by_how_much():
    horizon = _two_days(ending_inventory_lb=500.0, capacity_lb=300.0)
    with pytest.raises(NoPlan) as told:
        plan_days(horizon)
    loosening = told.value.infeasible.loosening_lb
    assert sum(loosening.values()) == pytest.approx(200)
    assert {each.constraint_class for each in loosening} <= {
        DayConstraintClass.ENDING_INVENTORY,
        DayConstraintClass.CAPACITY,
    }


# Large horizons -------------------------------------------------------------------------------

FROZEN = parse_selector("fresh_or_frozen=frozen")


@pytest.fixture(params=["divisible", "whole"])
def alike_from_a_part(request, monkeypatch):
    """Plans a horizon with its shadow prices at once and as if it were large; both must agree."""

    def both(horizon: Horizon) -> None:
        plans = []
        for from_pairs in (10**9, 0):
            monkeypatch.setattr(core_horizon, "AGGREGATED_FROM_PAIRS", from_pairs)
            plans.append(plan_days(horizon, divisible=request.param == "divisible"))
        at_once, from_a_part = plans
        assert from_a_part.money.total_usd == pytest.approx(at_once.money.total_usd, rel=1e-7)
        assert [check for check in from_a_part.checks if check.verdict is Verdict.BROKEN] == []
        for ours, theirs in zip(from_a_part.order_prices, at_once.order_prices, strict=True):
            assert ours.next_cwt_usd == pytest.approx(theirs.next_cwt_usd, abs=1e-4)
        for ours, theirs in zip(from_a_part.purchases, at_once.purchases, strict=True):
            assert ours.value_usd_per_lb == pytest.approx(theirs.value_usd_per_lb, abs=1e-6)

    return both


@pytest.mark.parametrize("seed", [3, 7, 11, 16])
def test_a_small_horizon_begun_with_a_part_is_planned_alike(alike_from_a_part, seed):
    alike_from_a_part(make_horizon(seed))


def test_an_invented_market_begun_with_a_part_is_planned_alike(alike_from_a_part):
    alike_from_a_part(invented_horizon(20, 5, 3))


def test_what_single_products_and_lots_must_keep_is_kept_when_begun_with_a_part(alike_from_a_part):
    horizon = invented_horizon(12, 3, 2)
    last = horizon.case.products[-1].product_id
    rules = (
        Rule("use", RuleKind.MUST_USE, (last,), parse_selector("lean>=0.8"), min_lb=900.0),
        Rule("frozen", RuleKind.MIN_IF_USED, lots=FROZEN, min_share=0.05),
    )
    alike_from_a_part(replace(horizon, case=replace(horizon.case, rules=rules)))


def test_a_large_horizon_begins_with_few_of_its_pairs(monkeypatch):
    horizon = invented_horizon(30, 8, 3)
    begun = []
    restricted_master = core_horizon.restricted_master

    def noted(*parts):
        begun.append(restricted_master(*parts))
        return begun[-1]

    monkeypatch.setattr(core_horizon, "AGGREGATED_FROM_PAIRS", 0)
    monkeypatch.setattr(core_horizon, "restricted_master", noted)
    solved = core_horizon.solve_horizon(horizon, divisible=True)
    (part,) = begun
    left_out = len(solved.model.cost) - len(part.columns)
    assert left_out > sum(len(sets.pair_lot) for sets in solved.days.sets_list) / 3


def test_a_infeasible_is_found_when_begun_with_a_part(monkeypatch):
    monkeypatch.setattr(core_horizon, "AGGREGATED_FROM_PAIRS", 0)
    with pytest.raises(NoPlan):
        plan_days(_two_days(ending_inventory_lb=500.0, capacity_lb=300.0))


# Checks that must catch -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def sound():
    """A horizon with its plan, in which something is frozen, sold, bought and blended."""
    for seed in range(60):
        horizon = make_horizon(seed)
        try:
            plan = plan_days(horizon)
        except NoPlan:
            continue
        if plan.freezes and plan.sales and any(row.pounds_lb for row in plan.purchases):
            return horizon, plan
    raise AssertionError("no seed does all of it")


def _broken(horizon, plan) -> set:
    checks = check_days(horizon, plan)
    return {
        check.requirement.constraint_class for check in checks if check.verdict is Verdict.BROKEN
    }


def test_a_sound_plan_has_nothing_broken(sound):
    assert _broken(*sound) == set()


def test_a_pound_from_nowhere_is_caught(sound):
    horizon, plan = sound
    index = next(i for i, blend in enumerate(plan.blends) if blend.ingredients)
    blend = plan.blends[index]
    first, *others = blend.ingredients
    more = replace(blend, ingredients=(Ingredient(first.lot_id, first.pounds_lb + 1), *others))
    blends = (*plan.blends[:index], more, *plan.blends[index + 1 :])
    assert DayConstraintClass.BALANCE in _broken(horizon, replace(plan, blends=blends))


def test_more_than_is_offered_is_caught(sound):
    horizon, plan = sound
    greedy = tuple(replace(row, pounds_lb=row.pounds_lb + 1e6) for row in plan.purchases)
    assert ConstraintClass.SUPPLY in _broken(horizon, replace(plan, purchases=greedy))


def test_more_than_a_freezer_freezes_is_caught(sound):
    horizon, plan = sound
    greedy = tuple(replace(row, fresh_lb=row.fresh_lb + 1e5) for row in plan.freezes)
    assert DayConstraintClass.FREEZER in _broken(horizon, replace(plan, freezes=greedy))


def test_a_blend_off_its_lean_is_caught(sound):
    horizon, plan = sound
    index = next(i for i, blend in enumerate(plan.blends) if len(blend.ingredients) > 1)
    blend = plan.blends[index]
    first, second, *others = blend.ingredients
    swapped = (
        Ingredient(first.lot_id, first.pounds_lb + 50),
        Ingredient(second.lot_id, max(0.0, second.pounds_lb - 50)),
        *others,
    )
    blends = (*plan.blends[:index], replace(blend, ingredients=swapped), *plan.blends[index + 1 :])
    assert _broken(horizon, replace(plan, blends=blends)) & {
        ConstraintClass.LEAN_MIN,
        ConstraintClass.LEAN_MAX,
    }


@pytest.mark.parametrize("change", [{"finished_lb": 1.0}, {"lean": 0.9}])
def test_a_blend_that_is_misstated_is_caught(sound, change):
    horizon, plan = sound
    index = next(i for i, blend in enumerate(plan.blends) if blend.ingredients)
    blends = list(plan.blends)
    blends[index] = replace(blends[index], **change)
    assert ConstraintClass.MASS in _broken(horizon, replace(plan, blends=tuple(blends)))


@pytest.mark.parametrize(
    ("spoil", "constraint_class"),
    [
        (lambda cooler: replace(cooler, capacity_lb=1.0), DayConstraintClass.CAPACITY),
        (
            lambda cooler: replace(cooler, ending_inventory_lb=1e6),
            DayConstraintClass.ENDING_INVENTORY,
        ),
        (lambda cooler: replace(cooler, shelf_life_days=0), DayConstraintClass.USE_BY),
    ],
)
def test_a_plan_for_other_rooms_is_caught(sound, spoil, constraint_class):
    horizon, plan = sound
    other = replace(horizon, coolers=tuple(map(spoil, horizon.coolers)))
    assert constraint_class in _broken(other, plan)


def test_the_money_is_counted_from_the_tables(sound):
    horizon, plan = sound
    dearer = tuple(
        replace(price, price_usd_per_lb=price.price_usd_per_lb + 1)
        if price.side is Side.OFFER
        else price
        for price in horizon.prices
    )
    bought_lb = sum(row.pounds_lb for row in plan.purchases if " 2026" in row.offer_id)
    counted = count_days_money(replace(horizon, prices=dearer), plan)
    assert counted.bought_usd - plan.money.bought_usd == pytest.approx(bought_lb)
