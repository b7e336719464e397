"""A plan's tables as DataFrames. Columns carry their unit; shares are percents."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from blend.domain.case import Case
from blend.domain.plan import BatchRun, Check, Plan, ShadowPrice, Verdict
from blend.domain.requirements import Requirement
from blend.domain.rules import kept_per_lb
from blend.domain.standards import Action, StandardRow
from blend.domain.stock import expires_today
from blend.grinder.odds import FloorOdds
from blend.output.formats import Format, day, pounds, register, value
from blend.output.frames import DataFrame, frame
from blend.output.gap import BY_SOLVER, CERTIFIED, short_tenths
from blend.phrases import STEP_WORDS, containers, requirement_words, standard_row_of
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from blend.grinder.whole_break_even import WholeBreakEven

_LEAST_SAVING = 0.00005
"""$/lb: half a cent per cwt; less is no saving."""

register(
    {
        "action": Format(""),
        "taken_lb": Format("Taken", "lb", 0, is_summed=True),
        "leftover_lb": Format("Left over", "lb", 0),
        "pulled_lb": Format("Pulled", "lb", 0, is_summed=True),
        "left_lb": Format("Left", "lb", 0, is_summed=True),
        "books_usd_per_cwt": Format("Cost", "$/cwt", 2),
        "expires_unused_lb": Format("Expires unused", "lb", 0, is_summed=True),
        "expires_books_usd": Format("At cost", "$", 2, is_summed=True),
        "purchase_usd": Format("Cost", "$", 2, is_summed=True),
        "lot_lean_percent": Format("Lean", "%", 2),
        "weigh_lb": Format("Each batch", "lb", 0, is_summed=True),
        "run_lb": Format("All batches", "lb", 0, is_summed=True),
        "of_batch_percent": Format("Of batch", "%", 2),
        "finished_lb": Format("Pounds", "lb", 0),
        "short_of_order_lb": Format("Short", "lb", 1),
        "min_lean_percent": Format("Min", "%", 1),
        "target_lean_percent": Format("Target", "%", 1),
        "max_lean_percent": Format("Max", "%", 1),
        "floor_odds_percent": Format("Odds", "%", 0),
        "batch_error_points": Format("Std. dev. of a test", "points", 2),
        "next_cwt_usd": Format("Next cwt", "$", 2),
        "leaner_point_usd": Format("One point leaner, whole order", "$", 0),
        "fatter_point_usd": Format("One point fatter, whole order", "$", 0),
        "loosening_saves_usd": Format("Saves per unit loosened", "$", 2),
        "tightening_costs_usd": Format("Costs per unit tightened", "$", 2),
        "per": Format("Unit"),
        "plan_lb": Format("In the plan", "lb", 0),
        "if_split_lb": Format("If combos could be split", "lb", 0),
        "drop_over_usd_per_cwt": Format("Drop if over", "$/cwt", 2),
        "buy_under_usd_per_cwt": Format("Buy if under", "$/cwt", 2),
        "priced_lb": Format("Pounds", "lb", 0),
        "drop_over_from_usd_per_cwt": Format("Drop if over: from", "$/cwt", 2),
        "drop_over_to_usd_per_cwt": Format("to", "$/cwt", 2),
        "buy_under_from_usd_per_cwt": Format("Buy if under: from", "$/cwt", 2),
        "buy_under_to_usd_per_cwt": Format("to", "$/cwt", 2),
        "next_cwt_saves_usd": Format("Next cwt saves", "$", 2),
        "money_usd": Format("Amount", "$", 2, is_summed=True),
        "figure_usd": Format("Amount", "$", 2),
        "value_text": Format("Plan has"),
        "limit_text": Format("Limit is"),
        "label_claims": Format("Claims of every lot"),
        "product_ids": Format("Products"),
        "make": Format("MAKE"),
        "batch_count": Format("Batches", "", 0),
        "spec": Format("Min/target/max %"),
        "side": Format("Limit"),
        "limit_percent": Format("At", "%", 1),
        "error_points": Format("Std. dev.", "points", 2),
        "confidence_percent": Format("Held", "%", 1),
        "after_test_points": Format("After one test", "points", 2),
        "saves_usd": Format("Saves", "$", 2),
        "test_usd": Format("Test costs", "$", 2),
        "tests_that_pay": Format("Tests that pay", "", 0),
        "checks": Format("Checks", "", 0, is_summed=True),
        "coldest_f": Format("Coldest lot", "°F", 1),
        "warmest_f": Format("Warmest lot", "°F", 1),
        "remove_btu": Format("Heat to take out, batch", "Btu", 0),
    }
)


def recipe_numbers(plan: Plan) -> list[tuple[int, BatchRun]]:
    """Every run with the number of its recipe within the product, from 1."""
    count: dict[str, int] = {}
    numbered = []
    for run in plan.runs:
        count[run.product_id] = count.get(run.product_id, 0) + 1
        numbered.append((count[run.product_id], run))
    return numbered


def purchases(case: Case, plan: Plan) -> DataFrame:
    """One row for each lot taken: action (BUY or PULL), pounds taken, used and left over, price
    and cost delivered; for stock, on the books."""
    columns = (
        "action", "lot_id", "item", "supplier", "containers", "taken_lb", "used_lb",
        "leftover_lb", "delivered_usd_per_cwt", "purchase_usd", "use_by",
    )  # fmt: skip
    rows = []
    for take in plan.takes:
        lot = case.lot(take.lot_id)
        rows.append(
            (
                "PULL" if lot.is_on_hand else "BUY",
                lot.lot_id,
                lot.item,
                lot.supplier,
                containers(take.containers, lot.container),
                take.pounds_lb,
                take.used_lb,
                take.leftover_lb,
                lot.cost_usd_per_lb * LB_PER_CWT,
                take.pounds_lb * lot.cost_usd_per_lb,
                lot.use_by,
            )
        )
    rows.sort(key=lambda row: row[0] == "BUY")
    return frame(columns, rows)


def products(case: Case, plan: Plan, odds: Iterable[FloorOdds]) -> DataFrame:
    """One row for each product: batches, finished pounds, lean against spec, meat cost, and the
    odds that a batch tests at or above its lean floor (the lowest of its recipes)."""
    columns = (
        "product_id", "product", "batches", "finished_lb", "short_of_order_lb", "lean_percent",
        "min_lean_percent", "target_lean_percent", "max_lean_percent", "meat_usd_per_cwt",
        "floor_odds_percent", "batch_error_points",
    )  # fmt: skip
    lowest: dict[str, FloorOdds] = {}
    for each in odds:
        if each.product_id not in lowest or each.odds < lowest[each.product_id].odds:
            lowest[each.product_id] = each
    rows = []
    for product in case.products:
        runs = [run for run in plan.runs if run.product_id == product.product_id]
        finished_lb = math.fsum(run.batches * run.finished_lb for run in runs)
        lean_lb = math.fsum(run.batches * run.finished_lb * run.lean for run in runs)
        meat_usd = math.fsum(run.batches * _meat_usd(case, run) for run in runs)
        own = lowest.get(product.product_id)
        rows.append(
            (
                product.product_id,
                product.name,
                sum(run.batches for run in runs),
                finished_lb,
                short_tenths(plan.short_lb(product.product_id)),
                100 * lean_lb / finished_lb if finished_lb else math.nan,
                100 * product.min_lean,
                100 * product.target_lean,
                100 * product.max_lean,
                meat_usd * LB_PER_CWT / finished_lb if finished_lb else math.nan,
                math.nan if own is None else 100 * own.odds,
                math.nan if own is None else 100 * own.sd_share,
            )
        )
    return frame(columns, rows)


def _meat_usd(case: Case, run: BatchRun) -> float:
    return math.fsum(
        each.pounds_lb * case.lot(each.lot_id).cost_usd_per_lb for each in run.ingredients
    )


def recipes(case: Case, plan: Plan) -> DataFrame:
    """One row for each lot of each recipe: pounds weighed into one batch and into all batches,
    before losses, and the lot's percent of the batch after losses."""
    columns = (
        "product_id", "product", "recipe", "batches", "lot_id", "item", "lot_lean_percent",
        "weigh_lb", "run_lb", "of_batch_percent", "containers",
    )  # fmt: skip
    rows = []
    for number, run in recipe_numbers(plan):
        product = case.product(run.product_id)
        for each in run.ingredients:
            lot = case.lot(each.lot_id)
            kept_lb = each.pounds_lb * sum(kept_per_lb(lot, product, case.losses))
            rows.append(
                (
                    product.product_id,
                    product.name,
                    number,
                    run.batches,
                    lot.lot_id,
                    lot.item,
                    100 * lot.lean,
                    each.pounds_lb,
                    run.batches * each.pounds_lb,
                    100 * kept_lb / run.finished_lb,
                    containers(each.containers, lot.container),
                )
            )
    return frame(columns, rows)


def money(plan: Plan) -> DataFrame:
    """The parts of the day's cost, which the plan minimizes; they add up to it."""
    parts = plan.money
    rows = [
        ("Meat bought", parts.meat_usd),
        ("Freight", parts.freight_usd),
        ("Stock pulled, at what it is worth if kept", parts.stock_usd),
        ("Credit for leftovers", -parts.salvage_value_usd),
        ("Short-fill penalty", parts.shortage_penalty_usd),
        ("Sales", -parts.sales_usd),
    ]
    return frame(("part", "money_usd"), rows)


_NOTHING_LB = 0.5
"""Rounding of containers and pounds."""


def stock(case: Case, plan: Plan) -> DataFrame:
    """One row for each usable lot on hand: pounds pulled and left, its cost on the books, what a
    pound is worth if kept, and pounds that expire unused."""
    columns = (
        "lot_id", "item", "use_by", "pulled_lb", "left_lb", "books_usd_per_cwt",
        "if_kept_usd_per_cwt", "expires_unused_lb", "expires_books_usd",
    )  # fmt: skip
    taken_lb = {take.lot_id: take.pounds_lb for take in plan.takes}
    expired_lb = expires_unused_lb(case, plan)
    rows = [
        (
            lot.lot_id,
            lot.item,
            lot.use_by,
            taken_lb.get(lot.lot_id, 0.0),
            math.nan if lot.quantity_lb is None else lot.quantity_lb - taken_lb.get(lot.lot_id, 0),
            lot.cost_usd_per_lb * LB_PER_CWT,
            lot.delivered_usd_per_lb * LB_PER_CWT,
            expired_lb.get(lot.lot_id, 0.0),
            expired_lb.get(lot.lot_id, 0.0) * lot.cost_usd_per_lb,
        )
        for lot in case.usable_lots()
        if lot.is_on_hand
    ]
    return frame(columns, rows)


def expires_unused_lb(case: Case, plan: Plan) -> dict[str, float]:
    """By lot, pounds that expire before the next day of grinding: stock that the plan does not
    use, and what it buys and leaves over."""
    used_lb = {take.lot_id: take.used_lb for take in plan.takes}
    taken_lb = {take.lot_id: take.pounds_lb for take in plan.takes}
    left_lb = {
        lot.lot_id: (lot.quantity_lb or 0.0 if lot.is_on_hand else taken_lb.get(lot.lot_id, 0.0))
        - used_lb.get(lot.lot_id, 0.0)
        for lot in case.usable_lots()
        if expires_today(lot, case.settings)
    }
    return {lot_id: lb for lot_id, lb in left_lb.items() if lb >= _NOTHING_LB}


def marginal_costs(case: Case, plan: Plan) -> DataFrame:
    """Cost of one more finished cwt, and of a target one lean point leaner or fatter on the whole
    order, in the LP relaxation: as if combos and batches could be split."""
    columns = ("product_id", "product", "next_cwt_usd", "leaner_point_usd", "fatter_point_usd")
    rows = [
        (
            each.product_id,
            case.product(each.product_id).name,
            each.next_cwt_usd,
            each.leaner_point_usd,
            each.fatter_point_usd,
        )
        for each in plan.marginal_costs
    ]
    return frame(columns, rows)


def lots(case: Case, plan: Plan) -> DataFrame:
    """Break-even price of every usable lot. The prices and `if_split_lb` are of the LP relaxation,
    as if combos and batches could be split; `plan_lb` is what the printed plan uses."""
    columns = (
        "lot_id", "item", "plan_lb", "if_split_lb", "delivered_usd_per_cwt",
        "drop_over_usd_per_cwt", "buy_under_usd_per_cwt", "next_cwt_saves_usd",
    )  # fmt: skip
    used_lb = {take.lot_id: take.used_lb for take in plan.takes}
    rows = []
    for each in sorted(plan.break_evens, key=lambda each: (not each.is_used, _distance(each))):
        price = _usd_per_cwt(each.break_even_usd_per_lb)
        rows.append(
            (
                each.lot_id,
                case.lot(each.lot_id).item,
                used_lb.get(each.lot_id, 0.0),
                each.relaxed_lb,
                each.delivered_usd_per_lb * LB_PER_CWT,
                price if each.is_used else math.nan,
                math.nan if each.is_used else price,
                each.next_lb_usd * LB_PER_CWT if each.next_lb_usd >= _LEAST_SAVING else math.nan,
            )
        )
    return frame(columns, rows)


def whole_lots(case: Case, found: Iterable[WholeBreakEven]) -> DataFrame:
    """Break-even of lots by planning again in whole containers, each a range."""
    columns = (
        "lot_id", "item", "priced_lb", "delivered_usd_per_cwt", "drop_over_from_usd_per_cwt",
        "drop_over_to_usd_per_cwt", "buy_under_from_usd_per_cwt", "buy_under_to_usd_per_cwt",
    )  # fmt: skip
    rows = []
    for each in found:
        lot = case.lot(each.lot_id)
        ends = [each.low_usd_per_lb * LB_PER_CWT, each.high_usd_per_lb * LB_PER_CWT]
        blank = [math.nan, math.nan]
        shown = [*ends, *blank] if each.is_used else [*blank, *ends]
        delivered = lot.delivered_usd_per_lb * LB_PER_CWT
        rows.append((each.lot_id, lot.item, each.taken_lb, delivered, *shown))
    return frame(columns, rows)


def _usd_per_cwt(usd_per_lb: float | None) -> float:
    """NaN where there is no price; infinite where no plan exists without the lot."""
    return math.nan if usd_per_lb is None else usd_per_lb * LB_PER_CWT


def _distance(each: Any) -> tuple[float, str]:
    price = each.break_even_usd_per_lb
    distance = math.inf if price is None else abs(price - each.delivered_usd_per_lb)
    return distance, each.lot_id


def limits(case: Case, plan: Plan) -> DataFrame:
    """One row for each limit the plan was checked against: its value in the printed plan, and its
    shadow prices in the LP relaxation, as if combos and batches could be split.

    `value`, `minimum` and `maximum` are in `unit` (shares are fractions of 1). Limits without a
    check of their own, such as supply, have shadow prices alone.
    """
    columns = (
        "limit", "product_id", "lot_id", "rule_id", "value", "minimum", "maximum", "unit",
        "verdict", "note", "section", "per", "loosening_saves_usd", "tightening_costs_usd",
    )  # fmt: skip
    prices = {each.requirement: each for each in plan.shadow_prices}
    rows = [
        _limit_row(case, check.requirement, check, prices.pop(check.requirement, None))
        for check in plan.certificate.checks
    ]
    rows += [_limit_row(case, each, None, price) for each, price in prices.items()]
    return frame(columns, rows)


def _limit_row(
    case: Case, requirement: Requirement, check: Check | None, price: ShadowPrice | None
) -> tuple[Any, ...]:
    checked = (
        (math.nan, None, None, "", "", "", "")
        if check is None
        else (
            check.read, check.minimum, check.maximum, check.unit, check.verdict.value, check.note,
            check.section,
        )
    )  # fmt: skip
    priced = (
        ("", math.nan, math.nan)
        if price is None
        else (STEP_WORDS[price.step], price.loosening_saves_usd, price.tightening_costs_usd)
    )
    key = (requirement.product_id, requirement.lot_id, requirement.rule_id)
    return (requirement_words(requirement, case), *key, *checked, *priced)


def over_limits(case: Case, plan: Plan) -> DataFrame:
    """Limits of standards that the plan is over; each needs a label or a fix."""
    return _checks(case, plan, Verdict.WARNING)


def label_points(case: Case, plan: Plan) -> DataFrame:
    """Points of standards that the tables cannot check, with the products that each concerns."""
    products_of: dict[str, list[str]] = {}
    for check in plan.certificate.checks:
        row = standard_row_of(check.requirement, case)
        if check.verdict is Verdict.NOTE and row is not None:
            ids = products_of.setdefault(f"{row.title} ({row.section})", [])
            ids.append(check.requirement.product_id)
    return frame(
        ("label_point", "product_ids"),
        [(point, ", ".join(ids)) for point, ids in products_of.items()],
    )


def _checks(case: Case, plan: Plan, verdict: Verdict) -> DataFrame:
    columns = ("limit", "value_text", "limit_text", "note")
    rows = [
        (
            requirement_words(check.requirement, case),
            value(check.read, check.unit),
            " to ".join(filter(None, (value(limit, check.unit) for limit in _range(check)))),
            check.note,
        )
        for check in plan.certificate.checks
        if check.verdict is verdict
    ]
    return frame(columns, rows)


def _range(check: Check) -> tuple[float | None, float | None]:
    return check.minimum, check.maximum


def certificate(plan: Plan) -> DataFrame:
    """The printed plan's cost, the floor no plan goes below, and who vouches for it."""
    bound = plan.certificate.bound
    voucher = CERTIFIED if bound.is_certified else BY_SOLVER
    rows = [
        ("This plan", "as printed, in whole pounds", bound.printed_usd),
        ("Before rounding", "every order and limit met in full", bound.objective_usd),
        ("Floor", f"{voucher}: {bound.method}", bound.bound_usd),
        ("Gap", "this plan less the floor", bound.gap_usd),
    ]
    return frame(("figure", "meaning", "figure_usd"), rows)


def standards_in_force(case: Case) -> list[StandardRow]:
    """Rows of the standards that today's products are labeled or bought under."""
    named = {standard_id for product in case.products for standard_id in product.standards}
    return [row for row in case.standards if row.standard_id in named]


def unchecked_standards(case: Case) -> int:
    """How many standards in force have a row not yet checked against the published text."""
    rows = standards_in_force(case)
    return len({row.standard_id for row in rows if row.verified == "memory"})


_ACTION_WORDS = {
    Action.REFUSE: "kept by the plan",
    Action.WARN: "checked, not enforced",
    Action.NOTE: "check by hand",
}


def standards(case: Case, plan: Plan) -> DataFrame:
    """Rows of published standards on today's products, and where each needs a look."""
    open_rows = {
        standard_row_of(check.requirement, case)
        for check in plan.certificate.checks
        if check.verdict is not Verdict.MET
    }
    rows = []
    for row in standards_in_force(case):
        ids = [p.product_id for p in case.products if row.standard_id in p.standards]
        remarks = [row.note] if row.note and row in open_rows else []
        if row.verified == "memory":
            remarks.append("Not yet checked against the published text.")
        elif row.is_stale(case.settings.plan_on):
            remarks.append("Checked more than a year ago: check the current text.")
        rows.append(
            (", ".join(ids), row.section, row.title, _ACTION_WORDS[row.action], " ".join(remarks))
        )
    return frame(("product_ids", "section", "title", "treatment", "remark"), rows)


def labels(case: Case, plan: Plan) -> DataFrame:
    """Species, origins and label claims of what goes into each product, from the tables."""
    rows = [
        (case.product(product_id).name, *contents(case, plan, product_id))
        for product_id in dict.fromkeys(run.product_id for run in plan.runs)
    ]
    return frame(("product", "species", "origins", "label_claims"), rows)


def contents(case: Case, plan: Plan, product_id: str) -> tuple[str, str, str]:
    """Species, origins, and claims that every lot carries, of what goes into a product."""
    used = [
        case.lot(each.lot_id)
        for run in plan.runs
        if run.product_id == product_id
        for each in run.ingredients
    ]
    sets = (
        {lot.species for lot in used},
        {lot.origin for lot in used},
        frozenset.intersection(*(lot.label_claims for lot in used)) if used else frozenset(),
    )
    species, origins, claims = (", ".join(sorted(each, key=str.casefold)) for each in sets)
    return species, origins, claims


def not_available(case: Case) -> DataFrame:
    """Lots that cannot be used today, and why."""
    on = case.settings.plan_on
    rows = [
        (lot.lot_id, lot.item, reason, math.nan if lot.quantity_lb is None else lot.quantity_lb)
        for lot in case.lots
        if (reason := lot.reason_unusable(on)) is not None
    ]
    return frame(("lot_id", "item", "reason", "quantity_lb"), rows)


def table_counts(case: Case) -> DataFrame:
    """How many rows each table holds, with a remark."""
    ordered = pounds(sum(product.min_lb for product in case.products))
    from_standards = len(case.binding_rules()) - len(case.rules)
    on = day(case.settings.plan_on)
    rows = [
        ("lots", len(case.lots), f"{len(case.usable_lots())} usable on {on}"),
        ("products", len(case.products), f"at least {ordered} ordered"),
        ("rules", len(case.rules), f"plus {from_standards} from standards"),
        ("losses", len(case.losses), ""),
        ("limits of standards", len(case.standards), ""),
    ]
    return frame(("table", "count", "remark"), rows)
