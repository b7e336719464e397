"""Worths as tables: of products, of requirements, of lots."""

from __future__ import annotations

import math
from collections.abc import Iterable

from blend.domain.case import Case
from blend.domain.plan import LotBreakEven, MarginalCost, Plan, ShadowPrice
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column
from blend.show.words import MODEL_WORDS, STEP_WORDS, requirement_words
from blend.units import LB_PER_CWT

_CENT_ROUNDS_UP_FROM = 0.005
"""Smaller worths would show as 0.00."""


def _basis(shadow_prices: Iterable[MarginalCost | ShadowPrice | LotBreakEven]) -> str:
    label_claims = sorted({value.model for value in shadow_prices})
    words = " and ".join(MODEL_WORDS[model] for model in label_claims)
    return f"Rates at this plan, {words}." if words else ""


def products_value_table(case: Case, plan: Plan) -> ShownTable:
    """What one more hundredweight, and a target one point leaner or fatter, cost."""
    columns = (
        ShownColumn("Product"),
        ShownColumn("Next cwt costs", "USD", Format.HUNDREDTHS),
        ShownColumn("Target 1 point leaner", "USD", Format.HUNDREDTHS),
        ShownColumn("Target 1 point fatter", "USD", Format.HUNDREDTHS),
    )
    rows = [
        (
            case.product(value.product_id).name,
            _cost(value.next_cwt_usd),
            _cost(value.leaner_point_usd),
            _cost(value.fatter_point_usd),
        )
        for value in plan.marginal_costs
    ]
    note = f"Cost on the whole plan; below zero it is money saved. {_basis(plan.marginal_costs)}"
    return shown_table("What products cost", columns, rows, note)


def requirements_value_table(case: Case, plan: Plan) -> ShownTable:
    """What the requirements that cost money cost, dearest first."""
    columns = (
        ShownColumn("Requirement"),
        ShownColumn("Each"),
        ShownColumn("Easing saves", "USD", Format.HUNDREDTHS),
        ShownColumn("Tightening costs", "USD", Format.HUNDREDTHS),
    )
    shadow_prices = [
        value
        for value in plan.shadow_prices
        if max(abs(value.loosening_saves_usd), abs(value.tightening_costs_usd))
        >= _CENT_ROUNDS_UP_FROM
    ]
    shadow_prices.sort(
        key=lambda value: (
            -value.loosening_saves_usd,
            -value.tightening_costs_usd,
            value.requirement,
        )
    )
    rows = [
        (
            requirement_words(value.requirement, case),
            STEP_WORDS[value.step],
            value.loosening_saves_usd,
            _cost(value.tightening_costs_usd),
        )
        for value in shadow_prices
    ]
    others = len(plan.shadow_prices) - len(shadow_prices)
    rest = f" ({others} of those that bind)" if others else ""
    note = (
        f"At this plan no money hangs on requirements not named here{rest}. "
        f"{_basis(plan.shadow_prices)}"
    )
    return shown_table("What requirements cost", columns, rows, note)


def lots_value_table(case: Case, plan: Plan) -> ShownTable:
    """At which delivered price used lots leave the plan and unused ones enter it."""
    columns = (
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Taken", "lb", Format.WHOLE),
        usd_per_cwt_column("Delivered"),
        usd_per_cwt_column("Leaves above"),
        usd_per_cwt_column("Enters below"),
        ShownColumn("Next cwt saves", "USD", Format.HUNDREDTHS),
    )
    rows = []
    for value in sorted(plan.break_evens, key=_used_then_nearest):
        lot = case.lot(value.lot_id)
        limit = _price(value.break_even_usd_per_lb)
        next_cwt_usd = value.next_lb_usd * LB_PER_CWT
        rows.append(
            (
                lot.lot_id,
                lot.item,
                value.relaxed_lb,
                value.delivered_usd_per_lb * LB_PER_CWT,
                limit if value.is_used else None,
                None if value.is_used else limit,
                next_cwt_usd if next_cwt_usd >= _CENT_ROUNDS_UP_FROM else None,
            )
        )
    note = f"One price moved at a time, all else as it is. {_basis(plan.break_evens)}"
    return shown_table("What lots are worth", columns, rows, note)


def _cost(usd: float) -> Cell:
    return "no plan" if math.isinf(usd) else usd


def _price(usd_per_lb: float | None) -> Cell:
    if usd_per_lb is None:
        return "at no price"
    return "no plan without" if math.isinf(usd_per_lb) else usd_per_lb * LB_PER_CWT


def _used_then_nearest(value: LotBreakEven) -> tuple[bool, float, str]:
    critical = value.break_even_usd_per_lb
    distance = math.inf if critical is None else abs(critical - value.delivered_usd_per_lb)
    return not value.is_used, distance, value.lot_id
