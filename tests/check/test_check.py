"""Every class of constraint: a plan that meets it passes, a corrupted copy is caught."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.case import Case
from blend.domain.lots import Lot
from blend.domain.plan import Verdict
from blend.domain.requirements import ConstraintClass
from blend.domain.rules import Loss, Rule, RuleKind, WholeContainers
from blend.domain.selectors import parse_selector
from blend.domain.standards import Action, StandardRow
from tests.check.plans import PaperPlan, easy_product, whole, write_plan
from tests.published.cases import DAY, make_case, make_lot, make_product

COW = make_lot("cow", 0.90, 0.99, quantity_lb=5_000.0)
TRIM = make_lot("trim", 0.75, 0.79, quantity_lb=5_000.0)
PRODUCT = easy_product()
RECIPE = {"cow": 333, "trim": 667}
"""10% and 25% fat to 20%: one part to two. Teaching slides "Meat Calculations",
example 1 (the problem is printed there, the answer is left blank)."""


def case_of(*rules: Rule, cow: Lot = COW, trim: Lot = TRIM, product=PRODUCT, **more) -> Case:
    lots = more.pop("lots", ())
    return make_case([cow, trim, *lots], [product], *rules, **more)


def made(case: Case, *runs, **more) -> PaperPlan:
    """A plan of (batches, recipe) runs of the one product."""
    return write_plan(case, [("ground", batches, recipe) for batches, recipe in runs], **more)


def rule(kind: RuleKind, lots: str = "", **more) -> Rule:
    return Rule("rule", kind, lots=parse_selector(lots), **more)


# Pairs ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Pair:
    """A plan that meets its case, and one that breaks one class of its constraints."""

    name: str
    constraint_class: ConstraintClass
    good: PaperPlan
    bad: PaperPlan


def pair_of_recipe(
    name: str, constraint_class: ConstraintClass, bad, case: Case | None = None
) -> Pair:
    case = case or case_of()
    return Pair(name, constraint_class, made(case, (2, RECIPE)), made(case, *bad))


def pair_of_take(
    name: str, constraint_class: ConstraintClass, case: Case, good: float, bad: float
) -> Pair:
    return Pair(
        name,
        constraint_class,
        made(case, (2, RECIPE), takes={"cow": good}),
        made(case, (2, RECIPE), takes={"cow": bad}),
    )


def pair_of_case(
    name: str, constraint_class: ConstraintClass, good: Case, bad: Case, recipe=None
) -> Pair:
    """The same plan for a case it keeps and for one that it breaks."""
    runs = [(2, recipe or RECIPE)]
    return Pair(name, constraint_class, made(good, *runs), made(bad, *runs))


def _plain() -> list[Pair]:
    return [
        pair_of_recipe("too fat", ConstraintClass.LEAN_MIN, [(2, {"cow": 250, "trim": 750})]),
        pair_of_recipe("lots swapped", ConstraintClass.LEAN_MAX, [(2, {"cow": 667, "trim": 333})]),
        pair_of_recipe(
            "one fat batch of two",
            ConstraintClass.LEAN_MIN,
            [(1, {"cow": 416, "trim": 584}), (1, {"cow": 250, "trim": 750})],
            case_of(settings=whole(WholeContainers.PER_BATCH)),
        ),
        pair_of_recipe("a batch left out", ConstraintClass.VOLUME_MIN, [(1, RECIPE)]),
        pair_of_recipe("a batch too many", ConstraintClass.VOLUME_MAX, [(3, RECIPE)]),
        pair_of_recipe(
            "blender overfull", ConstraintClass.BATCH_FILL, [(1, {"cow": 667, "trim": 1333})]
        ),
        pair_of_recipe(
            "blender half empty", ConstraintClass.BATCH_FILL, [(4, {"cow": 167, "trim": 333})]
        ),
        pair_of_recipe(
            "two recipes",
            ConstraintClass.EQUAL_RECIPE,
            [(1, {"cow": 333, "trim": 667}), (1, {"cow": 330, "trim": 670})],
        ),
        pair_of_recipe(
            "two recipes under a rule",
            ConstraintClass.EQUAL_RECIPE,
            [(1, {"cow": 333, "trim": 667}), (1, {"cow": 330, "trim": 670})],
            case_of(rule(RuleKind.EQUAL_RECIPE), settings=whole(WholeContainers.PER_BATCH)),
        ),
    ]


def _supplies() -> list[Pair]:
    limited = case_of(cow=replace(COW, quantity_lb=700.0))
    asked = case_of(cow=replace(COW, min_purchase_lb=1_000.0))
    unsplit = case_of(cow=replace(COW, quantity_lb=1_000.0, must_take_all=True))
    return [
        pair_of_take("more taken than there is", ConstraintClass.SUPPLY, limited, 700.0, 701.0),
        pair_of_take("used but not taken", ConstraintClass.SUPPLY, case_of(), 666.0, 600.0),
        pair_of_take(
            "less than the seller asks", ConstraintClass.MIN_PURCHASE, asked, 1_000.0, 999.0
        ),
        pair_of_take("a lot split", ConstraintClass.MIN_PURCHASE, unsplit, 1_000.0, 999.0),
        Pair(
            "more used than there is",
            ConstraintClass.SUPPLY,
            made(case_of(cow=replace(COW, quantity_lb=666.0)), (2, RECIPE)),
            made(case_of(cow=replace(COW, quantity_lb=665.0)), (2, RECIPE)),
        ),
        Pair(
            "pounds below zero",
            ConstraintClass.SUPPLY,
            made(case_of(), (2, RECIPE)),
            made(case_of(lots=[make_lot("beef", 0.8, 1.0)]), (2, RECIPE | {"beef": -1})),
        ),
        pair_of_take("a take below zero", ConstraintClass.SUPPLY, case_of(), 666.0, -666.0),
        Pair(
            "taken though expired",
            ConstraintClass.SUPPLY,
            made(case_of(lots=[make_lot("old", 0.8, 1.0)]), (2, RECIPE), takes={"old": 10}),
            made(
                case_of(lots=[make_lot("old", 0.8, 1.0, use_by=DAY - timedelta(1))]),
                (2, RECIPE),
                takes={"old": 10},
            ),
        ),
    ]


def _containers() -> list[Pair]:
    def boxed(where: WholeContainers, container_lb: float) -> Case:
        cow = replace(COW, container="combo", container_lb=container_lb)
        return case_of(cow=cow, settings=whole(where), product=easy_product(min_lb=1_900.0))

    per_product, per_batch = WholeContainers.PER_PRODUCT, WholeContainers.PER_BATCH
    return [
        pair_of_take(
            "a container broken in taking",
            ConstraintClass.WHOLE_CONTAINERS,
            boxed(WholeContainers.TAKEN, 500.0),
            1_000.0,
            900.0,
        ),
        Pair(
            "a container broken between products",
            ConstraintClass.WHOLE_CONTAINERS,
            made(boxed(per_product, 660.0), (2, {"cow": 330, "trim": 660})),
            made(boxed(per_product, 660.0), (2, {"cow": 320, "trim": 660}), takes={"cow": 660}),
        ),
        Pair(
            "a container broken between batches",
            ConstraintClass.WHOLE_CONTAINERS,
            made(boxed(per_batch, 330.0), (2, {"cow": 330, "trim": 660})),
            made(boxed(per_batch, 660.0), (2, {"cow": 330, "trim": 660})),
        ),
    ]


def _rules() -> list[Pair]:
    def limits(
        kind: RuleKind, constraint_class: ConstraintClass, good: dict, bad: dict, lots: str = ""
    ) -> Pair:
        return pair_of_case(
            f"{constraint_class}",
            constraint_class,
            case_of(rule(kind, lots, **good)),
            case_of(rule(kind, lots, **bad)),
        )

    def heat(of_cow: float) -> Rule:
        """A pound of trim cools by 1 Btu: 333 x 2.0 - 667 is below zero, 333 x 2.1 - 667 not."""
        excess = (("cow", of_cow), ("trim", -1.0))
        return rule(RuleKind.MAX_TEMP, max_temp_f=40.0, excess_heat_btu_per_lb=excess)

    share, fat = RuleKind.SHARE, RuleKind.FAT
    asked = case_of(rule(RuleKind.MUST_USE, "lot=cow"), cow=replace(COW, quantity_lb=666.0))
    left = case_of(rule(RuleKind.MUST_USE, "lot=cow"), cow=replace(COW, quantity_lb=700.0))
    return [
        limits(
            share, ConstraintClass.SHARE_MIN, {"min_share": 0.333}, {"min_share": 0.34}, "lot=cow"
        ),
        limits(
            share, ConstraintClass.SHARE_MAX, {"max_share": 0.333}, {"max_share": 0.33}, "lot=cow"
        ),
        limits(fat, ConstraintClass.FAT_MIN, {"min_share": 0.20}, {"min_share": 0.205}),
        limits(fat, ConstraintClass.FAT_MAX, {"max_share": 0.201}, {"max_share": 0.195}),
        limits(RuleKind.MAX_LOTS, ConstraintClass.MAX_LOTS, {"max_count": 2}, {"max_count": 1}),
        limits(
            RuleKind.MIN_IF_USED,
            ConstraintClass.MIN_IF_USED,
            {"min_share": 0.333},
            {"min_share": 0.34},
        ),
        limits(
            RuleKind.MUST_USE,
            ConstraintClass.MUST_USE,
            {"min_lb": 666.0},
            {"min_lb": 669.0},
            "lot=cow",
        ),
        pair_of_case("not all used", ConstraintClass.MUST_USE, asked, left),
        pair_of_case("too warm", ConstraintClass.MAX_TEMP, case_of(heat(2.0)), case_of(heat(2.1))),
        pair_of_case(
            "a lot not to be used",
            ConstraintClass.MUST_NOT_USE,
            case_of(rule(RuleKind.MUST_NOT_USE, "fresh_or_frozen=frozen")),
            case_of(rule(RuleKind.MUST_NOT_USE, "fresh_or_frozen=fresh")),
        ),
        pair_of_case(
            "lots that must not meet",
            ConstraintClass.KEEP_APART,
            case_of(rule(RuleKind.KEEP_APART, "lot=cow", against=parse_selector("lot!=cow|trim"))),
            case_of(rule(RuleKind.KEEP_APART, "lot=cow", against=parse_selector("lot=trim"))),
        ),
    ]


def _meats() -> list[Pair]:
    halal = frozenset({"halal"})
    blessed = {"cow": replace(COW, label_claims=halal), "trim": replace(TRIM, label_claims=halal)}
    halal_product = easy_product(label_claims=halal)

    def barred(name: str, **changes) -> Pair:
        return pair_of_case(
            name, ConstraintClass.MAY_HOLD, case_of(), case_of(cow=replace(COW, **changes))
        )

    return [
        barred("a forbidden species", species="pork"),
        barred("a lot expired", use_by=DAY - timedelta(1)),
        barred("a lot not yet here", available_on=DAY + timedelta(1)),
        pair_of_case(
            "outside the program",
            ConstraintClass.MAY_HOLD,
            case_of(**blessed, product=halal_product),
            case_of(**blessed | {"trim": TRIM}, product=halal_product),
        ),
    ]


PAIRS = [*_plain(), *_supplies(), *_containers(), *_rules(), *_meats()]


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.name)
def test_a_plan_that_meets_its_case_passes_and_its_corrupted_copy_is_caught(pair: Pair):
    assert [check for check in pair.good.checks() if check.verdict is not Verdict.MET] == []
    broken = [check for check in pair.bad.checks() if check.verdict is Verdict.BROKEN]
    assert pair.constraint_class in {each.requirement.constraint_class for each in broken}


def test_every_constraint_class_has_pair():
    assert {pair.constraint_class for pair in PAIRS} == set(ConstraintClass) - {
        ConstraintClass.MASS,
        ConstraintClass.ADDED,
    }


# Batches that may differ ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("constraint_class", "counting"),
    [
        (ConstraintClass.MAX_LOTS, rule(RuleKind.MAX_LOTS, max_count=2)),
        (ConstraintClass.MIN_IF_USED, rule(RuleKind.MIN_IF_USED, "lot=lean", min_share=0.3)),
        (
            ConstraintClass.KEEP_APART,
            rule(RuleKind.KEEP_APART, "lot=lean", against=parse_selector("lot=cow")),
        ),
    ],
)
def test_counts_hold_for_each_batch_where_batches_may_differ(
    constraint_class: ConstraintClass, counting: Rule
):
    """Three lots in the product, two of them in each batch; and then all three in one."""
    lean = make_lot("lean", 0.90, 1.1)
    case = case_of(counting, lots=[lean], settings=whole(WholeContainers.PER_BATCH))
    apart = made(case, (1, RECIPE), (1, {"lean": 333, "trim": 667}))
    together = made(case, (1, RECIPE), (1, {"lean": 233, "cow": 100, "trim": 667}))
    assert apart.check(constraint_class).verdict is Verdict.MET
    assert together.check(constraint_class).verdict is Verdict.BROKEN


# Rounding ---------------------------------------------------------------------------------------


def exact_case(**more) -> Case:
    return case_of(product=make_product(0.80, 1_000.0), **more)


def test_rounded_square_is_met_within_rounding():
    plan = made(exact_case(), (1, RECIPE))  # 333 and 667 lb for 333 1/3 and 666 2/3
    minimum = plan.check(ConstraintClass.LEAN_MIN)
    assert minimum.read == 0.79995  # (0.90 x 333 + 0.75 x 667) / 1,000
    assert minimum.minimum == 0.80
    # a pound of each, at worst: (|0.90 - 0.79995| + |0.75 - 0.79995|) / (1,000 - 2)
    assert minimum.allowance == pytest.approx(0.15 / 998, rel=1e-12)
    assert minimum.verdict is Verdict.WITHIN_ROUNDING
    assert plan.check(ConstraintClass.LEAN_MAX).verdict is Verdict.MET


@pytest.mark.parametrize(
    ("cow", "verdict"),
    [
        (334, Verdict.MET),
        (333, Verdict.WITHIN_ROUNDING),
        (332.3, Verdict.BROKEN),  # 0.799845, and the allowance of 0.00015 ends at 0.79985
        (332.4, Verdict.WITHIN_ROUNDING),
    ],
)
def test_lean_is_broken_where_rounding_cannot_have_carried_it(cow: float, verdict: Verdict):
    plan = made(exact_case(), (1, {"cow": cow, "trim": 1_000 - cow}))
    assert plan.check(ConstraintClass.LEAN_MIN).verdict is verdict


def test_volume_allows_a_pound_of_each_ingredient_of_each_batch():
    product = make_product(0.80, 3_006.0, tolerance_below_share=0.01)
    case = case_of(product=product)
    plan = made(case, (3, {"cow": 333, "trim": 667}))
    assert plan.check(ConstraintClass.VOLUME_MIN).allowance == 6.0
    assert plan.check(ConstraintClass.VOLUME_MIN).verdict is Verdict.WITHIN_ROUNDING
    short = made(case_of(product=replace(product, min_lb=3_006.5)), (3, RECIPE))
    assert short.check(ConstraintClass.VOLUME_MIN).verdict is Verdict.BROKEN


def test_losses_shrink_the_allowance():
    loss = Loss("purge", "thaw", parse_selector("lot=trim"), (), lean_loss_share=0.2)
    case = case_of(product=make_product(0.80, 900.0), losses=(loss,))
    plan = made(case, (1, RECIPE))
    assert plan.check(ConstraintClass.VOLUME_MIN).allowance == 1.85  # 1 lb and 1 - 0.2 x 0.75 lb


def test_purge_takes_lean_so_fat_rises():
    # 1,000 lb at 10% fat lose 3%: 100 / 970. Arithmetic on the purge being water and protein.
    loss = Loss("purge", "thaw", lean_loss_share=1 / 30)
    fat = rule(RuleKind.FAT, max_share=0.103)
    product = make_product(0.89, 970.0, tolerance_above_share=0.02)
    plan = made(case_of(fat, product=product, losses=(loss,)), (1, {"cow": 1_000}))
    assert plan.check(ConstraintClass.FAT_MAX).read == pytest.approx(100 / 970)
    assert (
        plan.check(ConstraintClass.FAT_MAX).verdict is Verdict.BROKEN
    )  # no rounding moves the fat of one lot


@pytest.mark.parametrize(
    ("where", "allowance"), [(WholeContainers.PER_BATCH, 1.0), (WholeContainers.TAKEN, 2.0)]
)
def test_a_whole_container_is_not_rounded(where: WholeContainers, allowance: float):
    cow = replace(COW, container="box", container_lb=333.0)
    plan = made(exact_case(cow=cow, settings=whole(where)), (1, RECIPE))
    assert plan.check(ConstraintClass.VOLUME_MIN).allowance == allowance


def test_whole_containers_shared_between_batches_may_miss_by_their_rounding():
    cow = replace(COW, container="combo", container_lb=2_000.0)
    product = easy_product(min_lb=6_000.0, max_lb=None)
    case = case_of(cow=cow, product=product, settings=whole(WholeContainers.PER_PRODUCT))
    plan = made(case, (6, {"cow": 333, "trim": 667}), takes={"cow": 2_000})  # 1,998 of 2,000 lb
    assert plan.check(ConstraintClass.WHOLE_CONTAINERS, product_id="ground").verdict is (
        Verdict.WITHIN_ROUNDING
    )


def test_rounding_explains_no_supply_beyond_what_there_is():
    limited = replace(COW, quantity_lb=665.0)
    plan = made(case_of(cow=limited), (2, RECIPE), takes={"cow": 665})
    check = plan.check(ConstraintClass.SUPPLY, lot_id="cow")
    assert (check.read, check.maximum, check.allowance) == (666.0, 665.0, 0.0)
    assert check.verdict is Verdict.BROKEN


def test_batches_may_share_a_take_to_the_rounding():
    plan = made(case_of(), (2, RECIPE), takes={"cow": 665})
    check = plan.check(ConstraintClass.SUPPLY, lot_id="cow")
    assert (check.read, check.maximum, check.allowance) == (666.0, 665.0, 2.0)
    assert check.verdict is Verdict.WITHIN_ROUNDING


@pytest.mark.parametrize(
    ("taken", "verdict"),
    [
        (1_001, Verdict.MET),
        (1_000, Verdict.WITHIN_ROUNDING),  # half a pound is asked that whole pounds cannot give
        (999, Verdict.BROKEN),
    ],
)
def test_min_purchase_is_rounded_by_its_part_of_a_pound(taken: float, verdict: Verdict):
    case = case_of(cow=replace(COW, min_purchase_lb=1_000.5))
    plan = made(case, (2, RECIPE), takes={"cow": taken})
    assert plan.check(ConstraintClass.MIN_PURCHASE).verdict is verdict


def test_batches_of_one_recipe_may_differ_by_a_pound():
    plan = made(case_of(), (1, {"cow": 333, "trim": 667}), (1, {"cow": 334, "trim": 667}))
    assert plan.check(ConstraintClass.EQUAL_RECIPE).verdict is Verdict.WITHIN_ROUNDING


shares = st.integers(400, 980).map(lambda mills: mills / 1_000)


@given(
    leans=st.lists(shares, min_size=1, max_size=5),
    weights=st.lists(st.decimals(200, 900, places=2), min_size=5, max_size=5),
    rounding=st.lists(st.sampled_from((math.floor, round, math.ceil)), min_size=5, max_size=5),
)
def test_rounding_alone_never_breaks_a_plan(leans, weights, rounding):
    """Whatever the recipe, the lean and volume it has before rounding are its order; lighter
    batches may be too light for whole pounds (below)."""
    recipe = {f"lot {n}": Fraction(weight) for n, weight in enumerate(weights[: len(leans)])}
    volume = sum(recipe.values())
    parts = zip(leans, recipe.values(), strict=True)
    lean = float(sum(Fraction(str(share)) * weight for share, weight in parts) / volume)
    product = make_product(lean, float(volume), max_lb=float(volume))
    lots = [make_lot(lot_id, share, 1.0) for lot_id, share in zip(recipe, leans, strict=True)]
    rounded = [float(to_whole(w)) for to_whole, w in zip(rounding, weights, strict=True)]
    runs = [("ground", 1, dict(zip(recipe, rounded, strict=False)))]
    plan = write_plan(make_case(lots, [product]), runs)
    assert [check for check in plan.checks() if check.verdict is Verdict.BROKEN] == []


def test_more_than_half_a_point_is_never_put_down_to_rounding():
    """One pound of 90s where 0.8 lb of them and 0.2 lb of 40s were wanted."""
    product = make_product(0.80, 1.0, max_lb=1.0)
    case = make_case([make_lot("lean", 0.9, 3.0), make_lot("fat", 0.4, 1.0)], [product])
    check = write_plan(case, [("ground", 1, {"lean": 1.0})]).check(ConstraintClass.LEAN_MAX)
    assert (check.read, check.verdict) == (0.9, Verdict.BROKEN)


@given(cow=st.integers(100, 900), trim=st.integers(100, 900), minimum=st.integers(750, 900))
def test_lean_verdict_agrees_with_whole_number_arithmetic(cow: int, trim: int, minimum: int):
    product = make_product(minimum / 1_000, 0.0, tolerance_above_share=1.0)
    plan = made(case_of(product=product), (1, {"cow": cow, "trim": trim}))
    batch_lb = cow + trim
    lacking = minimum * batch_lb - (900 * cow + 750 * trim)  # mills x lb
    # the two moves |900 - lean| and |750 - lean| always add up to 150 mills
    if lacking <= 0:
        expected = Verdict.MET
    elif lacking * (batch_lb - 2) <= 150 * batch_lb:
        expected = Verdict.WITHIN_ROUNDING
    else:
        expected = Verdict.BROKEN
    assert plan.check(ConstraintClass.LEAN_MIN).verdict is expected


@pytest.mark.parametrize(
    ("lean", "target", "below"),
    [(0.2, 0.3, 0.1), (80.1 / 100, 0.801, 0.0), (0.801, 80.1 / 100, 0.0)],
)
def test_figures_are_read_as_their_digits_say(lean: float, target: float, below: float):
    # in binary, 0.3 - 0.1 is a hair below 0.2, and 80.1 / 100 a hair below 0.801
    product = make_product(target, 10.0, tolerance_below_share=below)
    plan = write_plan(make_case([make_lot("a", lean, 1.0)], [product]), [("ground", 1, {"a": 10})])
    assert plan.check(ConstraintClass.LEAN_MIN).verdict is Verdict.MET


# Standards --------------------------------------------------------------------------------------


def standard(action: Action, kind: RuleKind | None = RuleKind.FAT, lots: str = "", **limits):
    return StandardRow(
        "ground beef",
        "row",
        "Ground beef",
        "9 CFR 319.15(a)",
        action,
        kind,
        parse_selector(lots),
        note="no added water",
        **limits,
    )


def labeled(row: StandardRow, *rules: Rule, **changes) -> Case:
    """A product to 70 lean, give or take, made of 80s and 60s: half and half is 30% fat."""
    product = make_product(
        0.70,
        1_000.0,
        tolerance_below_share=0.01,
        tolerance_above_share=0.01,
        standards=("ground beef",),
    )
    lots = [make_lot("80s", 0.80, 1.0), make_lot("60s", 0.60, 0.8, meat_class="cheek")]
    return make_case(lots, [product], *rules, standards=(row,), **changes)


HALF = {"80s": 500, "60s": 500}
A_POUND_FATTER = {"80s": 499, "60s": 501}
FAT_LIMIT = {"max_share": 0.30}
"""Ground beef: at most 30% fat, 9 CFR 319.15(a)."""


def test_a_published_fat_limit_allows_no_rounding():
    own = rule(RuleKind.FAT, max_share=0.30)
    case = labeled(standard(Action.REFUSE, **FAT_LIMIT), own)
    plan = write_plan(case, [("ground", 1, A_POUND_FATTER)])
    published = plan.check(ConstraintClass.FAT_MAX, rule_id="row on ground")
    assert (published.verdict, published.allowance) == (Verdict.BROKEN, 0.0)
    assert published.section == "9 CFR 319.15(a)"
    assert plan.check(ConstraintClass.FAT_MAX, rule_id="rule").verdict is Verdict.WITHIN_ROUNDING


def test_a_published_fat_limit_may_be_touched():
    case = labeled(standard(Action.REFUSE, **FAT_LIMIT))
    check = write_plan(case, [("ground", 1, HALF)]).check(ConstraintClass.FAT_MAX)
    assert (check.read, check.verdict) == (0.30, Verdict.MET)


def test_a_published_share_allows_no_rounding():
    # cheek meat at most 25%, 9 CFR 319.15(a)
    row = standard(Action.REFUSE, RuleKind.SHARE, "meat_class=cheek", max_share=0.25)
    product = easy_product(standards=("ground beef",))
    trim = replace(TRIM, meat_class="cheek")
    keeper = make_lot("beef", 0.80, 1.0)
    case = case_of(trim=trim, product=product, lots=[keeper], standards=(row,))
    kept = made(case, (2, {"trim": 250, "beef": 750}))
    over = made(case, (2, {"trim": 251, "beef": 750}))
    assert kept.check(ConstraintClass.SHARE_MAX).verdict is Verdict.MET
    assert over.check(ConstraintClass.SHARE_MAX).verdict is Verdict.BROKEN


@pytest.mark.parametrize(
    ("recipe", "verdict"), [(HALF, Verdict.MET), (A_POUND_FATTER, Verdict.WARNING)]
)
def test_a_row_that_warns(recipe, verdict: Verdict):
    plan = write_plan(labeled(standard(Action.WARN, **FAT_LIMIT)), [("ground", 1, recipe)])
    check = plan.check(ConstraintClass.FAT_MAX)
    assert (check.verdict, check.section) == (verdict, "9 CFR 319.15(a)")


@pytest.mark.parametrize("kind", [None, RuleKind.FAT])
def test_a_row_that_is_only_noted(kind: RuleKind | None):
    plan = write_plan(labeled(standard(Action.NOTE, kind)), [("ground", 1, HALF)])
    (note,) = (check for check in plan.checks() if check.verdict is Verdict.NOTE)
    assert note.note == "Ground beef; no added water"
    assert note.section == "9 CFR 319.15(a)"
    assert note.requirement.product_id == "ground"


# What the plan states of itself -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("constraint_class", "misstate"),
    [
        (ConstraintClass.SUPPLY, lambda plan: plan.with_take(used_lb=600.0)),
        (ConstraintClass.BATCH_FILL, lambda plan: plan.with_run(finished_lb=1_001.0)),
        (ConstraintClass.BATCH_FILL, lambda plan: plan.with_run(batches=0)),
        (ConstraintClass.LEAN_MIN, lambda plan: plan.with_run(lean=0.80)),
        (ConstraintClass.WHOLE_CONTAINERS, lambda plan: plan.with_take(containers=3)),
    ],
)
def test_a_figure_misstated_is_caught(
    constraint_class: ConstraintClass, misstate: Callable[[PaperPlan], PaperPlan]
):
    cow = replace(COW, container="box", container_lb=333.0)
    plan = made(case_of(cow=cow, settings=whole(WholeContainers.TAKEN)), (2, RECIPE))
    assert {check.verdict for check in plan.checks()} == {Verdict.MET}
    checks = misstate(plan).checks()
    assert constraint_class in {
        c.requirement.constraint_class for c in checks if c.verdict is Verdict.BROKEN
    }


@pytest.mark.parametrize("where", [WholeContainers.TAKEN, WholeContainers.PER_BATCH])
def test_containers_that_are_no_whole_pounds_leave_no_dust(where: WholeContainers):
    one_lb = 27.2 / 0.45359237  # a 27.2 kg carton; NIST Handbook 44, appendix C
    cow = replace(COW, container="box", container_lb=one_lb, quantity_lb=33 * one_lb)
    product = easy_product(min_lb=5_800.0, max_lb=None, blender_max_lb=3_100.0)
    case = case_of(cow=cow, product=product, settings=whole(where))
    runs = [(1, {"cow": boxes * one_lb, "trim": 2 * boxes * one_lb}) for boxes in (16, 17)]
    if where is WholeContainers.TAKEN:
        runs = [(2, {"cow": 16 * one_lb, "trim": 2_000})]
    plan = made(case, *runs, takes={"cow": 33 * one_lb})
    assert {check.verdict for check in plan.checks()} == {Verdict.MET}


# Shortfall, and nothing made --------------------------------------------------------------------


def test_a_paid_shortage_lowers_the_order():
    case = case_of(product=easy_product(shortage_penalty_usd_per_lb=0.5))
    check = made(case, (1, RECIPE), short={"ground": 1_000.0}).check(ConstraintClass.VOLUME_MIN)
    assert (check.read, check.minimum, check.verdict) == (1_000.0, 1_000.0, Verdict.MET)
    assert check.note == "2,000 lb ordered, 1,000 lb short"


@pytest.mark.parametrize(
    ("penalty", "short"), [(None, 1_000.0), (0.5, 990.0), (0.5, 2_001.0), (0.5, -1.0)]
)
def test_a_shortage_that_is_not_allowed_or_too_small(penalty: float | None, short: float):
    case = case_of(product=easy_product(shortage_penalty_usd_per_lb=penalty))
    plan = made(case, (1, RECIPE), short={"ground": short})
    assert plan.check(ConstraintClass.VOLUME_MIN).verdict is Verdict.BROKEN


def test_nothing_made_breaks_volume_alone():
    rules = [
        replace(rule(kind, **limits), rule_id=kind)
        for kind, limits in (
            (RuleKind.SHARE, {"min_share": 0.1}),
            (RuleKind.FAT, {"min_share": 0.1}),
            (RuleKind.MIN_IF_USED, {"min_share": 0.1}),
            (RuleKind.MAX_LOTS, {"max_count": 1}),
            (RuleKind.EQUAL_RECIPE, {}),
        )
    ]
    checks = made(case_of(*rules)).checks()
    assert {c.requirement.constraint_class for c in checks if c.verdict is Verdict.BROKEN} == {
        ConstraintClass.VOLUME_MIN
    }


def test_two_products_share_one_supply():
    cow = replace(COW, quantity_lb=1_200.0)
    products = [easy_product("a"), easy_product("b")]
    case = make_case([cow, TRIM], products)
    plan = write_plan(case, [("a", 2, RECIPE), ("b", 2, RECIPE)], takes={"cow": 1_200})
    assert plan.check(ConstraintClass.SUPPLY, lot_id="cow").read == 1_332.0
    assert plan.check(ConstraintClass.SUPPLY, lot_id="cow").verdict is Verdict.BROKEN


def test_the_worst_batch_is_the_broken_one_not_the_leanest_by_a_hair():
    """A rounded batch may lie farther out than a whole one, and yet be the one explained."""
    cow = replace(COW, container="box", container_lb=100.0)
    trim = replace(TRIM, container="box", container_lb=100.0)
    loose = make_lot("loose", 0.0, 0.3)
    case = case_of(
        cow=cow,
        trim=trim,
        lots=[loose],
        product=make_product(0.80, 0.0, tolerance_above_share=0.1),
        settings=whole(WholeContainers.PER_BATCH),
    )
    explained = (1, {"loose": 7, "cow": 200, "trim": 300})  # 405 / 507 = 0.7988 lean
    broken = (1, {"cow": 3_300, "trim": 6_700})  # 0.7995
    plan = made(case, explained, broken)
    alone = made(case, explained)
    assert alone.check(ConstraintClass.LEAN_MIN).verdict is Verdict.WITHIN_ROUNDING
    assert plan.check(ConstraintClass.LEAN_MIN).verdict is Verdict.BROKEN
    assert plan.check(ConstraintClass.LEAN_MIN).note == "run 2 of 2"


def test_lots_and_products_the_case_does_not_hold_are_refused():
    plan = made(case_of(), (2, RECIPE))
    stranger = replace(plan.takes[0], lot_id="nobody's")
    with pytest.raises(KeyError, match="nobody's"):
        replace(plan, takes=(stranger,)).checks()
