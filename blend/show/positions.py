"""A plan of several days as tables: what to buy when, blend, freeze, keep and sell on."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import date

from blend.domain.horizon import FROZEN, DayConstraintClass, DayRequirement, Horizon
from blend.domain.plan import Verdict
from blend.domain.positions import PositionsPlan
from blend.domain.requirements import ConstraintClass, Requirement
from blend.show.amounts import amount_words, count_of, dollars, pounds, printable
from blend.show.gap import gap_words
from blend.show.shown import (
    Cell,
    Format,
    ShownColumn,
    ShownTable,
    shown_table,
    usd_per_cwt,
    usd_per_cwt_column,
)
from blend.show.words import requirement_words
from blend.trader.positions import AS_DIVISIBLE, HorizonInfeasibleSubset
from blend.units import LB_PER_CWT, POINTS_PER_SHARE

LEDGER_COLUMNS = (
    "day",
    "lot_id",
    "item",
    "fresh_or_frozen",
    "from_before_lb",
    "came_in_lb",
    "used_lb",
    "frozen_lb",
    "sold_lb",
    "wasted_lb",
    "kept_lb",
)
_MIN_LB = 0.5
"""Less would show as nothing."""


def positions_tables(horizon: Horizon, plan: PositionsPlan) -> list[ShownTable]:
    """What to buy, blends, what to freeze, sell on and throw away, stock, money, break-even prices, checks."""
    tables = [
        purchases_table(horizon, plan),
        left_alone_table(horizon, plan),
        blends_table(horizon, plan),
        freezes_table(horizon, plan),
        sales_table(horizon, plan),
        wastes_table(horizon, plan),
        stock_table(horizon, plan),
        money_table(plan),
        shadow_prices_table(horizon, plan),
        certificate_table(horizon, plan),
    ]
    return [table for table in tables if table.rows or table.note]


def purchases_table(horizon: Horizon, plan: PositionsPlan) -> ShownTable:
    """Every purchase, day by day, with what a pound more would be worth."""
    columns = (
        ShownColumn("Day"),
        ShownColumn("Offer"),
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Buy", "lb", Format.WHOLE, is_summed=True),
        usd_per_cwt_column("Price"),
        ShownColumn("Cost", "USD", Format.WHOLE, is_summed=True),
        usd_per_cwt_column("Worth here"),
    )
    rows = [
        (
            row.day.isoformat(),
            row.offer_id,
            row.lot_id,
            horizon.lot(row.lot_id).item,
            row.pounds_lb,
            row.price_usd_per_lb * LB_PER_CWT,
            row.pounds_lb * row.price_usd_per_lb,
            usd_per_cwt(row.value_usd_per_lb),
        )
        for row in sorted(plan.purchases, key=lambda row: (row.day, row.lot_id))
        if row.pounds_lb >= _MIN_LB
    ]
    note = (
        "Worth here: at this price one more hundredweight of the offer would neither cost nor "
        "save, with containers divisible and counts held as planned."
    )
    return shown_table("What to buy", columns, rows, note if rows else "Nothing is bought.")


def left_alone_table(horizon: Horizon, plan: PositionsPlan) -> ShownTable:
    """Offers not taken, nearest to being worth their price first."""
    columns = (
        ShownColumn("Day"),
        ShownColumn("Offer"),
        ShownColumn("Item"),
        usd_per_cwt_column("Price"),
        usd_per_cwt_column("Worth here"),
        usd_per_cwt_column("Too dear by"),
    )
    left = [
        row
        for row in plan.purchases
        if row.pounds_lb < _MIN_LB and row.value_usd_per_lb is not None
    ]
    left.sort(key=lambda row: (row.price_usd_per_lb - row.value_usd_per_lb, row.offer_id))
    rows = [
        (
            row.day.isoformat(),
            row.offer_id,
            horizon.lot(row.lot_id).item,
            row.price_usd_per_lb * LB_PER_CWT,
            row.value_usd_per_lb * LB_PER_CWT,
            (row.price_usd_per_lb - row.value_usd_per_lb) * LB_PER_CWT,
        )
        for row in left[:_MAX_LEFT_ALONE]
    ]
    more = len(left) - len(rows)
    note = f"And {count_of(more, 'more offer')}, dearer still for this plan." if more > 0 else ""
    return shown_table("Offers left alone, nearest first", columns, rows, note)


_MAX_LEFT_ALONE = 8


def blends_table(horizon: Horizon, plan: PositionsPlan) -> ShownTable:
    columns = (
        ShownColumn("Day"),
        ShownColumn("Product"),
        ShownColumn("Finished", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Short", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Lean", "%", Format.HUNDREDTHS),
        ShownColumn("Lots", "", Format.WHOLE),
        ShownColumn("Of it frozen", "lb", Format.WHOLE, is_summed=True),
    )
    rows = [
        (
            blend.day.isoformat(),
            horizon.case.product(blend.product_id).name,
            blend.finished_lb,
            blend.short_lb or None,
            None if blend.lean is None else blend.lean * POINTS_PER_SHARE,
            len(blend.ingredients),
            sum(
                part.pounds_lb
                for part in blend.ingredients
                if horizon.lot(part.lot_id).fresh_or_frozen == FROZEN
            ),
        )
        for blend in plan.blends
    ]
    return shown_table("What to blend", columns, rows, "Batches: see each day's own plan.")


def freezes_table(horizon: Horizon, plan: PositionsPlan) -> ShownTable:
    columns = (
        ShownColumn("Day"),
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Freeze", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Makes frozen", "lb", Format.WHOLE, is_summed=True),
    )
    rows = [
        (
            row.day.isoformat(),
            row.lot_id,
            horizon.lot(row.lot_id).item,
            row.fresh_lb,
            row.frozen_lb,
        )
        for row in sorted(plan.freezes, key=lambda row: (row.day, row.lot_id))
        if row.fresh_lb >= _MIN_LB
    ]
    can_freeze = any(cooler.freezing is not None for cooler in horizon.coolers)
    note = "" if rows or not can_freeze else "Nothing is frozen."
    return shown_table("What to freeze", columns, rows, note)


def sales_table(horizon: Horizon, plan: PositionsPlan) -> ShownTable:
    columns = (
        ShownColumn("Day"),
        ShownColumn("Bid"),
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Sell", "lb", Format.WHOLE, is_summed=True),
        usd_per_cwt_column("Price"),
        ShownColumn("Earns", "USD", Format.WHOLE, is_summed=True),
    )
    rows = [
        (
            row.day.isoformat(),
            row.price_id,
            row.lot_id,
            horizon.lot(row.lot_id).item,
            row.pounds_lb,
            row.price_usd_per_lb * LB_PER_CWT,
            row.pounds_lb * row.price_usd_per_lb,
        )
        for row in sorted(plan.sales, key=lambda row: (row.day, row.lot_id))
        if row.pounds_lb >= _MIN_LB
    ]
    note = "" if rows or not horizon.bids() else "Nothing is sold on."
    return shown_table("What to sell on", columns, rows, note)


def wastes_table(horizon: Horizon, plan: PositionsPlan) -> ShownTable:
    columns = (
        ShownColumn("Day"),
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Thrown away", "lb", Format.WHOLE, is_summed=True),
    )
    rows = [
        (row.day.isoformat(), row.lot_id, horizon.lot(row.lot_id).item, row.pounds_lb)
        for row in sorted(plan.wastes, key=lambda row: (row.day, row.lot_id))
        if row.pounds_lb >= _MIN_LB
    ]
    note = "No order, room or bid takes it before its last day." if rows else ""
    return shown_table("What is lost past its day", columns, rows, note)


def stock_table(horizon: Horizon, plan: PositionsPlan) -> ShownTable:
    """Pounds in each cooler at the end of each day."""
    columns = [
        ShownColumn("Cooler"),
        ShownColumn("Room", "lb", Format.WHOLE),
        *(ShownColumn(f"{day:%d %b}", "lb", Format.WHOLE) for day in plan.days),
    ]
    kept = stock_by_store(horizon, plan)
    rows = [
        (
            cooler.cooler_id,
            "no limit" if cooler.capacity_lb is None else cooler.capacity_lb,
            *(kept[cooler.cooler_id, day] for day in plan.days),
        )
        for cooler in horizon.coolers
    ]
    closing = [row for row in plan.ledger if row.day == plan.days[-1] and row.kept_lb >= _MIN_LB]
    worthless = sorted(
        row.lot_id for row in closing if horizon.lot(row.lot_id).salvage_value_usd_per_lb == 0
    )
    note = ""
    if worthless:
        note = (
            f"Counted as worth nothing when the last day ends: {', '.join(worthless)}. "
            "A left-over value in lots.csv would count it."
        )
    return shown_table("What is kept overnight", columns, rows, note)


def stock_by_store(horizon: Horizon, plan: PositionsPlan) -> dict[tuple[str, date], float]:
    """Pounds kept overnight by cooler and day."""
    kept: dict[tuple[str, date], float] = defaultdict(float)
    for row in plan.ledger:
        cooler = horizon.cooler_of(horizon.lot(row.lot_id))
        if cooler is not None:
            kept[cooler.cooler_id, row.day] += row.kept_lb
    return kept


def money_table(plan: PositionsPlan) -> ShownTable:
    money = plan.money
    lines = (
        ("Meat bought, delivered", money.bought_usd),
        ("Freezing", money.freezing_usd),
        ("Keeping overnight", money.holding_usd),
        ("Disposal", money.disposal_usd),
        ("Orders short", money.shortage_penalty_usd),
        ("Products sold", -money.product_sales_usd),
        ("Meat sold on", -money.sold_on_usd),
        ("Left-over value of closing stock", -money.closing_value_usd),
    )
    rows = [line for line in lines if line[1]]
    columns = (ShownColumn("Money"), ShownColumn("Cost", "USD", Format.WHOLE, is_summed=True))
    return shown_table("What it costs", columns, rows, "Opening stock is paid for already.")


def shadow_prices_table(horizon: Horizon, plan: PositionsPlan) -> ShownTable:
    """What orders cost at the margin, and what room, freezer and day rules hold back."""
    columns = (
        ShownColumn("Day"),
        ShownColumn("What"),
        ShownColumn("Next cwt costs", "USD", Format.HUNDREDTHS),
        usd_per_cwt_column("Easing saves"),
    )
    orders = [
        (
            value.day.isoformat(),
            f"order of {horizon.case.product(value.product_id).name}",
            "no plan" if math.isinf(value.next_cwt_usd) else value.next_cwt_usd,
            None,
        )
        for value in plan.order_prices
    ]
    rooms = [
        (
            value.requirement.day.isoformat(),
            day_requirement_words(value.requirement, horizon),
            None,
            value.loosening_saves_usd_per_cwt,
        )
        for value in plan.capacity_prices
    ]
    note = "Rates at this plan, with containers divisible and counts held as planned."
    rows: list[tuple[Cell, ...]] = [*orders, *rooms]
    return shown_table("What orders and rooms are worth", columns, rows, note if rows else "")


def certificate_table(horizon: Horizon, plan: PositionsPlan) -> ShownTable:
    """How good the plan is, and the checks that a reader can do something about."""
    columns = (
        ShownColumn("Verdict"),
        ShownColumn("Day"),
        ShownColumn("Requirement"),
        ShownColumn("Read", "", Format.READING),
        ShownColumn("Least", "", Format.READING),
        ShownColumn("Most", "", Format.READING),
    )
    rows = [
        (
            check.verdict.value,
            check.requirement.day.isoformat(),
            day_requirement_words(check.requirement, horizon),
            amount_words(check.read, check.unit),
            amount_words(check.minimum, check.unit),
            amount_words(check.maximum, check.unit),
        )
        for check in plan.checks
        if check.verdict not in (Verdict.MET, Verdict.NOTE) and check.note != AS_DIVISIBLE
    ]
    return shown_table("Certificate", columns, rows, " ".join(_certificate_sentences(plan)))


def _certificate_sentences(plan: PositionsPlan) -> Iterator[str]:
    counted = Counter(check.verdict for check in plan.checks)
    yield f"{counted[Verdict.MET]:,} checks by plain arithmetic are met."
    divisible = sum(check.note == AS_DIVISIBLE for check in plan.checks)
    if divisible:
        yield (
            f"{count_of(divisible, 'requirement')} on containers, counts and least amounts not "
            "kept, as they were taken as divisible."
        )
    if counted[Verdict.NOTE]:
        notes = count_of(counted[Verdict.NOTE], "condition")
        yield f"{notes} of standards that the tables cannot check: each day's own plan names them."
    bound = plan.bound
    gap = gap_words(bound.printed_usd, bound.bound_usd, is_certified=bound.is_certified)
    basis = "As if containers, counts and least amounts could be split: " if divisible else ""
    yield f"{basis}Cost of all days {dollars(bound.printed_usd)}. {gap}"
    if plan.stopped_early:
        yield "The search was stopped early: a better plan may exist, within that distance."
    if plan.pricing_stopped:
        yield "Pricing was stopped early: what orders, rooms and offers are worth is not told."
    yield "Pounds are not rounded, and batches are divisible: each day's own plan settles them."


# Words ----------------------------------------------------------------------------------------


def day_requirement_words(requirement: DayRequirement, horizon: Horizon) -> str:
    """One requirement of a day as its owner would say it."""
    if isinstance(requirement.constraint_class, ConstraintClass):
        of_case = Requirement(
            requirement.constraint_class,
            requirement.product_id,
            requirement.lot_id,
            requirement.rule_id,
        )
        if requirement.constraint_class is ConstraintClass.VOLUME_MIN:
            return printable(f"order of {horizon.case.product(requirement.product_id).name}")
        return requirement_words(of_case, _case_of(requirement, horizon))
    return printable(_WORDS[requirement.constraint_class].format(of=requirement))


def _case_of(requirement: DayRequirement, horizon: Horizon):
    return horizon.day_cases[horizon.days.index(requirement.day)]


_WORDS = {
    DayConstraintClass.BALANCE: "in and out of lot {of.lot_id}",
    DayConstraintClass.USE_BY: "last day of use of lot {of.lot_id}",
    DayConstraintClass.CAPACITY: "room in {of.cooler_id}",
    DayConstraintClass.CLOSING: "closing stock of {of.cooler_id}",
    DayConstraintClass.FREEZER: "freezer of {of.cooler_id}",
    DayConstraintClass.FROZEN_OVERNIGHT: "a night to freeze {of.lot_id}",
    DayConstraintClass.MAX_USED: "most used a day (rule {of.rule_id})",
    DayConstraintClass.MIN_IF_USED: "least if used (rule {of.rule_id})",
    DayConstraintClass.NEEDS: "what is needed beside (rule {of.rule_id})",
}


def horizon_infeasible_lines(infeasible: HorizonInfeasibleSubset, horizon: Horizon) -> list[str]:
    """Why there is no plan, line by line."""
    if infeasible.loosening_lb is None:
        return [
            "No plan exists, and none would with more room, meat kept longer or smaller orders:",
            "a blend cannot be made from what is there. `blend plan` tells why for a single day.",
        ]
    if not infeasible.loosening_lb:
        return [
            "No plan exists because of what must be whole: containers, counts or least amounts.",
            "With --divisible there is one.",
        ]
    lines = ["No plan exists. It takes the fewest pounds of change to free one so:"]
    for requirement, lb in sorted(infeasible.loosening_lb.items(), key=lambda each: each[0].day):
        words = day_requirement_words(requirement, horizon)
        lines.append(f"  - {requirement.day.isoformat()}: ease {words} by {pounds(lb)}")
    return lines


def ledger_rows(horizon: Horizon, plan: PositionsPlan) -> Iterator[tuple]:
    """Every lot on every day, in the order of `LEDGER_COLUMNS`; pounds to a hundredth."""
    for row in sorted(plan.ledger, key=lambda row: (row.day, row.lot_id)):
        lot = horizon.lot(row.lot_id)
        amounts = [round(getattr(row, name), 2) for name in LEDGER_COLUMNS[4:]]
        yield (row.day, row.lot_id, lot.item, lot.fresh_or_frozen, *amounts)
