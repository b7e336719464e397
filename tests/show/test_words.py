from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.case import Case, Settings
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.plan import Change, InfeasibleSubset, Model, Step, Verdict
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule, RuleKind, WholeContainers
from blend.domain.selectors import NUMBER_ATTRIBUTES, WORD_ATTRIBUTES, parse_selector
from blend.show.amounts import amount_words, number_words
from blend.show.infeasible import broken_lines, change_words, infeasible_lines
from blend.show.words import (
    MODEL_WORDS,
    STEP_WORDS,
    VERDICT_WORDS,
    meat_words,
    requirement_words,
)
from tests.show.example_plan import DAY, example_case, example_plan

CASE = example_case()
RULES = (
    Rule("share", RuleKind.SHARE, min_share=0.1, max_share=0.25),
    Rule("fat", RuleKind.FAT, min_share=0.1, max_share=0.3),
    Rule("count", RuleKind.MAX_LOTS, max_count=4),
    Rule("little", RuleKind.MIN_IF_USED, min_share=0.05),
    Rule(
        "use",
        RuleKind.MUST_USE,
        ("GC73",),
        parse_selector("on_hand_or_offered=on hand"),
        min_lb=1_200,
    ),
    Rule("never", RuleKind.MUST_NOT_USE, (), parse_selector("species!=beef")),
    Rule(
        "apart",
        RuleKind.KEEP_APART,
        (),
        parse_selector("origin=Uruguay"),
        parse_selector("program=no-hormone"),
    ),
    Rule("same", RuleKind.EQUAL_RECIPE),
    Rule("cold", RuleKind.MAX_TEMP, max_temp_f=40.0),
)
CAP = LinearConstraint("cap", (Term(1.0, Pounds.TAKE, lot_id="F90-03"),), maximum=500.0)
RULED = replace(CASE, rules=RULES, constraints=(CAP,))
KEYS = {
    ConstraintClass.MASS: ("GB80", "", ""),
    ConstraintClass.LEAN_MIN: ("GB80", "", ""),
    ConstraintClass.LEAN_MAX: ("GB80", "", ""),
    ConstraintClass.VOLUME_MIN: ("GC73", "", ""),
    ConstraintClass.VOLUME_MAX: ("GC73", "", ""),
    ConstraintClass.BATCH_FILL: ("GC73", "", ""),
    ConstraintClass.SUPPLY: ("", "F90-03", ""),
    ConstraintClass.MIN_PURCHASE: ("", "F90-03", ""),
    ConstraintClass.WHOLE_CONTAINERS: ("", "Z85-02", ""),
    ConstraintClass.SHARE_MIN: ("GB80", "", "share"),
    ConstraintClass.SHARE_MAX: ("GB80", "", "share"),
    ConstraintClass.FAT_MIN: ("GB80", "", "fat"),
    ConstraintClass.FAT_MAX: ("GB80", "", "fat"),
    ConstraintClass.MAX_LOTS: ("GB80", "", "count"),
    ConstraintClass.MIN_IF_USED: ("GB80", "", "little"),
    ConstraintClass.MUST_USE: ("", "", "use"),
    ConstraintClass.MUST_NOT_USE: ("GB80", "", "never"),
    ConstraintClass.MAY_HOLD: ("GB80", "", ""),
    ConstraintClass.KEEP_APART: ("GB80", "", "apart"),
    ConstraintClass.EQUAL_RECIPE: ("GB80", "", "same"),
    ConstraintClass.MAX_TEMP: ("GB80", "", "cold"),
    ConstraintClass.ADDED: ("", "", "cap"),
}


def requirement(constraint_class: ConstraintClass) -> Requirement:
    return Requirement(constraint_class, *KEYS[constraint_class])


def change(
    constraint_class: ConstraintClass, was: float, becomes: float, usd: float | None = None
) -> str:
    return change_words(Change(requirement(constraint_class), was, becomes, "", usd), RULED)


@pytest.mark.parametrize("constraint_class", ConstraintClass)
def test_every_constraint_class_has_words_that_name_what_it_concerns(constraint_class):
    words = requirement_words(requirement(constraint_class), RULED)
    product_id, lot_id, rule_id = KEYS[constraint_class]
    if product_id:
        assert RULED.product(product_id).name in words
    assert lot_id in words
    assert rule_id in words


@pytest.mark.parametrize("constraint_class", ConstraintClass)
def test_every_constraint_class_has_words_for_its_change(constraint_class):
    words = change(constraint_class, was=0.25, becomes=0.3, usd=48_210.4)
    assert words.endswith(": the plan then costs 48,210 USD")


@pytest.mark.parametrize(
    ("kind", "words"), [(Verdict, VERDICT_WORDS), (Step, STEP_WORDS), (Model, MODEL_WORDS)]
)
def test_every_verdict_step_and_model_has_words_of_its_own(kind, words):
    assert set(words) == set(kind)
    assert len(set(words.values())) == len(kind)
    assert all(words.values())


@pytest.mark.parametrize(
    ("constraint_class", "words"),
    [
        (ConstraintClass.LEAN_MIN, "lean of House Patty 80 at least 79.5 %"),
        (ConstraintClass.LEAN_MAX, "lean of House Patty 80 at most 81.0 %"),
        (ConstraintClass.VOLUME_MIN, "order of Chuck Grind 73: at least 6,000 lb finished"),
        (
            ConstraintClass.BATCH_FILL,
            "batches of Chuck Grind 73 between 1,800 lb and 2,100 lb finished",
        ),
        (ConstraintClass.SUPPLY, "supply of lot F90-03 (20,000 lb)"),
        (ConstraintClass.WHOLE_CONTAINERS, "whole boxes of lot Z85-02 (60 lb each)"),
        (ConstraintClass.SHARE_MAX, "meat in House Patty 80 at most 25 % (rule share)"),
        (ConstraintClass.MAX_LOTS, "at most 4 lots of meat in House Patty 80 (rule count)"),
        (
            ConstraintClass.MUST_USE,
            "at least 1,200 lb of meat on hand used in Chuck Grind 73 (rule use)",
        ),
        (ConstraintClass.MUST_NOT_USE, "no meat other than beef in House Patty 80 (rule never)"),
        (
            ConstraintClass.KEEP_APART,
            "meat of Uruguay origin and meat in program no-hormone never together in House"
            " Patty 80 (rule apart)",
        ),
        (ConstraintClass.MAY_HOLD, "House Patty 80 holds only beef"),
    ],
)
def test_requirements_are_said_as_their_owner_would(constraint_class, words):
    assert requirement_words(requirement(constraint_class), RULED) == words


def test_a_standard_is_cited_by_its_section():
    held = Requirement(ConstraintClass.SHARE_MAX, "GB80", rule_id="cheek_max on GB80")
    assert requirement_words(held, CASE) == (
        "cheek meat in House Patty 80 at most 25 % (9 CFR 319.15(a))"
    )


def test_a_note_of_a_standard_is_said_by_its_title():
    note = Requirement(ConstraintClass.MAY_HOLD, "GB80", rule_id="no_added_water")
    assert requirement_words(note, CASE) == (
        "House Patty 80: no water, binders or extenders added (9 CFR 319.15(a))"
    )


@pytest.mark.parametrize(
    ("selector", "words"),
    [
        ("", "meat"),
        ("fresh_or_frozen=frozen", "frozen meat"),
        ("fresh_or_frozen!=frozen", "meat that is not frozen"),
        ("fresh_or_frozen=frozen; species=beef; lean>=0.85", "frozen beef of at least 85 % lean"),
        ("meat_class=cheek", "cheek meat"),
        ("meat_class=heart|tongue", "heart or tongue meat"),
        ("meat_class=fat_trim", "fat trim"),
        ("species=beef; meat_class=cheek", "beef cheek meat"),
        ("species!=beef", "meat other than beef"),
        ("origin!=domestic", "imported meat"),
        ("fresh_or_frozen=frozen; origin=Domestic", "frozen domestic meat"),
        ("origin!=Uruguay", "meat not of Uruguay origin"),
        ("lot=A|B|C", "lots A, B or C"),
        ("lot!=A", "meat other than lot A"),
        ("on_hand_or_offered=on hand", "meat on hand"),
        ("container=combo|box", "meat in combos or boxes"),
        ("supplier=Alder Ridge", "meat from Alder Ridge"),
    ],
)
def test_selectors_are_said_in_plain_words(selector, words):
    assert meat_words(parse_selector(selector)) == words


@pytest.mark.parametrize("attribute", [*WORD_ATTRIBUTES, *NUMBER_ATTRIBUTES])
def test_selectors_are_said_whatever_they_ask(attribute):
    value = "0.9" if attribute in NUMBER_ATTRIBUTES else "this"
    said = {meat_words(parse_selector(f"{attribute}{sign}{value}")) for sign in ("=", "!=")}
    assert len(said) == 2
    assert all("90 %" in words or "this" in words for words in said)


@pytest.mark.parametrize(
    ("constraint_class", "was", "becomes", "words"),
    [
        (
            ConstraintClass.LEAN_MIN,
            0.005,
            0.008,
            "loosen the tolerance below on House Patty 80 from 0.5 to 0.8 lean points",
        ),
        (
            ConstraintClass.LEAN_MAX,
            0.01,
            0.012345,
            "loosen the tolerance above on House Patty 80 from 1.0 to 1.24 lean points",
        ),
        (
            ConstraintClass.VOLUME_MIN,
            6_000,
            4_800,
            "make 1,200 lb less of Chuck Grind 73 (4,800 lb)",
        ),
        (ConstraintClass.VOLUME_MIN, 6_000, 0, "make no Chuck Grind 73"),
        (ConstraintClass.SUPPLY, 20_000, 21_899.2, "1,900 lb more of lot F90-03"),
        (
            ConstraintClass.SHARE_MAX,
            0.25,
            0.30001,
            "let meat in House Patty 80 be at most 30.01 % instead of 25 %",
        ),
        (ConstraintClass.MAX_LOTS, 4, 5, "allow 5 lots instead of 4 of meat in House Patty 80"),
        (ConstraintClass.MUST_USE, 1_200, 900.5, "use 300 lb less of meat on hand (900 lb)"),
        (ConstraintClass.KEEP_APART, 0, 1, None),
    ],
)
def test_changes_tell_from_where_to_where(constraint_class, was, becomes, words):
    said = change(constraint_class, was, becomes)
    if words is None:
        assert said.startswith("give up: ")
    else:
        assert said == words


@given(st.floats(0.005, 0.1))
def test_the_tolerance_told_is_never_tighter_than_the_one_needed(tolerance_share):
    words = change(ConstraintClass.LEAN_MIN, 0.005, tolerance_share)
    told = float(words.removesuffix(" lean points").split()[-1])
    needed = tolerance_share * 100
    assert needed - 1e-6 <= told <= needed + 0.01 + 1e-6


def test_what_can_only_be_dropped_is_said_so():
    held = Change(requirement(ConstraintClass.SHARE_MAX), float("nan"), float("nan"), "drop", None)
    assert change_words(held, RULED) == "give up: meat in House Patty 80 at most 25 %"


DIVISIBLE = (
    "Reckoned with containers, counts and batches taken as divisible; whole ones may ask for more."
)


def supply_of(*lot_ids: str) -> tuple[Requirement, ...]:
    return tuple(Requirement(ConstraintClass.SUPPLY, lot_id=lot_id) for lot_id in lot_ids)


@pytest.mark.parametrize(
    ("lot_ids", "words"),
    [
        (("F90-03", "C87-05", "Z85-02"), "3 lots at 85.3 % lean or leaner: F90-03, C87-05, Z85-02"),
        (("F50-11", "S73-01", "F75-08"), "3 lots at 75.0 % lean or fatter: F50-11, S73-01, F75-08"),
        (
            ("F50-11", "Z85-02", "F90-03"),
            "3 lots between 49.6 % and 90.2 % lean: F50-11, Z85-02, F90-03",
        ),
        (
            ("F90-03", "C87-05", "Z85-02", "F75-08", "S73-01", "F50-11"),
            "all 6 lots of beef: F90-03, C87-05, Z85-02, F75-08, S73-01, F50-11",
        ),
    ],
)
def test_the_supply_of_many_lots_is_one_item(lot_ids, words):
    infeasible = InfeasibleSubset((requirement(ConstraintClass.LEAN_MIN), *supply_of(*lot_ids)), ())
    assert infeasible_lines(infeasible, CASE) == [
        "No plan exists: these 2 cannot all be met together.",
        "  - lean of House Patty 80 at least 79.5 %",
        f"  - supply of {words}",
    ]


def test_of_very_many_lots_some_are_named_and_the_others_counted():
    lots = tuple(replace(CASE.lots[0], lot_id=f"L{number:02}") for number in range(20))
    case = replace(CASE, lots=lots)
    (line,) = infeasible_lines(
        InfeasibleSubset(supply_of(*(lot.lot_id for lot in lots)), ()), case
    )[1:]
    assert line.endswith("all 20 lots of beef: L00, L01, L02, L03, L04, L05 and 14 more")


def test_two_lots_are_still_told_one_by_one():
    lines = infeasible_lines(InfeasibleSubset(supply_of("F90-03", "Z85-02"), ()), CASE)
    assert lines[1:] == [
        "  - supply of lot F90-03 (20,000 lb)",
        "  - supply of lot Z85-02 (12,000 lb)",
    ]


def test_to_make_nothing_is_told_only_where_nothing_else_helps():
    none = Change(requirement(ConstraintClass.VOLUME_MIN), 6_000, 0.0, "lb", 30_000.0)
    more = Change(requirement(ConstraintClass.SUPPLY), 20_000, 21_900, "lb", 48_210.0)
    both = "\n".join(
        infeasible_lines(
            InfeasibleSubset((requirement(ConstraintClass.SUPPLY),), (more, none)), CASE
        )
    )
    assert "1,900 lb more of lot F90-03" in both
    assert "make no" not in both
    alone = infeasible_lines(
        InfeasibleSubset((requirement(ConstraintClass.SUPPLY),), (none,)), CASE
    )
    assert "  - make no Chuck Grind 73: the plan then costs 30,000 USD" in alone


@given(st.integers(0, 30_000), st.integers(1, 9_000))
def test_more_supply_comes_in_whole_containers_where_they_must_be_whole(was, more):
    whole = replace(CASE.settings, whole_containers=WholeContainers.TAKEN)
    change_of = Change(requirement(ConstraintClass.SUPPLY), was, was + more, "lb", None)
    words = change_words(change_of, replace(CASE, settings=whole))
    told_lb = int(words.split(" lb more")[0].replace(",", ""))
    assert words.endswith("more of lot F90-03, in whole combos")
    assert (was + told_lb) % 2_000 == 0
    assert 0 <= told_lb - more < 2_000


def test_changes_that_free_a_plan_only_together_are_told_so():
    fewer = Change(requirement(ConstraintClass.VOLUME_MIN), 6_000, 5_000, "lb", None)
    lines = infeasible_lines(
        InfeasibleSubset((requirement(ConstraintClass.VOLUME_MIN),), (), (fewer,)), CASE
    )
    assert lines == [
        "No plan exists: this cannot be met.",
        "  - order of Chuck Grind 73: at least 6,000 lb finished",
        "No single change makes a plan possible; these do so together:",
        "  - make 1,000 lb less of Chuck Grind 73 (5,000 lb)",
        DIVISIBLE,
    ]


def test_the_supply_of_all_lots_has_words():
    assert (
        requirement_words(Requirement(ConstraintClass.SUPPLY), CASE)
        == "supply of all lots together"
    )


def test_money_earned_is_not_called_a_cost():
    assert change(ConstraintClass.SUPPLY, 0, 10, usd=-310.0).endswith(
        ": the plan then earns 310 USD"
    )


def test_a_published_limit_is_not_the_plants_to_ease():
    held = Requirement(ConstraintClass.SHARE_MAX, "GB80", rule_id="cheek_max on GB80")
    words = change_words(Change(held, 0.25, 0.3, "share", None), CASE)
    assert "not the plant's to ease: 9 CFR 319.15(a)" in words


def test_a_infeasible_tells_every_requirement_and_every_change():
    infeasible = InfeasibleSubset(
        (requirement(ConstraintClass.LEAN_MIN), requirement(ConstraintClass.SUPPLY)),
        (Change(requirement(ConstraintClass.SUPPLY), 20_000, 21_900, "lb", 48_210.0),),
        needs_whole=True,
    )
    assert infeasible_lines(infeasible, CASE) == [
        "No plan exists: these 2 cannot all be met together.",
        "  - lean of House Patty 80 at least 79.5 %",
        "  - supply of lot F90-03 (20,000 lb)",
        "They clash only because containers, counts and batches must be whole.",
        "Any one of these changes makes a plan possible:",
        "  - 1,900 lb more of lot F90-03: the plan then costs 48,210 USD",
    ]


def kept_out_of(product_id: str, case: Case) -> list[str]:
    infeasible = InfeasibleSubset(
        (Requirement(ConstraintClass.VOLUME_MIN, product_id),),
        (),
        kept_out=(Requirement(ConstraintClass.MAY_HOLD, product_id),),
    )
    return infeasible_lines(infeasible, case)


def with_product(product_id: str, **values) -> Case:
    products = [replace(p, **values) if p.product_id == product_id else p for p in CASE.products]
    return replace(CASE, products=tuple(products))


def test_a_model_that_no_usable_lot_carries_is_named_with_the_lots_that_will():
    case = with_product("GC73", label_claims=frozenset({"organic"}))
    _, _, reason, note = kept_out_of("GC73", case)
    assert reason == (
        "  - the reason: no usable lot of beef carries program organic, as every lot in "
        "Chuck Grind 73 must"
    )
    assert "papers" in note
    used_up = replace(
        case.lots[0], lot_id="late", label_claims=frozenset({"organic"}), quantity_lb=0.0
    )
    case = replace(case, lots=(*case.lots, used_up))
    assert kept_out_of("GC73", case)[2].endswith("must (late does, but none left)")


def test_a_species_that_no_usable_lot_is_of_is_named():
    case = with_product("GC73", species=frozenset({"lamb"}))
    lines = kept_out_of("GC73", case)
    assert lines[2:] == [
        "  - the reason: no usable lot is lamb, and Chuck Grind 73 holds nothing else"
    ]


def test_label_claims_that_no_lot_carries_together_are_told_so():
    lots = [
        replace(CASE.lots[0], lot_id=name, label_claims=frozenset({name}))
        for name in ("old", "new")
    ]
    case = replace(with_product("GC73", label_claims=frozenset({"old", "new"})), lots=tuple(lots))
    assert "carries all programs" in kept_out_of("GC73", case)[2]


def test_a_plan_that_fails_its_checks_shows_what_it_breaks():
    certified = example_plan(CASE).certificate
    first = replace(certified.checks[0], verdict=Verdict.BROKEN, read=0.79)
    lines = broken_lines(replace(certified, checks=(first, *certified.checks[1:])), CASE)
    assert len(lines) == 3
    assert "breaks 1 requirement " in lines[0]
    assert "lean of House Patty 80 at least 79.5 %: 79.0 %" in lines[1]
    assert "widen the limit" in lines[2]


def test_words_hold_nothing_that_cannot_be_printed():
    lot = replace(CASE.lot("F90-03"), lot_id="A\x1b[31m\nB")
    case = Case(Settings(DAY), (lot,), CASE.products)
    words = requirement_words(Requirement(ConstraintClass.SUPPLY, lot_id=lot.lot_id), case)
    assert words == "supply of lot A [31m B (20,000 lb)"


def test_lots_that_cannot_be_split_are_whole_or_nothing():
    lot = replace(CASE.lot("F90-03"), must_take_all=True)
    case = Case(Settings(DAY, whole_containers=WholeContainers.TAKEN), (lot,), CASE.products)
    assert requirement_words(Requirement(ConstraintClass.MIN_PURCHASE, lot_id="F90-03"), case) == (
        "lot F90-03 taken whole or not at all (20,000 lb)"
    )


@pytest.mark.parametrize(
    ("amount", "unit", "words"),
    [
        (None, "share", ""),
        (0.79496, "share", "79.496 %"),
        (0.25, "share", "25.0 %"),
        (12_000.0, "lb", "12,000 lb"),
        (4.0, "count", "4"),
        (3.5, "containers", "3.5 containers"),
    ],
)
def test_readings_have_their_unit(amount, unit, words):
    assert amount_words(amount, unit) == words


@given(st.floats(-1e9, 1e9))
def test_numbers_read_back_to_their_decimals(number):
    words = number_words(number)
    assert abs(float(words.replace(",", "")) - number) <= 0.005 + 1e-6
    assert not words.startswith("-0") or "." in words
