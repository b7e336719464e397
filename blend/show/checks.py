"""The certificate as tables: how close to the cheapest, what was checked, which standards."""

from __future__ import annotations

from collections import Counter
from itertools import groupby

from blend.domain.case import Case
from blend.domain.plan import Check, Plan, Verdict
from blend.domain.standards import Action, StandardRow
from blend.show.amounts import amount_words, count_of
from blend.show.gap import BY_SOLVER, CERTIFIED, rounding_short_words
from blend.show.shown import Format, ShownColumn, ShownTable, shown_table
from blend.show.words import (
    CONSTRAINT_CLASS_WORDS,
    VERDICT_WORDS,
    requirement_words,
    standard_row_of,
)
from blend.units import POINTS_PER_SHARE

_ACTION_WORDS = {
    Action.REFUSE: "the plan is made to it",
    Action.WARN: "checked, not made to",
    Action.NOTE: "confirm by hand",
}


def bound_table(plan: Plan) -> ShownTable:
    """What the printed plan costs, and what no plan can cost less than."""
    bound = plan.certificate.bound
    columns = (
        ShownColumn("Cost"),
        ShownColumn("Meaning"),
        ShownColumn("Amount", "USD", Format.HUNDREDTHS),
    )
    voucher = CERTIFIED if bound.is_certified else BY_SOLVER
    rows = [
        ("this plan", "as printed, in whole pounds", bound.printed_usd),
        ("before rounding", "the same, every order and limit in full", bound.objective_usd),
        (
            "floor",
            "no plan that keeps every order and limit in full costs less; "
            f"{voucher}, {bound.method}",
            bound.bound_usd,
        ),
        ("gap", "this plan less the floor", bound.gap_usd),
    ]
    note = f"The gap is {bound.gap_share * POINTS_PER_SHARE:.4f}% of this plan's cost."
    if bound.gap_usd < 0:
        note = f"{note} It is below zero because rounding leaves this plan short of a limit."
    if short := rounding_short_words(plan):
        note = f"{note} {short}"
    if plan.stopped_early:
        note = f"{note} The search was stopped early: this is the best plan found so far."
    if plan.pricing_stopped:
        note = f"{note} Pricing was stopped early: some of what things are worth is not told."
    return shown_table("How good the plan is", columns, rows, note)


def verdicts_table(plan: Plan) -> ShownTable:
    """How many checks came out how."""
    count = Counter(check.verdict for check in plan.certificate.checks)
    columns = (
        ShownColumn("Verdict"),
        ShownColumn("Meaning"),
        ShownColumn("Checks", "", Format.WHOLE, is_summed=True),
    )
    rows = [(verdict.value, VERDICT_WORDS[verdict], count[verdict]) for verdict in Verdict]
    note = "Each requirement was held against the rounded plan by plain arithmetic."
    return shown_table("Checks", columns, rows, note)


def open_checks_table(case: Case, plan: Plan) -> ShownTable:
    """Every check that is not simply met; notes of standards stand in their own table."""
    columns = (
        ShownColumn("Verdict"),
        ShownColumn("Requirement"),
        ShownColumn("Read", "", Format.READING),
        ShownColumn("Least", "", Format.READING),
        ShownColumn("Most", "", Format.READING),
        ShownColumn("Rounding", "", Format.READING),
        ShownColumn("Remark"),
    )
    rows = []
    for check in plan.certificate.checks:
        row = standard_row_of(check.requirement, case)
        is_told_below = row is not None and row.action is Action.NOTE
        if check.verdict is Verdict.MET or is_told_below:
            continue
        rows.append(
            (
                check.verdict.value,
                requirement_words(check.requirement, case),
                amount_words(check.read, check.unit),
                amount_words(check.minimum, check.unit),
                amount_words(check.maximum, check.unit),
                amount_words(check.allowance, check.unit),
                check.note,
            )
        )
    note = (
        "Rounding: how far whole pounds alone can carry the reading."
        if rows
        else "None: every check is simply met."
    )
    return shown_table("Checks to look at", columns, rows, note)


def rounding_table(case: Case, plan: Plan) -> ShownTable:
    """Checks that are met only within rounding, one line for each family of requirements."""
    columns = (
        ShownColumn("Requirements"),
        ShownColumn("Checks", "", Format.WHOLE, is_summed=True),
        ShownColumn("Products", "", Format.WHOLE),
        ShownColumn("Farthest off", "", Format.READING),
        ShownColumn("Rounding can move", "", Format.READING),
        ShownColumn("Which"),
    )
    within = [c for c in plan.certificate.checks if c.verdict is Verdict.WITHIN_ROUNDING]
    within.sort(key=lambda check: check.requirement.constraint_class)
    rows = []
    for constraint_class, each in groupby(
        within, key=lambda check: check.requirement.constraint_class
    ):
        checks = list(each)
        farthest = max(checks, key=_off)
        rows.append(
            (
                CONSTRAINT_CLASS_WORDS[constraint_class],
                len(checks),
                len({c.requirement.product_id for c in checks} - {""}) or None,
                amount_words(_off(farthest), farthest.unit),
                amount_words(farthest.allowance, farthest.unit),
                _which(farthest, case),
            )
        )
    note = (
        "Off by no more than whole pounds alone can move; the workbook's Certificate sheet has every one."
        if rows
        else "None."
    )
    return shown_table("Met within rounding", columns, rows, note)


def _off(check: Check) -> float:
    """By how much a reading passes its limit."""
    below = 0.0 if check.minimum is None else check.minimum - check.read
    above = 0.0 if check.maximum is None else check.read - check.maximum
    return max(below, above, 0.0)


def _which(check: Check, case: Case) -> str:
    """The product that a check concerns, else its lot or rule."""
    requirement = check.requirement
    if requirement.product_id:
        return case.product(requirement.product_id).name
    return f"lot {requirement.lot_id}" if requirement.lot_id else f"rule {requirement.rule_id}"


def passed_table(case: Case, plan: Plan, *, all_follow: bool = False) -> ShownTable:
    """Limits of standards that the plan passes though it was not made to them, and how many
    limits there are; `all_follow` where these are told next."""
    columns = (
        ShownColumn("Limit"),
        ShownColumn("Read", "", Format.READING),
        ShownColumn("Remark"),
    )
    rows = [
        (
            requirement_words(check.requirement, case),
            amount_words(check.read, check.unit),
            check.note,
        )
        for check in plan.certificate.checks
        if check.verdict is Verdict.WARNING
    ]
    laid = _laid_rows(case)
    if not laid:
        return shown_table("Standards", columns, rows, _NO_STANDARD)
    limits = count_of(len(laid), "limit")
    standards = count_of(len({row.standard_id for row in laid}), "standard")
    verb = "applies" if len(laid) == 1 else "apply"
    passed = "" if rows else "None is passed. "
    where = "below" if all_follow else "on the workbook's Standards sheet, or add --standards"
    note = f"{passed}{limits} of {standards} {verb}; all are {where}."
    return shown_table("Limits of standards that are passed", columns, rows, note)


_NO_STANDARD = "None of today's products is labeled or bought under a standard."


def _laid_rows(case: Case) -> list[StandardRow]:
    """Rows of the standards that today's products are labeled or bought under."""
    named = {standard_id for product in case.products for standard_id in product.standards}
    return [row for row in case.standards if row.standard_id in named]


def standards_table(case: Case, plan: Plan) -> ShownTable:
    """Rows of the published standards that today's products are held to, with what they leave
    open where a row cannot be checked or is passed."""
    day = case.settings.plan_on
    open_rows = {
        standard_row_of(check.requirement, case)
        for check in plan.certificate.checks
        if check.verdict is not Verdict.MET
    }
    columns = (
        ShownColumn("Products"),
        ShownColumn("Section"),
        ShownColumn("Says"),
        ShownColumn("Here"),
        ShownColumn("Read on"),
        ShownColumn("Remark"),
    )
    rows = []
    for row in _laid_rows(case):
        ids = [p.product_id for p in case.products if row.standard_id in p.standards]
        remarks = [row.note] if row.note and row in open_rows else []
        is_remembered = row.verified == "memory"
        if is_remembered:
            remarks.append("Confirm it.")
        elif row.is_stale(day):
            remarks.append("Read more than a year ago: read the current text.")
        rows.append(
            (
                ", ".join(ids),
                row.section,
                row.title,
                _ACTION_WORDS[row.action],
                "from memory" if is_remembered or row.read_on is None else row.read_on.isoformat(),
                " ".join(remarks),
            )
        )
    note = "" if rows else _NO_STANDARD
    return shown_table("Standards", columns, rows, note)


def labels_table(case: Case, plan: Plan) -> ShownTable:
    """What each product holds, as far as its label may speak of it."""
    columns = (
        ShownColumn("Product"),
        ShownColumn("Species"),
        ShownColumn("Origins"),
        ShownColumn("Programs of every lot"),
    )
    rows = [
        (case.product(product_id).name, *held_words(case, plan, product_id))
        for product_id in dict.fromkeys(run.product_id for run in plan.runs)
    ]
    note = "As the tables state it; a label needs the papers of the lots that were ground."
    return shown_table("Species, origins and programs", columns, rows, note)


def held_words(case: Case, plan: Plan, product_id: str) -> tuple[str, str, str]:
    """Species, origins, and programs that every lot carries, of what goes into a product."""
    lots = [
        case.lot(each.lot_id)
        for run in plan.runs
        if run.product_id == product_id
        for each in run.ingredients
    ]
    held = (
        {lot.species for lot in lots},
        {lot.origin for lot in lots},
        frozenset.intersection(*(lot.label_claims for lot in lots)),
    )
    species, origins, label_claims = (", ".join(sorted(each, key=str.casefold)) for each in held)
    return species, origins, label_claims


CAUTIONS = (
    "Fat, lean and nutrition claims: these figures are reckoned from the lean stated for each "
    "lot, and lots and tests vary. Test the finished product before claiming anything of it.",
    "Species, origin and program labels: check them against the lots that were ground, not "
    "only against this plan.",
    "Grinding temperature: meat at or below 40 °F (4 °C), the room at or below 10 °C, as published "
    "in Good Retail Practices No. 4, Grinding. The plant's own food safety plan comes first.",
    "Regulations change, and rows here are readings of them. The current text and the inspector "
    "decide.",
)


def cautions_table() -> ShownTable:
    """What anyone who acts on the plan should bear in mind."""
    return shown_table("Cautions", (ShownColumn(""),), [(caution,) for caution in CAUTIONS])
