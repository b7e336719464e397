"""Worths as tables: of products, of requirements, of lots."""

from __future__ import annotations

import math
from collections.abc import Iterable

from blend.domain.case import Case
from blend.domain.plan import LotWorth, Plan, ProductWorth, RequirementWorth
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column
from blend.show.words import PROGRAMME_WORDS, STEP_WORDS, requirement_words
from blend.units import LB_PER_CWT

_CENT_ROUNDS_UP_FROM = 0.005
"""Smaller worths would show as 0.00."""


def _basis(worths: Iterable[ProductWorth | RequirementWorth | LotWorth]) -> str:
    programmes = sorted({worth.programme for worth in worths})
    words = " and ".join(PROGRAMME_WORDS[programme] for programme in programmes)
    return f"Rates at this plan, {words}." if words else ""


def products_worth_table(case: Case, plan: Plan) -> ShownTable:
    """What one more hundredweight, and a target one point leaner or fatter, cost."""
    columns = (
        ShownColumn("Product"),
        ShownColumn("Next cwt costs", "USD", Format.HUNDREDTHS),
        ShownColumn("Target 1 point leaner", "USD", Format.HUNDREDTHS),
        ShownColumn("Target 1 point fatter", "USD", Format.HUNDREDTHS),
    )
    rows = [
        (
            case.product(worth.product_id).name,
            _cost(worth.next_cwt_usd),
            _cost(worth.leaner_point_usd),
            _cost(worth.fatter_point_usd),
        )
        for worth in plan.products_worth
    ]
    note = f"Cost on the whole plan; below zero it is money saved. {_basis(plan.products_worth)}"
    return shown_table("What products cost", columns, rows, note)


def requirements_worth_table(case: Case, plan: Plan) -> ShownTable:
    """What the requirements that cost money cost, dearest first."""
    columns = (
        ShownColumn("Requirement"),
        ShownColumn("Each"),
        ShownColumn("Easing saves", "USD", Format.HUNDREDTHS),
        ShownColumn("Tightening costs", "USD", Format.HUNDREDTHS),
    )
    worths = [
        worth
        for worth in plan.requirements_worth
        if max(abs(worth.easing_saves_usd), abs(worth.tightening_costs_usd)) >= _CENT_ROUNDS_UP_FROM
    ]
    worths.sort(
        key=lambda worth: (
            -worth.easing_saves_usd,
            -worth.tightening_costs_usd,
            worth.requirement,
        )
    )
    rows = [
        (
            requirement_words(worth.requirement, case),
            STEP_WORDS[worth.step],
            worth.easing_saves_usd,
            _cost(worth.tightening_costs_usd),
        )
        for worth in worths
    ]
    others = len(plan.requirements_worth) - len(worths)
    rest = f" ({others} of those that bind)" if others else ""
    note = (
        f"At this plan no money hangs on requirements not named here{rest}. "
        f"{_basis(plan.requirements_worth)}"
    )
    return shown_table("What requirements cost", columns, rows, note)


def lots_worth_table(case: Case, plan: Plan) -> ShownTable:
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
    for worth in sorted(plan.lots_worth, key=_used_then_nearest):
        lot = case.lot(worth.lot_id)
        limit = _price(worth.critical_usd_per_lb)
        next_cwt_usd = worth.next_lb_usd * LB_PER_CWT
        rows.append(
            (
                lot.lot_id,
                lot.item,
                worth.linear_lb,
                worth.delivered_usd_per_lb * LB_PER_CWT,
                limit if worth.is_used else None,
                None if worth.is_used else limit,
                next_cwt_usd if next_cwt_usd >= _CENT_ROUNDS_UP_FROM else None,
            )
        )
    note = f"One price moved at a time, all else as it is. {_basis(plan.lots_worth)}"
    return shown_table("What lots are worth", columns, rows, note)


def _cost(usd: float) -> Cell:
    return "no plan" if math.isinf(usd) else usd


def _price(usd_per_lb: float | None) -> Cell:
    if usd_per_lb is None:
        return "at no price"
    return "no plan without" if math.isinf(usd_per_lb) else usd_per_lb * LB_PER_CWT


def _used_then_nearest(worth: LotWorth) -> tuple[bool, float, str]:
    critical = worth.critical_usd_per_lb
    distance = math.inf if critical is None else abs(critical - worth.delivered_usd_per_lb)
    return not worth.is_used, distance, worth.lot_id
