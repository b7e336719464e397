from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.case import Case, Settings
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.plan import Change, InfeasibleSubset, Verdict
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import Rule, RuleKind, WholeContainers
from blend.domain.selectors import parse_selector
from blend.grinder.no_plan import broken_lines, change_words, infeasible_lines
from blend.output.formats import number
from blend.phrases import (
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


@given(st.floats(0.005, 0.1))
def test_the_tolerance_told_is_never_tighter_than_the_one_needed(tolerance_share):
    words = change(ConstraintClass.LEAN_MIN, 0.005, tolerance_share)
    told = float(words.split(" lean points")[0].split()[-1])
    needed = tolerance_share * 100
    assert needed - 1e-6 <= told <= needed + 0.01 + 1e-6


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


def test_words_hold_nothing_that_cannot_be_printed():
    lot = replace(CASE.lot("F90-03"), lot_id="A\x1b[31m\nB")
    case = Case(Settings(DAY), (lot,), CASE.products)
    words = requirement_words(Requirement(ConstraintClass.SUPPLY, lot_id=lot.lot_id), case)
    assert words == "supply of lot A [31m B (20,000 lb)"


@given(st.floats(-1e9, 1e9))
def test_numbers_read_back_to_their_decimals(amount):
    words = number(amount)
    assert abs(float(words.replace(",", "")) - amount) <= 0.005 + 1e-6
    assert not words.startswith("-0") or "." in words


def test_a_plan_that_fails_its_checks_tells_what_it_breaks():
    certificate = example_plan(CASE).certificate
    first = replace(certificate.checks[0], verdict=Verdict.BROKEN, read=0.79)
    lines = broken_lines(replace(certificate, checks=(first, *certificate.checks[1:])), CASE)
    assert len(lines) == 3
    assert "breaks 1 limit " in lines[0]
    assert "lean of House Patty 80 at least 79.5%: 79.0%" in lines[1]
    assert "widen the limit" in lines[2]
