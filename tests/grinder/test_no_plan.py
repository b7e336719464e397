from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.case import Case, Settings
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.plan import Change, InfeasibleSubset, Step, Verdict
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule, RuleKind, WholeContainers
from blend.domain.selectors import NUMBER_ATTRIBUTES, WORD_ATTRIBUTES, parse_selector
from blend.grinder.no_plan import broken_lines, change_words, infeasible_lines
from blend.output.formats import number, value
from blend.phrases import (
    STEP_WORDS,
    VERDICT_WORDS,
    meat_words,
    requirement_words,
)
from tests.grinder.example_plan import DAY, example_case, example_plan

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
    assert words.endswith(": day's cost $48,210")


@pytest.mark.parametrize(
    ("kind", "words"), [(Verdict, VERDICT_WORDS), (Step, STEP_WORDS)]
)
def test_every_verdict_step_and_model_has_words_of_its_own(kind, words):
    assert set(words) == set(kind)
    assert len(set(words.values())) == len(kind)
    assert all(words.values())


@pytest.mark.parametrize("attribute", [*WORD_ATTRIBUTES, *NUMBER_ATTRIBUTES])
def test_selectors_are_said_whatever_they_ask(attribute):
    value = "0.9" if attribute in NUMBER_ATTRIBUTES else "this"
    said = {meat_words(parse_selector(f"{attribute}{sign}{value}")) for sign in ("=", "!=")}
    assert len(said) == 2
    assert all("90%" in words or "this" in words for words in said)


@given(st.floats(0.005, 0.1))
def test_the_tolerance_told_is_never_tighter_than_the_one_needed(tolerance_share):
    words = change(ConstraintClass.LEAN_MIN, 0.005, tolerance_share)
    told = float(words.split(" lean points")[0].split()[-1])
    needed = tolerance_share * 100
    assert needed - 1e-6 <= told <= needed + 0.01 + 1e-6


def supply_of(*lot_ids: str) -> tuple[Requirement, ...]:
    return tuple(Requirement(ConstraintClass.SUPPLY, lot_id=lot_id) for lot_id in lot_ids)


@pytest.mark.parametrize(
    ("lot_ids", "words"),
    [
        (("F90-03", "C87-05", "Z85-02"), "3 lots at 85.3% lean or leaner: F90-03, C87-05, Z85-02"),
        (("F50-11", "S73-01", "F75-08"), "3 lots at 75.0% lean or fatter: F50-11, S73-01, F75-08"),
        (
            ("F50-11", "Z85-02", "F90-03"),
            "3 lots between 49.6% and 90.2% lean: F50-11, Z85-02, F90-03",
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
        "Can't fill today's orders: no plan meets all 2 of these.",
        "  - lean of House Patty 80 at least 79.5%",
        f"  - supply of {words}",
    ]


def test_of_very_many_lots_some_are_named_and_the_others_counted():
    lots = tuple(replace(CASE.lots[0], lot_id=f"L{number:02}") for number in range(20))
    case = replace(CASE, lots=lots)
    (line,) = infeasible_lines(
        InfeasibleSubset(supply_of(*(lot.lot_id for lot in lots)), ()), case
    )[1:]
    assert line.endswith("all 20 lots of beef: L00, L01, L02, L03, L04, L05 and 14 more")


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
    assert "  - make no Chuck Grind 73: day's cost $30,000" in alone


@given(st.integers(0, 30_000), st.integers(1, 9_000))
def test_more_supply_comes_in_whole_containers_where_they_must_be_whole(was, more):
    whole = replace(CASE.settings, whole_containers=WholeContainers.TAKEN)
    change_of = Change(requirement(ConstraintClass.SUPPLY), was, was + more, "lb", None)
    words = change_words(change_of, replace(CASE, settings=whole))
    told_lb = int(words.removeprefix("get ").split(" lb more")[0].replace(",", ""))
    assert words.endswith("more of lot F90-03, in whole combos")
    assert (was + told_lb) % 2_000 == 0
    assert 0 <= told_lb - more < 2_000


def test_a_published_limit_is_not_the_plants_to_ease():
    held = Requirement(ConstraintClass.SHARE_MAX, "GB80", rule_id="cheek_max on GB80")
    words = change_words(Change(held, 0.25, 0.3, "share", None), CASE)
    assert "not yours to change: 9 CFR 319.15(a)" in words


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
    assert "organic" in kept_out_of("GC73", case)[2]
    used_up = replace(
        case.lots[0], lot_id="late", label_claims=frozenset({"organic"}), quantity_lb=0.0
    )
    case = replace(case, lots=(*case.lots, used_up))
    assert "late does, but none left" in " ".join(kept_out_of("GC73", case)[2].split())


def test_a_plan_that_fails_its_checks_tells_what_it_breaks():
    certificate = example_plan(CASE).certificate
    first = replace(certificate.checks[0], verdict=Verdict.BROKEN, read=0.79)
    lines = broken_lines(replace(certificate, checks=(first, *certificate.checks[1:])), CASE)
    assert len(lines) == 3
    assert "breaks 1 limit " in lines[0]
    assert "lean of House Patty 80 at least 79.5%: 79.0%" in lines[1]
    assert "widen the limit" in lines[2]


def test_words_hold_nothing_that_cannot_be_printed():
    lot = replace(CASE.lot("F90-03"), lot_id="A\x1b[31m\nB")
    case = Case(Settings(DAY), (lot,), CASE.products)
    words = requirement_words(Requirement(ConstraintClass.SUPPLY, lot_id=lot.lot_id), case)
    assert words == "supply of lot A [31m B (20,000 lb)"


@pytest.mark.parametrize(
    ("amount", "unit", "words"),
    [
        (None, "share", ""),
        (0.79496, "share", "79.496%"),
        (0.25, "share", "25.0%"),
        (12_000.0, "lb", "12,000 lb"),
        (4.0, "count", "4"),
        (3.5, "containers", "3.5 containers"),
    ],
)
def test_readings_have_their_unit(amount, unit, words):
    assert value(amount, unit) == words


@given(st.floats(-1e9, 1e9))
def test_numbers_read_back_to_their_decimals(amount):
    words = number(amount)
    assert abs(float(words.replace(",", "")) - amount) <= 0.005 + 1e-6
    assert not words.startswith("-0") or "." in words
