"""Break-evens of the printed plan: each lot left out, or put in, and the day planned again in whole
containers.

A lot in the plan is dropped where its price goes over what the day then costs more without it, by
the pound; a lot that is not in it is bought under the price at which the cheapest plan with some of
it costs no more. The other plan is known within its own gap only, so each break-even is a range.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from time import monotonic

from blend.check.check import count_money
from blend.domain.case import Case
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.lots import Lot
from blend.domain.plan import Plan, Take
from blend.errors import SolverTrouble
from blend.model.whole import plan_again

_EACH_TIME_S, _TIME_S, _GAP_SHARE = 5.0, 120.0, 2e-4
_LEAST_LB = 1000.0
"""Of a lot that is put in: the gap of a plan over a box or two is any price at all."""
_NEED = "break-even in whole containers"


@dataclass(frozen=True, slots=True)
class WholeBreakEven:
    """One lot. The prices are delivered, USD per lb of the pounds taken: the break-even is between
    them. Infinite where orders cannot be filled without it; NaN where it cannot be put in."""

    lot_id: str
    is_used: bool
    taken_lb: float
    """In the printed plan, or in the plan that it was put into."""
    low_usd_per_lb: float
    high_usd_per_lb: float


def whole_break_evens(
    case: Case, plan: Plan, say: Callable[[str], None] | None = None
) -> tuple[WholeBreakEven, ...]:
    """Break-evens of the usable lots, those of the plan first, as far as time allows."""
    ends_at = monotonic() + _TIME_S
    taken = {take.lot_id: take for take in plan.takes}
    lots = sorted(case.usable_lots(), key=lambda lot: (lot.lot_id not in taken, lot.lot_id))
    return tuple(_each(case, plan, taken, lots, ends_at, say))


def _each(
    case: Case,
    plan: Plan,
    taken: dict[str, Take],
    lots: list[Lot],
    ends_at: float,
    say: Callable[[str], None] | None,
) -> Iterator[WholeBreakEven]:
    for number, lot in enumerate(lots, 1):
        if monotonic() > ends_at:
            return
        if say is not None:
            say(f"break-even of lot {number} of {len(lots)} in whole containers")
        try:
            own = taken.get(lot.lot_id)
            yield _dropped(case, plan, lot, own) if own else _put_in(case, plan, lot)
        except KeyboardInterrupt:
            return
        except SolverTrouble:
            continue


def _dropped(case: Case, plan: Plan, lot: Lot, take: Take) -> WholeBreakEven:
    """The day without the lot costs more by `saves`: its price may rise by that, a pound."""
    gone = replace(lot, quantity_lb=0.0)
    lots = tuple(gone if each.lot_id == lot.lot_id else each for each in case.lots)
    without = _replanned(replace(case, lots=lots))
    price = lot.delivered_usd_per_lb
    if without is None:
        return WholeBreakEven(lot.lot_id, True, take.pounds_lb, math.inf, math.inf)
    costs = without.bound_usd, without.usd
    low, high = (price + (usd - plan.money.total_usd) / take.pounds_lb for usd in costs)
    return WholeBreakEven(lot.lot_id, True, take.pounds_lb, low, high)


def _put_in(case: Case, plan: Plan, lot: Lot) -> WholeBreakEven:
    """The day with some of the lot costs more by so much: its price must fall by
    that, a pound."""
    least_lb = max(lot.container_lb or 0.0, lot.min_purchase_lb, min(_LEAST_LB, lot.max_lb))
    some = LinearConstraint(_NEED, (Term(1.0, Pounds.TAKE, lot_id=lot.lot_id),), minimum=least_lb)
    with_it = _replanned(case.with_constraints([some]))
    if with_it is None:
        return WholeBreakEven(lot.lot_id, False, 0.0, math.nan, math.nan)
    pounds_lb, price = with_it.taken_lb[lot.lot_id], lot.delivered_usd_per_lb
    costs = with_it.usd, with_it.bound_usd
    low, high = (price - (usd - plan.money.total_usd) / pounds_lb for usd in costs)
    return WholeBreakEven(lot.lot_id, False, pounds_lb, low, high)


@dataclass(frozen=True, slots=True)
class _Replanned:
    usd: float
    bound_usd: float
    taken_lb: dict[str, float]


def _replanned(case: Case) -> _Replanned | None:
    """The day in whole containers; None where no plan exists. Raises SolverTrouble where none was
    found in time."""
    whole = plan_again(case, _EACH_TIME_S, min(case.settings.gap_share, _GAP_SHARE))
    if whole is None:
        return None
    found = whole.rounded_plan
    assert found is not None, "a plan was found"
    usd = count_money(case, found.takes, found.runs, found.shortage_lb).total_usd
    taken_lb = {take.lot_id: take.pounds_lb for take in found.takes}
    return _Replanned(usd, min(whole.bound_usd, usd), taken_lb)
