"""The safe plan as tables: what safety costs, the margins, what tests are worth, simulations."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from blend.domain.case import Case
from blend.domain.uncertainty import ASSUMES_INDEPENDENT, Sides
from blend.show.amounts import dollars
from blend.show.gap import gap_words, rounding_short_words
from blend.show.shown import Format, ShownColumn, ShownTable, shown_table
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

if TYPE_CHECKING:
    from blend.grinder.safe import SafePlan

SIDE_WORDS = {Sides.BELOW: "least lean", Sides.ABOVE: "most lean"}
_P = POINTS_PER_SHARE


def safety_table(safe: SafePlan) -> ShownTable:
    """Both plans' cost side by side, and what the promises add."""
    columns = (
        ShownColumn("Plan"),
        ShownColumn("As weighed", "USD", Format.HUNDREDTHS),
        ShownColumn("A cwt made", "USD", Format.HUNDREDTHS),
        ShownColumn("Divisible", "USD", Format.HUNDREDTHS),
    )

    def per_cwt(usd: float, finished_lb: float) -> float:
        return usd * LB_PER_CWT / finished_lb

    plan, without = safe.plan.money, safe.without.money
    rows = [
        (
            "limits hold on average",
            without.total_usd,
            per_cwt(without.total_usd, without.finished_lb),
            safe.divisible_without_usd,
        ),
        (
            "limits hold as promised",
            plan.total_usd,
            per_cwt(plan.total_usd, plan.finished_lb),
            safe.divisible_usd,
        ),
        (
            "what safety costs",
            safe.safety_usd,
            safe.safety_usd_per_cwt,
            safe.divisible_safety_usd,
        ),
    ]
    gap = gap_words(
        plan.total_usd,
        safe.any_plan_usd,
        is_certified=safe.is_floor_certified,
        is_short_by_rounding=safe.plan.is_short_by_rounding,
        plans="plan with these confidences",
    )
    note = f"Day's cost {dollars(plan.total_usd)}. {gap} Every confidence {ASSUMES_INDEPENDENT}."
    if short := rounding_short_words(safe.plan):
        note += f" {short}"
    note += (
        " Divisible: containers, counts and batches in parts; their difference is free of the"
        " chance that whole ones bring."
    )
    if safe.plan.stopped_early:
        note += " The search was stopped early: this is the best plan found so far."
    if safe.tests_stopped:
        note += " Pricing was stopped early: not every test's worth is told."
    return shown_table("What safety costs", columns, rows, note)


def chance_constraints_table(case: Case, safe: SafePlan) -> ShownTable:
    """Where each promised batch lands, how far it keeps from its limit, and how sure that is."""
    columns = (
        ShownColumn("Product"),
        ShownColumn("Limit"),
        ShownColumn("At", "%", Format.HUNDREDTHS),
        ShownColumn("Lean", "%", Format.HUNDREDTHS),
        ShownColumn("Spread", "points", Format.HUNDREDTHS),
        ShownColumn("Margin", "points", Format.HUNDREDTHS),
        ShownColumn("Needed", "points", Format.HUNDREDTHS),
        ShownColumn("Sure", "%", Format.HUNDREDTHS),
        ShownColumn("Asked", "%", Format.HUNDREDTHS),
        ShownColumn("Promise"),
    )
    recipes = {check.product_id: 0 for check in safe.chance_constraints}
    for check in safe.chance_constraints:
        recipes[check.product_id] = max(recipes[check.product_id], check.run)
    rows = []
    for check in safe.chance_constraints:
        name = case.product(check.product_id).name
        if recipes[check.product_id] > 1:
            name += f", recipe {check.run} of {recipes[check.product_id]}"
        rows.append(
            (
                name,
                SIDE_WORDS[check.side],
                check.limit_share * _P,
                check.lean * _P,
                check.sd_share * _P,
                check.margin_share * _P,
                check.needed_share * _P,
                check.confidence * _P,
                check.asked * _P,
                "kept" if check.is_kept else "BROKEN",
            )
        )
    note = (
        f"Sure: {ASSUMES_INDEPENDENT}; lots of one untested supplier may share a bias, which makes"
        " the true confidence lower."
        " Spread: standard deviation of a batch's tested lean, from lots, containers, mixing and"
        " test. Margin and need are lean points from the limit. Held in exact fractions."
    )
    return shown_table("Promises", columns, rows, note)


def tests_value_table(case: Case, safe: SafePlan) -> ShownTable:
    """Lots by what one more test of them saves."""
    columns = (
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Error", "points", Format.HUNDREDTHS),
        ShownColumn("After one test", "points", Format.HUNDREDTHS),
        ShownColumn("Saves", "USD", Format.HUNDREDTHS),
        ShownColumn("Test", "USD", Format.HUNDREDTHS),
        ShownColumn("Gain", "USD", Format.HUNDREDTHS),
        ShownColumn("Tests that pay", "", Format.WHOLE),
    )
    rows = [
        (
            value.lot_id,
            case.lot(value.lot_id).item,
            value.standard_error_share * _P,
            value.error_after_share * _P,
            value.saving_usd,
            value.test_cost_usd,
            value.gain_usd,
            value.tests_that_pay,
        )
        for value in safe.tests
    ]
    note = (
        "Of lots in the plan, each by itself, containers divisible: savings of two lots do not"
        " add up. A test narrows a lot's error; that it also moves the lot's mean either way is"
        " not counted."
    )
    return shown_table("What one more test is worth", columns, rows, note)


def safe_cautions_table() -> ShownTable:
    rows = [
        (
            f"Every confidence {ASSUMES_INDEPENDENT}, normally distributed. Lots of one untested"
            " supplier may share a bias, and real meat strays further now and then.",
        ),
        ("A promise rests on the spread in lean_spread.csv: keep it by the plant's own tests.",),
        ("The plant's own sampling, the current text of the rule and the inspector decide.",),
    ]
    return shown_table("Cautions", (ShownColumn(""),), rows)


def safe_tables(case: Case, safe: SafePlan) -> Iterable[ShownTable]:
    yield safety_table(safe)
    yield chance_constraints_table(case, safe)
    if safe.tests:
        yield tests_value_table(case, safe)
