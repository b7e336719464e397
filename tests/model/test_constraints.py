"""The few rows that each family makes of a tiny case: keys, coefficients, bounds."""

from __future__ import annotations

from dataclasses import replace

import pytest

from blend.domain.case import Settings
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Loss, Rule, RuleKind, WholeContainers
from blend.domain.selectors import parse_selector
from tests.model.stated import INF, Column, Row, Stated
from tests.published.cases import DAY, make_case, make_lot, make_product

FAT = make_lot("fat", 0.5, 0.6, quantity_lb=400)
LEAN = make_lot("lean", 0.9, 2.0, quantity_lb=800, fresh_or_frozen="frozen")
THAW = Loss("thaw", "thaw", parse_selector("fresh_or_frozen=frozen"), lean_loss_share=0.1)
GROUND = make_product(0.8, 500, max_lb=600, tolerance_below_share=0.05)
# a pound of lean keeps 0.81 of lean and 0.10 of fat
KEPT_LEAN, KEPT_MASS = pytest.approx(0.81), pytest.approx(0.91)


def rule(kind: RuleKind, lots: str = "", **more) -> Rule:
    return Rule("r", kind, lots=parse_selector(lots), **more)


def case_of(*rules: Rule, lots=(FAT, LEAN), products=(GROUND,), where=WholeContainers.NO):
    settings = Settings(plan_on=DAY, whole_containers=where)
    return make_case(list(lots), list(products), *rules, losses=(THAW,), settings=settings)


def test_supply_ties_what_is_used_to_what_is_taken():
    stock = replace(
        FAT, on_hand_or_offered="on hand", salvage_value_usd_per_lb=0.4, freight_usd_per_lb=9.0
    )
    fob = replace(LEAN, price_basis="fob", freight_usd_per_lb=0.1, quantity_lb=None)
    stated = Stated(case_of(lots=(stock, fob)))
    assert stated.rows(ConstraintClass.SUPPLY) == [
        Row(("supply", "fat"), {"use fat>ground": 1.0, "take fat": -1.0}, maximum=0.0),
        Row(("supply", "lean"), {"use lean>ground": 1.0, "take lean": -1.0}, maximum=0.0),
    ]
    # what is left over keeps its value, so a used pound costs the whole price
    assert stated.columns["take fat"] == Column(pytest.approx(0.2), 0.0, 400.0, False)
    assert stated.columns["use fat>ground"] == Column(0.4, 0.0, INF, False)
    assert stated.columns["take lean"] == Column(pytest.approx(2.1), 0.0, INF, False)


def test_volume_weighs_the_blend_and_bounds_it():
    stated = Stated(case_of(products=(replace(GROUND, sale_usd_per_lb=3.0),)))
    assert stated.rows(
        ConstraintClass.MASS, ConstraintClass.VOLUME_MIN, ConstraintClass.VOLUME_MAX
    ) == [
        Row(
            ("mass", "ground"),
            {"use fat>ground": 1.0, "use lean>ground": KEPT_MASS, "finished ground": -1.0},
            0.0,
            0.0,
        ),
        Row(("volume_min", "ground"), {"finished ground": 1.0}, minimum=500.0),
        Row(("volume_max", "ground"), {"finished ground": 1.0}, maximum=600.0),
    ]
    assert stated.columns["finished ground"] == Column(-3.0, 0.0, INF, False)


def test_volume_lets_an_order_fall_short_only_at_a_stated_price():
    short = replace(GROUND, shortage_penalty_usd_per_lb=4.0, max_lb=None)
    stated = Stated(case_of(products=(short, replace(GROUND, product_id="other"))))
    assert stated.rows(ConstraintClass.VOLUME_MIN) == [
        Row(("volume_min", "ground"), {"finished ground": 1.0, "short 0": 1.0}, minimum=500.0),
        Row(("volume_min", "other"), {"finished other": 1.0}, minimum=500.0),
    ]
    assert stated.columns["short 0"] == Column(4.0, 0.0, INF, False)


def test_volume_states_nothing_where_nothing_is_asked():
    free = replace(GROUND, min_lb=0.0, max_lb=None)
    assert not Stated(case_of(products=(free,))).rows(
        ConstraintClass.VOLUME_MIN, ConstraintClass.VOLUME_MAX
    )


def test_lean_lies_between_its_limits_after_losses():
    assert Stated(case_of()).rows(ConstraintClass.LEAN_MIN, ConstraintClass.LEAN_MAX) == [
        Row(
            ("lean_min", "ground"),
            {"use fat>ground": 0.5, "use lean>ground": KEPT_LEAN, "finished ground": -0.75},
            minimum=0.0,
        ),
        Row(
            ("lean_max", "ground"),
            {"use fat>ground": 0.5, "use lean>ground": KEPT_LEAN, "finished ground": -0.8},
            maximum=0.0,
        ),
    ]


def test_fat_rule_bounds_finished_fat():
    stated = Stated(case_of(rule(RuleKind.FAT, min_share=0.1, max_share=0.3)))
    fat = {"use fat>ground": 0.5, "use lean>ground": pytest.approx(0.1)}
    assert stated.rows(ConstraintClass.FAT_MIN, ConstraintClass.FAT_MAX) == [
        Row(("fat_min", "ground", "r"), fat | {"finished ground": -0.1}, minimum=0.0),
        Row(("fat_max", "ground", "r"), fat | {"finished ground": -0.3}, maximum=0.0),
    ]


def test_share_rule_bounds_the_finished_pounds_of_the_selected_lots():
    other = replace(GROUND, product_id="other")
    asked = rule(
        RuleKind.SHARE, "fresh_or_frozen=frozen", products=("ground",), min_share=0.2, max_share=0.5
    )
    frozen = {"use lean>ground": KEPT_MASS}
    assert Stated(case_of(asked, products=(GROUND, other))).rows(
        ConstraintClass.SHARE_MIN, ConstraintClass.SHARE_MAX
    ) == [
        Row(("share_min", "ground", "r"), frozen | {"finished ground": -0.2}, minimum=0.0),
        Row(("share_max", "ground", "r"), frozen | {"finished ground": -0.5}, maximum=0.0),
    ]


def test_must_use_counts_pounds_before_losses():
    asked = rule(RuleKind.MUST_USE, "fresh_or_frozen=frozen", min_lb=100.0)
    assert Stated(case_of(asked)).rows(ConstraintClass.MUST_USE) == [
        Row(("must_use", "r"), {"use lean>ground": 1.0}, minimum=100.0)
    ]
    everything = replace(asked, min_lb=None)
    assert Stated(case_of(everything)).rows(ConstraintClass.MUST_USE) == [
        Row(("must_use", "r"), {"use lean>ground": 1.0}, minimum=800.0)
    ]


def test_temperature_lets_no_more_heat_in_than_the_blend_may_hold():
    heat = (("fat", 5.0), ("lean", -2.0))
    asked = rule(RuleKind.MAX_TEMP, max_temp_f=40.0, excess_heat_btu_per_lb=heat)
    assert Stated(case_of(asked)).rows(ConstraintClass.MAX_TEMP) == [
        Row(
            ("max_temp", "ground", "r"),
            {"use fat>ground": 5.0, "use lean>ground": -2.0},
            maximum=0.0,
        )
    ]


def test_what_may_not_be_held_has_no_column():
    pork = make_lot("pork", 0.6, 1.0, species="pork")
    beef = replace(GROUND, species=frozenset({"beef"}), label_claims=frozenset({"natural"}))
    natural = replace(LEAN, label_claims=frozenset({"natural", "organic"}))
    stated = Stated(case_of(lots=(FAT, natural, pork), products=(beef,)))
    assert [name for name in stated.names if name.startswith("use")] == ["use lean>ground"]
    barred = Stated(case_of(rule(RuleKind.MUST_NOT_USE, "lot=fat")))
    assert [name for name in barred.names if name.startswith("use")] == ["use lean>ground"]


def test_purchases_are_none_or_at_min_what_the_seller_asks():
    seller = replace(FAT, min_purchase_lb=100.0)
    unsplit = replace(LEAN, must_take_all=True)
    stated = Stated(case_of(lots=(seller, unsplit)), whole=True)
    assert stated.rows(ConstraintClass.MIN_PURCHASE) == [
        Row(("min_purchase", "fat"), {"take fat": 1.0, "is_taken 0": -100.0}, minimum=0.0),
        Row(("min_purchase", "fat"), {"take fat": 1.0, "is_taken 0": -400.0}, maximum=0.0),
        Row(("min_purchase", "lean"), {"take lean": 1.0, "is_taken 1": -800.0}, minimum=0.0),
        Row(("min_purchase", "lean"), {"take lean": 1.0, "is_taken 1": -800.0}, maximum=0.0),
    ]
    assert stated.columns["is_taken 0"] == Column(0.0, 0.0, 1.0, True)


COMBOS = replace(FAT, container="combo", container_lb=100.0)


def test_containers_are_whole_where_the_plant_says_so():
    lots = (COMBOS, LEAN)
    assert not Stated(case_of(lots=lots), whole=True).rows(ConstraintClass.WHOLE_CONTAINERS)
    taken = Row(
        ("whole_containers", "fat"), {"take fat": 1.0, "containers_taken 0": -100.0}, 0.0, 0.0
    )
    stated = Stated(case_of(lots=lots, where=WholeContainers.TAKEN), whole=True)
    assert stated.rows(ConstraintClass.WHOLE_CONTAINERS) == [taken]
    assert stated.columns["containers_taken 0"] == Column(0.0, 0.0, INF, True)
    stated = Stated(case_of(lots=lots, where=WholeContainers.PER_PRODUCT), whole=True)
    assert stated.rows(ConstraintClass.WHOLE_CONTAINERS) == [
        taken,
        Row(
            ("whole_containers", "fat"),
            {"use fat>ground": 1.0, "containers_used 0": -100.0},
            0.0,
            0.0,
        ),
    ]


TWO_BATCHES = replace(GROUND, batch_lb=300.0, blender_min_lb=200.0, blender_max_lb=350.0)


def test_batches_fill_the_blender_rightly():
    stated = Stated(case_of(products=(TWO_BATCHES,)), whole=True)
    assert stated.rows(ConstraintClass.BATCH_FILL) == [
        Row(("batch_fill", "ground"), {"finished ground": 1.0, "batches ground": -200.0}, 0.0),
        Row(
            ("batch_fill", "ground"),
            {"finished ground": 1.0, "batches ground": -350.0},
            maximum=0.0,
        ),
    ]
    assert stated.columns["batches ground"] == Column(0.0, 0.0, INF, True)


def test_batches_that_may_differ_are_each_run_or_not():
    per_batch = case_of(lots=(COMBOS,), products=(TWO_BATCHES,), where=WholeContainers.PER_BATCH)
    stated = Stated(per_batch, whole=True)
    assert [row.terms for row in stated.rows(ConstraintClass.BATCH_FILL)] == [
        {f"finished ground.{batch}": 1.0, f"batches ground.{batch}": -fill}
        for batch in (1, 2)
        for fill in (200.0, 350.0)
    ]
    assert stated.columns["batches ground.2"] == Column(0.0, 0.0, 1.0, True)
    assert len(stated.rows(ConstraintClass.LEAN_MIN)) == 2
    assert stated.rows(ConstraintClass.VOLUME_MIN) == [
        Row(
            ("volume_min", "ground"),
            {"finished ground.1": 1.0, "finished ground.2": 1.0},
            minimum=500.0,
        )
    ]
    assert [row.terms for row in stated.rows(ConstraintClass.WHOLE_CONTAINERS)][1:] == [
        {f"use fat>ground.{batch}": 1.0, f"containers_used {batch - 1}": -100.0} for batch in (1, 2)
    ]


def test_equal_recipe_makes_batches_hold_the_same_pounds():
    asked = rule(RuleKind.EQUAL_RECIPE)
    per_batch = case_of(asked, products=(TWO_BATCHES,), where=WholeContainers.PER_BATCH)
    assert Stated(per_batch, whole=True).rows(ConstraintClass.EQUAL_RECIPE) == [
        Row(
            ("equal_recipe", "ground", "r"),
            {f"use {lot}>ground.1": 1.0, f"use {lot}>ground.2": -1.0},
            0.0,
            0.0,
        )
        for lot in ("fat", "lean")
    ]
    as_one = case_of(asked, products=(TWO_BATCHES,))
    assert not Stated(as_one, whole=True).rows(ConstraintClass.EQUAL_RECIPE)


def test_equal_recipe_of_a_product_without_any_batch_states_nothing():
    free = replace(TWO_BATCHES, min_lb=0.0, max_lb=None)
    asked = rule(RuleKind.EQUAL_RECIPE)
    per_batch = case_of(asked, products=(free,), where=WholeContainers.PER_BATCH)
    assert not Stated(per_batch, whole=True).rows(ConstraintClass.EQUAL_RECIPE)


def test_max_lots_counts_the_lots_in_a_blend():
    stated = Stated(case_of(rule(RuleKind.MAX_LOTS, max_count=1)), whole=True)
    assert stated.rows(ConstraintClass.MAX_LOTS) == [
        Row(("max_lots", "ground", "r"), {"is_used 0": 1.0, "is_used 1": 1.0}, maximum=1.0)
    ]
    # a lot is used up to what there is or what fills the order, whichever is less
    assert [row for row in stated.rows(ConstraintClass.MASS) if len(row.asks) == 3] == [
        Row(("mass", "ground", "fat"), {"use fat>ground": 1.0, "is_used 0": -400.0}, maximum=0.0),
        Row(
            ("mass", "ground", "lean"),
            {"use lean>ground": 1.0, "is_used 1": pytest.approx(-600 / 0.91)},
            maximum=0.0,
        ),
    ]
    assert stated.columns["is_used 0"] == Column(0.0, 0.0, 1.0, True)


def test_min_if_used_is_lifted_by_the_largest_blend_where_a_lot_is_unused():
    asked = rule(RuleKind.MIN_IF_USED, "lot=lean", min_share=0.1)
    assert Stated(case_of(asked), whole=True).rows(ConstraintClass.MIN_IF_USED) == [
        Row(
            ("min_if_used", "ground", "r"),
            {"use lean>ground": KEPT_MASS, "finished ground": -0.1, "is_used 0": -60.0},
            minimum=-60.0,
        )
    ]


def test_keep_apart_lets_one_of_two_lots_in():
    asked = rule(RuleKind.KEEP_APART, "lot=fat|lean", against=parse_selector("lot=lean"))
    assert Stated(case_of(asked), whole=True).rows(ConstraintClass.KEEP_APART) == [
        Row(("keep_apart", "ground", "r"), {"is_used 0": 1.0, "is_used 1": 1.0}, maximum=1.0)
    ]


def test_counts_are_held_by_every_batch_where_batches_differ():
    asked = rule(RuleKind.MAX_LOTS, max_count=1)
    per_batch = case_of(asked, products=(TWO_BATCHES,), where=WholeContainers.PER_BATCH)
    rows = Stated(per_batch, whole=True).rows(ConstraintClass.MAX_LOTS)
    assert [row.terms for row in rows] == [
        {"is_used 0": 1.0, "is_used 1": 1.0},
        {"is_used 2": 1.0, "is_used 3": 1.0},
    ]


def test_no_constraint_class_is_left_out():
    rules = [
        replace(asked, rule_id=str(number))
        for number, asked in enumerate(
            [
                rule(RuleKind.SHARE, "lot=fat", min_share=0.1, max_share=0.9),
                rule(RuleKind.FAT, min_share=0.1, max_share=0.4),
                rule(RuleKind.MUST_USE, "lot=fat", min_lb=1.0),
                rule(RuleKind.MAX_TEMP, excess_heat_btu_per_lb=(("fat", 5.0), ("lean", -2.0))),
                rule(RuleKind.MAX_LOTS, max_count=2),
                rule(RuleKind.MIN_IF_USED, min_share=0.01),
                rule(RuleKind.KEEP_APART, "lot=fat", against=parse_selector("lot=lean")),
                rule(RuleKind.EQUAL_RECIPE),
            ]
        )
    ]
    lots = (replace(COMBOS, min_purchase_lb=100.0), LEAN)
    everything = case_of(
        *rules, lots=lots, products=(TWO_BATCHES,), where=WholeContainers.PER_BATCH
    )
    by_pairs = {ConstraintClass.MUST_NOT_USE, ConstraintClass.MAY_HOLD}
    needs_whole = {
        ConstraintClass.MIN_PURCHASE,
        ConstraintClass.WHOLE_CONTAINERS,
        ConstraintClass.BATCH_FILL,
        ConstraintClass.EQUAL_RECIPE,
        ConstraintClass.MAX_LOTS,
        ConstraintClass.MIN_IF_USED,
        ConstraintClass.KEEP_APART,
    }
    for whole, expected in (
        (True, set(ConstraintClass)),
        (False, set(ConstraintClass) - needs_whole),
    ):
        stated = {
            asked.constraint_class for asked in Stated(everything, whole=whole).model.requirements
        }
        assert stated == expected - by_pairs - {ConstraintClass.ADDED}
