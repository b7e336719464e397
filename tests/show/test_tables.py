import math
import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.check.check import check_plan, count_money
from blend.domain.plan import (
    BatchRun,
    Bound,
    Check,
    Ingredient,
    Money,
    Plan,
    PlanCertificate,
    Take,
    Verdict,
)
from blend.domain.requirements import ConstraintClass, Requirement
from blend.domain.rules import kept_per_lb
from blend.show import checks, quantities, shadow_prices
from blend.show.shown import (
    Format,
    ShownColumn,
    ShownTable,
    shared_widths,
    shown_table,
    spans_in,
    squeezed,
)
from blend.show.summary import summary_line
from blend.show.tables import plan_tables, terminal_tables
from blend.show.text import WIDTH, table_text, tables_text
from tests.show.example_plan import example_case, example_plan
from tests.strategies import cases

CASE = example_case()
PLAN = example_plan(CASE)
NO_CHECKS = PlanCertificate((), PLAN.certificate.bound)


def column(table: ShownTable, name: str) -> list:
    index = [each.name for each in table.columns].index(name)
    return [row[index] for row in table.rows]


def total(table: ShownTable, name: str):
    return table.totals[[each.name for each in table.columns].index(name)]


def any_plan(case) -> Plan:
    """A batch of ten pounds of every usable lot for each product: not good, but a plan."""
    lots = case.usable_lots()
    runs = []
    for product in case.products if lots else ():
        kept = [kept_per_lb(lot, product, case.losses) for lot in lots]
        finished_lb = 10 * sum(map(sum, kept))
        lean = 10 * sum(lean_lb for lean_lb, _ in kept) / finished_lb
        ingredients = tuple(Ingredient(lot.lot_id, 10) for lot in lots)
        runs.append(BatchRun(product.product_id, 3, ingredients, finished_lb, lean))
    used_lb = 30 * len(runs)
    takes = tuple(Take(lot.lot_id, used_lb + 5, None, used_lb) for lot in lots)
    short = {product.product_id: 1.5 for product in case.products}
    money = count_money(case, takes, runs, short)
    certified = PlanCertificate(check_plan(case, takes, runs, short), Bound(1.0, 0.5, "hand", money.total_usd))
    return Plan(takes, tuple(runs), short, money, certified)


# Sums ------------------------------------------------------------------------------------------


def test_what_is_taken_is_what_is_used_and_left_over():
    table = quantities.purchases_table(CASE, PLAN)
    assert total(table, "Taken") == sum(column(table, "Taken")) == 16_158
    assert total(table, "Taken") == total(table, "Used") + total(table, "Left over")


def test_recipes_add_up_to_what_is_used():
    recipes = [
        quantities.recipe_table(CASE, run, label)
        for run, label in quantities.labelled_runs(CASE, PLAN)
    ]
    in_all = [
        total(recipe, f"All {run.batches} batches")
        for recipe, run in zip(recipes, PLAN.runs, strict=True)
    ]
    assert sum(in_all) == total(quantities.purchases_table(CASE, PLAN), "Used")
    for recipe in recipes:
        assert sum(column(recipe, "Of finished")) == pytest.approx(100, abs=0.02)


def test_money_adds_up_and_agrees_with_the_list_of_purchases():
    table = quantities.money_table(CASE, PLAN)
    parts = dict(table.rows)
    bought = quantities.purchases_table(CASE, PLAN)
    assert total(table, "Amount") == pytest.approx(sum(parts.values()), abs=1e-9)
    assert parts["Meat at the sellers' prices"] + parts["Freight"] == pytest.approx(
        total(bought, "Cost"), abs=1e-9
    )
    assert "adds up to" not in table.note


def test_a_difference_of_cents_is_told():
    money = replace(PLAN.money, meat_usd=PLAN.money.meat_usd + 0.01)
    note = quantities.money_table(CASE, replace(PLAN, money=money)).note
    assert "each lot to the cent, adds up to 37,267.27" in note


def test_leftovers_and_sales_are_subtracted():
    money = Money(1_000.0, 50.0, 20.0, 30.0, 600.0, 500.0)
    table = quantities.money_table(CASE, replace(PLAN, takes=(), money=money))
    assert total(table, "Amount") == pytest.approx(money.total_usd) == pytest.approx(460.0)
    assert "2.0600 USD/lb, 206.00 USD/cwt" in table.note


def test_shown_totals_are_sums_of_shown_numbers():
    usd = ShownColumn("Cost", "USD", Format.HUNDREDTHS, is_summed=True)
    table = shown_table("Costs", [ShownColumn("Lot"), usd], [("a", 0.005001), ("b", 0.005001)])
    assert table.rows == (("a", 0.01), ("b", 0.01))
    assert table.totals == ("Total", 0.02)


def test_one_row_is_its_own_total():
    usd = ShownColumn("Cost", "USD", Format.HUNDREDTHS, is_summed=True)
    assert shown_table("Costs", [ShownColumn("Lot"), usd], [("a", 1.0)]).totals is None


@settings(max_examples=15, deadline=None)
@given(cases())
def test_printed_numbers_add_up_to_printed_totals(case):
    plan = any_plan(case)
    for table in plan_tables(case, plan):
        if table.totals is None:
            continue
        printed = [
            [each.text(cell) for each, cell in zip(table.columns, row, strict=True)]
            for row in table.rows
        ]
        for index, each in enumerate(table.columns):
            if each.is_summed:
                numbers = [float(row[index].replace(",", "") or 0) for row in printed]
                said = float(each.text(table.totals[index]).replace(",", ""))
                assert said == pytest.approx(sum(numbers), abs=1e-6)


# What is told ----------------------------------------------------------------------------------


def test_blends_tell_batches_pounds_and_lean_between_its_limits():
    row = quantities.blends_table(CASE, PLAN).rows[0]
    assert row == ("House Patty 80", 5, 2001.3, 10006.5, 80.19, 80.0, 79.5, 81.0, 2.4734)


def test_a_product_not_made_is_told_with_what_it_lacks():
    plan = replace(PLAN, runs=PLAN.runs[:1], shortage_lb={"GC73": 6_000.0})
    table = quantities.blends_table(CASE, plan)
    assert column(table, "Product") == ["House Patty 80", "Chuck Grind 73"]
    assert column(table, "Batches") == [5, 0]
    assert column(table, "Short") == [0.0, 6_000.0]


def test_batches_with_recipes_of_their_own_are_numbered():
    plan = replace(PLAN, runs=(PLAN.runs[0], PLAN.runs[0]))
    labels = [label for _, label in quantities.labelled_runs(CASE, plan)]
    assert labels == ["House Patty 80, recipe 1 of 2", "House Patty 80, recipe 2 of 2"]


def test_requirements_on_which_no_money_hangs_are_counted_not_listed():
    table = shadow_prices.requirements_value_table(CASE, PLAN)
    assert column(table, "Requirement") == [
        "lean of House Patty 80 at least 79.5 %",
        "frozen meat in House Patty 80 at most 35 % (rule R1)",
        "all of lot S73-01 used (rule R2)",
    ]
    assert column(table, "Tightening costs") == [491.6, 4.25, "no plan"]
    assert "(2 of those that bind)" in table.note
    assert "divisible" in table.note


def test_used_lots_leave_and_unused_ones_enter():
    table = shadow_prices.lots_value_table(CASE, PLAN)
    leaves = dict(zip(column(table, "Lot"), column(table, "Leaves above"), strict=True))
    enters = dict(zip(column(table, "Lot"), column(table, "Enters below"), strict=True))
    assert leaves["F90-03"] == 302.42
    assert leaves["F50-11"] == "no plan without"
    assert enters["C87-05"] == 211.34
    assert enters["P72-01"] == "at no price"
    assert [lot for lot in leaves if leaves[lot] is None] == [
        lot for lot in enters if enters[lot] is not None
    ]


def test_tables_of_shadow_prices_are_left_out_when_none_were_asked_for():
    with_shadow_prices = {table.title for table in plan_tables(CASE, PLAN)}
    without = {table.title for table in plan_tables(CASE, example_plan(CASE, shadow_prices=False))}
    assert with_shadow_prices - without == {
        "What products cost",
        "What requirements cost",
        "What lots are worth",
    }


def test_every_check_not_simply_met_is_told():
    table = checks.open_checks_table(CASE, PLAN)
    assert column(table, "Verdict") == ["met within rounding", "warning"]
    assert column(table, "Read") == ["79.496 %", "25.03 %"]
    said = column(checks.standards_table(CASE, PLAN), "Says")
    assert "no water, binders or extenders added" in said


def within(
    constraint_class: ConstraintClass, product_id: str, read: float, **limits: float
) -> Check:
    held = {"minimum": None, "maximum": None} | limits
    requirement = Requirement(constraint_class, product_id)
    return Check(requirement, read, unit="share", allowance=0.0005,
                 verdict=Verdict.WITHIN_ROUNDING, **held)  # fmt: skip


def test_checks_met_within_rounding_are_one_line_for_each_constraint_class():
    certified = replace(
        PLAN.certificate,
        checks=(
            within(ConstraintClass.LEAN_MIN, "GB80", 0.7949, minimum=0.795),
            within(ConstraintClass.LEAN_MAX, "GB80", 0.8102, maximum=0.81),
            within(ConstraintClass.LEAN_MIN, "GC73", 0.7197, minimum=0.72),
            within(ConstraintClass.LEAN_MIN, "GC73", 0.7198, minimum=0.72),
        ),
    )
    table = checks.rounding_table(CASE, replace(PLAN, certificate=certified))
    assert table.rows == (
        ("lean, at most", 1, 1, "0.02 %", "0.05 %", "House Patty 80"),
        ("lean, at least", 3, 2, "0.03 %", "0.05 %", "Chuck Grind 73"),
    )


@settings(max_examples=15, deadline=None)
@given(cases())
def test_grouped_checks_are_as_many_as_the_single_ones(case):
    plan = any_plan(case)
    grouped = column(checks.rounding_table(case, plan), "Checks")
    single = column(checks.open_checks_table(case, plan), "Verdict")
    assert sum(grouped) == single.count("met within rounding")


def test_the_terminal_tells_limits_passed_and_counts_the_others():
    table = checks.passed_table(CASE, PLAN)
    assert column(table, "Limit") == [
        "frozen meat in House Patty 80 at most 25 % (invented buyer's sheet, 2)"
    ]
    assert column(table, "Read") == ["25.03 %"]
    assert table.note.startswith("3 limits of 1 standard apply; all are on the workbook's")


def test_without_standards_none_are_counted():
    table = checks.passed_table(replace(CASE, standards=()), replace(PLAN, certificate=NO_CHECKS))
    assert table.rows == ()
    assert "None of today's products" in table.note


def test_standards_are_told_in_full_where_they_are_asked_for():
    short = {table.title for table in terminal_tables(CASE, PLAN)}
    full = {table.title for table in terminal_tables(CASE, PLAN, standards=True)}
    assert full - short == {"Standards"}
    assert column(checks.standards_table(CASE, PLAN), "Products") == ["GB80"] * 3


def test_the_terminal_tells_what_to_do_first_and_what_to_mind_last():
    titles = [table.title for table in terminal_tables(CASE, PLAN)]
    order = ["Buy and pull", "Blends", "Recipe: House Patty 80", "Money", "What products cost",
             "Lots set aside today", "How good the plan is", "Cautions"]  # fmt: skip
    places = [titles.index(title) for title in order]
    assert places == sorted(places)
    assert places[0] == 0
    assert places[-1] == len(titles) - 1


def with_bound(bound, **more):
    return replace(PLAN, certificate=replace(PLAN.certificate, bound=bound, **more))


def test_a_plan_in_one_line():
    cost = PLAN.money.total_usd
    assert summary_line(CASE, PLAN) == (
        f"Day's cost ${cost:,.0f}. No plan that keeps every order and limit in full can be more "
        "than $5 (0.02%) cheaper, certified exactly. "
        "Plan for 2026-11-25: 16,007 lb in 9 batches of 2 products, 2.3282 USD/lb of meat."
    )


def test_the_line_never_claims_more_than_the_bound_shows():
    gap = Bound(998.49, 998.49, "hand", 1_000.0)
    line = summary_line(CASE, replace(with_bound(gap, checks=()), stopped_early=True))
    assert "Day's cost $1,000." in line and "$2 (0.16%)" in line and "stopped early" in line
    assert "the solver's own bound" in line and "certified" not in line
    none = Bound(1_000.0, 1_000.0, "hand", 1_000.0, is_certified=True)
    assert "$1 (0.01%) cheaper, certified exactly" in summary_line(CASE, with_bound(none))


def test_what_rounding_leaves_short_is_on_the_first_line_and_in_the_blends():
    requirement = Requirement(ConstraintClass.VOLUME_MIN, "GB80")
    short = Check(requirement, 9_999.96, 10_000, None, "lb", 5, Verdict.WITHIN_ROUNDING)
    below = Bound(1_000.0, 1_000.0, "hand", 998.0)
    plan = with_bound(below, checks=(short,))
    line = summary_line(CASE, plan)
    assert "short by up to 0.1 lb from rounding" in line
    assert "No plan that keeps every order and limit in full is cheaper" in line
    assert 0.1 in column(quantities.blends_table(CASE, plan), "Short")


def test_a_plan_that_makes_nothing_says_so():
    money = replace(PLAN.money, finished_lb=0.0)
    assert "nothing is made" in summary_line(CASE, replace(PLAN, runs=(), money=money))


@settings(max_examples=15, deadline=None)
@given(cases())
def test_no_check_goes_missing(case):
    plan = any_plan(case)
    counted = checks.verdicts_table(plan)
    assert sum(column(counted, "Checks")) == len(plan.certificate.checks)
    told = len(checks.open_checks_table(case, plan).rows)
    quiet = [c for c in plan.certificate.checks if c.verdict in (Verdict.MET, Verdict.NOTE)]
    assert told == len(plan.certificate.checks) - len(quiet)


def test_old_and_remembered_standards_are_marked():
    remarks = column(checks.standards_table(CASE, PLAN), "Remark")
    assert remarks == [
        "",
        "Read more than a year ago: read the current text.",
        "Confirm it.",
    ]
    read_on = column(checks.standards_table(CASE, PLAN), "Read on")
    assert read_on == ["2026-11-01", "2025-11-01", "from memory"]


def test_what_a_standard_leaves_open_is_told_where_it_is_passed_or_cannot_be_checked():
    case = replace(CASE, standards=tuple(replace(row, note=row.row_id) for row in CASE.standards))
    remarks = column(checks.standards_table(case, PLAN), "Remark")
    told = [remark.split()[0] if remark else "" for remark in remarks]
    assert told == ["", "frozen_max", "no_added_water"]


def test_a_plan_stopped_early_says_so():
    note = checks.bound_table(replace(PLAN, stopped_early=True)).note
    assert "stopped early" in note
    assert "stopped early" not in checks.bound_table(PLAN).note


def test_lots_set_aside_are_told_with_the_reason():
    table = quantities.set_aside_table(CASE)
    assert column(table, "Lot") == ["F90-99", "S65-00"]
    assert column(table, "Why") == ["first available 2026-11-27", "none left"]


def test_labels_are_told_species_origins_and_label_claims_of_every_lot():
    rows = checks.labels_table(CASE, PLAN).rows
    assert rows[0] == ("House Patty 80", "beef", "domestic, Uruguay", "")
    only_90s = replace(PLAN.runs[0], ingredients=PLAN.runs[0].ingredients[:1])
    assert checks.held_words(CASE, replace(PLAN, runs=(only_90s,)), "GB80")[2] == "no-hormone"


@pytest.mark.parametrize(
    "word", ["40 °F (4 °C)", "nutrition", "origin", "current text", "inspector"]
)
def test_cautions_are_always_told(word):
    assert word in tables_text(plan_tables(CASE, PLAN))


# Text ------------------------------------------------------------------------------------------


def test_text_fits_the_terminal():
    text = tables_text(plan_tables(CASE, PLAN))
    assert max(map(len, text.splitlines())) <= WIDTH


@settings(max_examples=15, deadline=None)
@given(cases())
def test_any_case_can_be_shown_and_fits_the_terminal(case):
    text = tables_text(plan_tables(case, any_plan(case)))
    assert all(char.isprintable() or char == "\n" for char in text)
    assert max(map(len, text.splitlines())) <= WIDTH


def test_text_shows_every_cell_and_the_total():
    table = quantities.purchases_table(CASE, PLAN)
    text = table_text(table)
    for row in [*table.rows, table.totals]:
        for each, cell in zip(table.columns, row, strict=True):
            if each.name != "Item":
                assert each.text(cell) in text
    assert re.search(r"^Total +16,158 +16,050 +108 +37,267\.27$", text, re.MULTILINE)


def test_ids_that_look_like_numbers_stay_as_they_are():
    table = shown_table("Lots", [ShownColumn("Lot")], [("007",), ("1e5",), ("0x1F",)])
    assert table_text(table).splitlines()[-3:] == ["007", "1e5", "0x1F"]


def test_long_words_break_only_where_lines_cannot():
    columns = [ShownColumn("Lot"), ShownColumn("Why")]
    table = shown_table("Lots", columns, [("A" * 30, "because of this and that " * 10)])
    assert "A" * 30 in table_text(table, 60)
    assert max(map(len, table_text(table, 30).splitlines())) <= 30


def test_control_characters_never_reach_the_terminal():
    table = shown_table("T", [ShownColumn("Item")], [("90s\x1b[2J\r\nfat\x00",)], "n\x07")
    assert all(char.isprintable() or char == "\n" for char in table_text(table))


def test_squeezing_takes_from_the_widest_and_stops_at_the_floors():
    assert squeezed([30, 20, 5], [10, 10, 5], 40) == [17, 18, 5]
    assert squeezed([30, 20, 5], [28, 19, 5], 40) == [28, 19, 5]
    assert squeezed([3, 2], [1, 1], 40) == [3, 2]


def test_columns_of_a_narrower_table_take_up_those_they_need():
    widths = shared_widths([[5, 20, 8, 8], [24, 8]])
    assert widths == [5, 20, 8, 8]
    assert spans_in(widths, [24, 8]) == [(1, 2), (3, 3)]


def test_where_there_are_too_few_columns_the_widest_is_widened():
    widths = shared_widths([[5, 20, 8], [40, 8]])
    assert widths == [5, 35, 8]


@given(st.lists(st.lists(st.integers(1, 60), max_size=6), min_size=1, max_size=4))
def test_every_table_finds_room_on_the_sheet_it_shares(needed):
    widths = shared_widths(needed)
    for table in needed:
        spans = spans_in(widths, table)
        assert [first for first, _ in spans] == [1, *(last + 1 for _, last in spans)][: len(spans)]
        assert all(last <= len(widths) for _, last in spans)
        for width, (first, last) in zip(table, spans, strict=True):
            assert sum(widths[first - 1 : last]) >= width


def test_infinite_shadow_prices_are_words_not_numbers():
    text = tables_text(plan_tables(CASE, PLAN))
    assert "inf" not in re.findall(r"\binf\b", text)
    assert not math.isinf(sum(c for t in plan_tables(CASE, PLAN) for r in t.rows for c in r
                              if isinstance(c, float)))  # fmt: skip
