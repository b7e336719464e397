"""The independent statement of the model, constraint by constraint, on cases worked by hand."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from datetime import date
from functools import partial

import pytest

from blend.domain.case import Case, Settings
from blend.domain.rules import Loss, Rule, RuleKind, WholeContainers
from blend.domain.selectors import parse_selector
from blend.domain.standards import Action, StandardRow
from blend.model.solve import solve_linear
from blend.model.solver import Outcome
from blend.model.whole import plan_whole
from tests.published.cases import DAY, WORKED_CASES, make_case, make_lot, make_product
from tests.reference import ReferenceAnswer, batches_of, solve_reference


def solve_model(case: Case, *, relax: bool = False) -> ReferenceAnswer:
    """The model's plan before rounding, in the form of the reference."""
    case = replace(case, settings=replace(case.settings, gap_share=0.0))
    linear = solve_linear(case)
    if linear.outcome is not Outcome.OPTIMAL:
        return ReferenceAnswer(linear.outcome)
    use_lb: dict[tuple[str, str], float] = defaultdict(float)
    if relax:
        use_lb |= linear.use_lb
        return ReferenceAnswer("optimal", linear.objective_usd, linear.take_lb, use_lb)
    whole = plan_whole(case, linear)
    if whole.exact is None:
        return ReferenceAnswer(whole.outcome)
    for run in whole.exact.runs:
        for each in run.ingredients:
            use_lb[each.lot_id, run.product_id] += run.batches * each.pounds_lb
    take_lb = {take.lot_id: take.pounds_lb for take in whole.exact.takes}
    short_lb = dict(whole.exact.shortage_lb)
    return ReferenceAnswer("optimal", whole.objective_usd, take_lb, use_lb, short_lb)


SOLVERS = {name: partial(solve_reference, solver=name) for name in ("cbc", "highs")}
SOLVERS["model"] = solve_model
each_solver = pytest.mark.parametrize("solve", SOLVERS.values(), ids=SOLVERS.keys())

LEAN_90 = make_lot("90s", 0.90, 2.00)
LEAN_50 = make_lot("50s", 0.50, 0.60)
GROUND_80 = make_product(0.80, 1_000)  # three parts of 90s, one of 50s: 1.65 USD per lb


def whole(where: WholeContainers) -> Settings:
    return Settings(plan_on=DAY, whole_containers=where)


def share(lots: str, minimum: float | None = None, maximum: float | None = None, **more) -> Rule:
    kind = more.pop("kind", RuleKind.SHARE)
    return Rule(
        "rule", kind, lots=parse_selector(lots), min_share=minimum, max_share=maximum, **more
    )


def used(answer, *lot_ids: str, product_id: str = "ground") -> list:
    return [pytest.approx(answer.use_lb[lot_id, product_id], abs=1e-3) for lot_id in lot_ids]


# The published cases ----------------------------------------------------------------------------


@each_solver
@pytest.mark.parametrize("worked", WORKED_CASES, ids=lambda worked: worked.name)
def test_published_answer_holds_with_batches_that_never_bind(worked, solve):
    answer = solve(worked.case)
    assert answer.status == "optimal"
    assert answer.objective_usd == pytest.approx(worked.objective_usd, abs=worked.within_usd)


# Lean, fat, shares, losses ----------------------------------------------------------------------


@each_solver
def test_lean_may_fall_to_the_edge_of_the_tolerance_where_fat_is_cheaper(solve):
    product = make_product(0.80, 1_000, tolerance_below_share=0.01, tolerance_above_share=0.02)
    answer = solve(make_case([LEAN_90, LEAN_50], [product]))
    assert used(answer, "90s", "50s") == [725, 275]
    dear_fat = replace(LEAN_50, price_usd_per_lb=3.00)
    answer = solve(make_case([LEAN_90, dear_fat], [product]))
    assert used(answer, "90s", "50s") == [800, 200]


@each_solver
def test_thaw_loss_takes_lean_so_that_fat_rises(solve):
    # 1,000 lb at 10% fat that lose 3% hold 100/970 = 10.31% fat (worked)
    frozen = replace(LEAN_90, fresh_or_frozen="frozen")
    purge = Loss("thaw", "thaw", parse_selector("fresh_or_frozen=frozen"), lean_loss_share=30 / 900)
    product = make_product(870 / 970, 970)
    answer = solve(make_case([frozen], [product], losses=(purge,)))
    assert used(answer, "90s") == [1_000]
    assert solve(make_case([frozen], [make_product(0.90, 970)], losses=(purge,))).status == (
        "infeasible"
    )


@each_solver
def test_shares_are_of_finished_pounds(solve):
    frozen = make_lot("frozen", 0.80, 0.50, fresh_or_frozen="frozen")
    fresh = make_lot("fresh", 0.80, 2.00)
    half = Loss("thaw", "thaw", parse_selector("fresh_or_frozen=frozen"), (), 0.5, 0.5)
    rule = share("fresh_or_frozen=frozen", maximum=0.40)
    answer = solve(make_case([frozen, fresh], [GROUND_80], rule, losses=(half,)))
    assert used(answer, "frozen", "fresh") == [800, 600]


@each_solver
def test_a_min_share_brings_in_a_more_expensive_lot(solve):
    imported = make_lot("imported", 0.90, 2.50, origin="overseas")
    rule = share("origin!=domestic", minimum=0.30)
    answer = solve(make_case([LEAN_90, LEAN_50, imported], [GROUND_80], rule))
    assert used(answer, "imported", "90s", "50s") == [300, 450, 250]


@each_solver
def test_a_rule_leaves_products_it_does_not_govern_alone(solve):
    rule = share("lot=50s", maximum=0.10, products=("other",))
    other = make_product(0.86, 100, product_id="other")
    answer = solve(make_case([LEAN_90, LEAN_50], [GROUND_80, other], rule))
    assert used(answer, "50s") == [250]
    assert used(answer, "50s", product_id="other") == [10]


@each_solver
def test_fat_rule_binds_inside_the_lean_tolerance(solve):
    product = make_product(0.80, 1_000, tolerance_below_share=0.10)
    rule = share("", maximum=0.25, kind=RuleKind.FAT)
    answer = solve(make_case([LEAN_90, LEAN_50], [product], rule))
    assert used(answer, "90s", "50s") == [625, 375]


@each_solver
def test_a_refusing_standard_binds_and_a_warning_one_does_not(solve):
    row = StandardRow("beef", "fat", "", "", Action.REFUSE, RuleKind.FAT, max_share=0.25)
    product = make_product(0.80, 1_000, tolerance_below_share=0.10, standards=("beef",))
    case = make_case([LEAN_90, LEAN_50], [product], standards=(row,))
    assert used(solve(case), "50s") == [375]
    warning = replace(row, action=Action.WARN)
    assert used(solve(replace(case, standards=(warning,))), "50s") == [500]


# Which lots may go in ---------------------------------------------------------------------------


@each_solver
@pytest.mark.parametrize(
    "barred",
    [
        {"species": "poultry"},
        {"label_claims": frozenset()},
        {"available_on": date(2026, 3, 3)},
        {"use_by": date(2026, 3, 1)},
        {"quantity_lb": 0.0},
        {"meat_class": "heart"},
    ],
    ids=lambda barred: next(iter(barred)),
)
def test_a_lot_that_may_not_go_in_stays_out(barred, solve):
    dear = make_lot("dear", 0.80, 2.00, label_claims=frozenset({"grass-fed"}))
    cheap = replace(dear, lot_id="cheap", price_usd_per_lb=1.00)
    product = make_product(0.80, 1_000, label_claims=frozenset({"grass-fed"}))
    no_heart = share("meat_class=heart", kind=RuleKind.MUST_NOT_USE)
    assert used(solve(make_case([dear, cheap], [product], no_heart)), "cheap") == [1_000]
    answer = solve(make_case([dear, replace(cheap, **barred)], [product], no_heart))
    assert used(answer, "dear") == [1_000]


# Volume, supply, money --------------------------------------------------------------------------


@each_solver
def test_supply_is_shared_out_where_it_saves_most(solve):
    scarce = make_lot("scarce", 0.90, 1.00, quantity_lb=600)
    other = make_product(0.90, 500, product_id="other")
    answer = solve(make_case([scarce, LEAN_90, LEAN_50], [GROUND_80, other]))
    assert answer.take_lb["scarce"] == pytest.approx(600)
    assert answer.objective_usd == pytest.approx(600 * 1.00 + 650 * 2.00 + 250 * 0.60)


@each_solver
def test_an_order_falls_short_where_that_is_cheaper(solve):
    few = replace(LEAN_90, quantity_lb=300)
    product = replace(GROUND_80, shortage_penalty_usd_per_lb=5.00)
    answer = solve(make_case([few, LEAN_50], [product]))
    assert answer.short_lb == {"ground": pytest.approx(600)}
    assert answer.objective_usd == pytest.approx(300 * 2.00 + 100 * 0.60 + 600 * 5.00)
    assert solve(make_case([few, LEAN_50], [GROUND_80])).status == "infeasible"


@each_solver
def test_a_sale_price_fills_the_range_of_volume(solve):
    product = replace(GROUND_80, max_lb=1_500, sale_usd_per_lb=1.70)
    answer = solve(make_case([LEAN_90, LEAN_50], [product]))
    assert answer.objective_usd == pytest.approx(1_500 * (1.65 - 1.70))
    dull = replace(product, sale_usd_per_lb=1.60)
    answer = solve(make_case([LEAN_90, LEAN_50], [dull]))
    assert answer.objective_usd == pytest.approx(1_000 * (1.65 - 1.60))


@each_solver
@pytest.mark.parametrize("relax", [True, False])
def test_a_profitable_sale_without_any_limit_is_unbounded(relax, solve):
    product = replace(GROUND_80, sale_usd_per_lb=1.70)
    answer = solve(make_case([LEAN_90, LEAN_50], [product]), relax=relax)
    assert (answer.status, answer.objective_usd, answer.use_lb) == ("unbounded", None, {})


@each_solver
def test_freight_counts_on_an_fob_price(solve):
    fob = replace(LEAN_90, price_basis="fob", freight_usd_per_lb=0.10)
    answer = solve(make_case([fob, LEAN_50], [GROUND_80]))
    assert answer.objective_usd == pytest.approx(1_650 + 75)


@each_solver
def test_must_use_counts_pounds_put_in_and_blank_means_all(solve):
    old = make_lot("old", 0.90, 2.20, quantity_lb=200)
    rule = share("lot=old", kind=RuleKind.MUST_USE, min_lb=120)
    assert used(solve(make_case([LEAN_90, LEAN_50, old], [GROUND_80], rule)), "old") == [120]
    all_of_it = replace(rule, min_lb=None)
    assert used(solve(make_case([LEAN_90, LEAN_50, old], [GROUND_80], all_of_it)), "old") == [200]
    too_much = replace(rule, min_lb=201)
    answer = solve(make_case([LEAN_90, LEAN_50, old], [GROUND_80], too_much))
    assert answer.status == "infeasible"


# Whole numbers ----------------------------------------------------------------------------------


@each_solver
def test_min_purchase_is_left_over_at_its_value_or_avoided(solve):
    cheap = make_lot("cheap", 0.90, 1.90, min_purchase_lb=1_000, salvage_value_usd_per_lb=1.80)
    case = make_case([LEAN_90, LEAN_50, cheap], [GROUND_80])
    answer = solve(case)  # 75 USD saved on 750 lb, 25 lost on the 250 left over
    assert answer.take_lb["cheap"] == pytest.approx(1_000)
    assert answer.objective_usd == pytest.approx(1_650 - 75 + 25)
    worthless = replace(cheap, salvage_value_usd_per_lb=0.0)
    assert used(solve(make_case([LEAN_90, LEAN_50, worthless], [GROUND_80])), "90s") == [750]


@each_solver
def test_a_lot_that_cannot_be_split_is_taken_whole_or_not(solve):
    lot = make_lot("whole", 0.90, 1.00, quantity_lb=900, must_take_all=True)
    answer = solve(make_case([LEAN_90, LEAN_50, lot], [GROUND_80]))
    assert answer.take_lb["whole"] == pytest.approx(900)
    assert used(answer, "whole") == [750]


COMBO_90 = replace(LEAN_90, container="combo", container_lb=100.0)


@each_solver
@pytest.mark.parametrize(
    ("where", "combos_lb", "combos_used_lb"),
    [
        (WholeContainers.NO, 375, 375),
        (WholeContainers.TAKEN, 400, 375),
        (WholeContainers.PER_PRODUCT, 400, 400),
        (WholeContainers.PER_BATCH, 400, 400),
    ],
)
def test_whole_containers(where, combos_lb, combos_used_lb, solve):
    # half the 90s must come from combos, which cost more used than left over
    combos = replace(COMBO_90, price_usd_per_lb=2.20, salvage_value_usd_per_lb=2.15)
    loose = make_lot("loose", 0.90, 2.10)
    product = replace(GROUND_80, max_lb=1_000)
    half = share("lot=90s", minimum=0.375)
    case = make_case([combos, loose, LEAN_50], [product], half, settings=whole(where))
    answer = solve(case)
    assert used(answer, "90s", "loose") == [combos_used_lb, 750 - combos_used_lb]
    assert answer.take_lb["90s"] == pytest.approx(combos_lb)


@each_solver
def test_batches_must_fill_the_blender(solve):
    case = make_case([LEAN_90, LEAN_50], [GROUND_80])

    def made(min_lb: float, max_lb: float):
        product = replace(GROUND_80, blender_min_lb=min_lb, blender_max_lb=max_lb)
        answer = solve(replace(case, products=(product,)))
        return sum(answer.use_lb.values()) if answer.use_lb else answer.status

    assert made(400, 500) == pytest.approx(1_000)
    assert made(600, 700) == pytest.approx(1_200)  # one batch is too few, two hold 1,200 at least
    exact = replace(GROUND_80, blender_min_lb=600, blender_max_lb=700, max_lb=1_000)
    assert solve(replace(case, products=(exact,))).status == "infeasible"


TWO_BATCHES = make_product(
    0.80,
    2_000,
    max_lb=2_000,
    tolerance_below_share=0.10,
    tolerance_above_share=0.10,
    batch_lb=1_000,
    blender_min_lb=1_000,
    blender_max_lb=1_000,
)


@each_solver
def test_batches_differ_unless_a_rule_makes_them_equal(solve):
    # three 200-lb blocks can only be shared one and two; equal batches need a fourth
    blocks = replace(LEAN_50, price_usd_per_lb=3.00, container="block", container_lb=200.0)
    must = share("lot=50s", kind=RuleKind.MUST_USE, min_lb=600)
    equal = Rule("equal", RuleKind.EQUAL_RECIPE)
    case = make_case(
        [make_lot("95s", 0.95, 2.00), blocks],
        [TWO_BATCHES],
        must,
        settings=whole(WholeContainers.PER_BATCH),
    )
    assert used(solve(case), "50s") == [600]
    assert used(solve(replace(case, rules=(must, equal))), "50s") == [800]
    per_product = whole(WholeContainers.PER_PRODUCT)
    assert used(solve(replace(case, rules=(must, equal), settings=per_product)), "50s") == [600]


@each_solver
def test_every_batch_meets_the_lean_tolerance_by_itself(solve):
    # one 500-lb block of 50s is within tolerance over 2,000 lb, but not in half of it
    block = replace(LEAN_50, container="block", container_lb=500.0, quantity_lb=500.0)
    lean = make_lot("85s", 0.85, 2.00)
    must = share("lot=50s", kind=RuleKind.MUST_USE)
    case = make_case([lean, block], [TWO_BATCHES], must)
    assert solve(case).status == "optimal"
    per_batch = replace(case, settings=whole(WholeContainers.PER_BATCH))
    assert solve(per_batch).status == "infeasible"
    assert solve(per_batch, relax=True).status == "optimal"


@pytest.mark.parametrize(
    ("min_lb", "max_lb", "count"),
    [
        (2_000, None, 2),
        (2_499, None, 2),
        (2_500, None, 3),  # a half rounds up
        (1_400, None, 1),
        (1_600, 9_000, 9),
        (0, 3_100, 3),
        (0, None, 0),
    ],
)
def test_number_of_batches_that_may_differ(min_lb, max_lb, count):
    product = make_product(0.80, min_lb, max_lb=max_lb, batch_lb=1_000, blender_max_lb=1_550)
    case = make_case([LEAN_90], [product], settings=whole(WholeContainers.PER_BATCH))
    assert len(batches_of(case, product, relax=False)) == count
    assert len(batches_of(case, product, relax=True)) == 1


@each_solver
def test_max_lots(solve):
    lots = [
        make_lot("first", 0.90, 1.80, quantity_lb=500),
        make_lot("second", 0.90, 1.90, quantity_lb=500),
        make_lot("one for all", 0.90, 2.00),
    ]
    rule = share("lean>=0.85", kind=RuleKind.MAX_LOTS, max_count=1)
    case = make_case([*lots, LEAN_50], [GROUND_80], rule)
    assert used(solve(case), "first", "second", "one for all") == [0, 0, 750]
    assert used(solve(case, relax=True), "first", "second", "one for all") == [500, 250, 0]


@each_solver
def test_lots_without_a_stated_quantity_can_be_counted(solve):
    product = replace(GROUND_80, blender_max_lb=1_000)
    rule = share("", kind=RuleKind.MAX_LOTS, max_count=2)
    answer = solve(make_case([LEAN_90, LEAN_50], [product], rule))
    assert used(answer, "90s", "50s") == [750, 250]


@each_solver
def test_min_if_used_means_that_share_or_nothing(solve):
    scarce = make_lot("scarce", 0.90, 1.00, quantity_lb=100)
    rule = share("lot=scarce", minimum=0.10, kind=RuleKind.MIN_IF_USED)
    case = make_case([LEAN_90, LEAN_50, scarce], [GROUND_80], rule)
    assert used(solve(case), "scarce") == [100]
    more = replace(rule, min_share=0.11)
    assert used(solve(replace(case, rules=(more,))), "scarce") == [0]


@each_solver
def test_lots_kept_apart_never_meet_in_one_product(solve):
    scarce = [
        make_lot(f"scarce {name}", 0.90, 1.00, quantity_lb=quantity, supplier=name)
        for name, quantity in (("a", 500), ("b", 400))
    ]
    rule = share("supplier=a", kind=RuleKind.KEEP_APART, against=parse_selector("supplier=b"))
    case = make_case([*scarce, LEAN_90, LEAN_50], [GROUND_80], rule)
    assert used(solve(case), "scarce a", "scarce b") == [500, 0]
    other = make_product(0.80, 1_000, product_id="other")
    answer = solve(replace(case, products=(GROUND_80, other)))
    assert answer.take_lb["scarce a"] + answer.take_lb["scarce b"] == pytest.approx(900)


@each_solver
def test_a_lot_may_meet_itself_where_both_sides_name_it(solve):
    rule = share("lot=90s", kind=RuleKind.KEEP_APART, against=parse_selector("lot=90s"))
    assert solve(make_case([LEAN_90, LEAN_50], [GROUND_80], rule)).status == "optimal"


# The linear program ---------------------------------------------------------------------------


@each_solver
def test_relaxing_leaves_out_what_acts_through_whole_numbers(solve):
    lots = [
        replace(COMBO_90, quantity_lb=5_050, min_purchase_lb=5_000, must_take_all=True),
        LEAN_50,
    ]
    product = replace(GROUND_80, blender_min_lb=600, blender_max_lb=700, max_lb=1_000)
    rules = (
        replace(share("", kind=RuleKind.MAX_LOTS, max_count=1), rule_id="lot count"),
        replace(share("lot=50s", 0.9, kind=RuleKind.MIN_IF_USED), rule_id="min if used"),
        replace(
            share("lot=90s", kind=RuleKind.KEEP_APART, against=parse_selector("lot=50s")),
            rule_id="keep apart",
        ),
    )
    case = make_case(lots, [product], *rules, settings=whole(WholeContainers.PER_PRODUCT))
    assert solve(case).status == "infeasible"
    answer = solve(case, relax=True)
    assert answer.objective_usd == pytest.approx(1_650)


@each_solver
def test_no_lot_at_all_is_infeasible_and_not_an_error(solve):
    assert solve(make_case([], [GROUND_80])).status == "infeasible"
