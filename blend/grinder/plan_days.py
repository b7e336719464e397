"""Several days in one plan: what to buy when, blend, freeze, hold and sell on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

from blend.check.arrays import dual_bound_of_arrays_usd
from blend.check.days import check_days, count_days_money
from blend.check.gap import NEAR_SHARE, NEAR_USD, must_agree
from blend.domain.days import DayCheck, DaysMoney, DaysPlan
from blend.domain.horizon import DayConstraintClass, DayRequirement, Horizon
from blend.domain.plan import Bound, Verdict
from blend.domain.requirements import ConstraintClass
from blend.errors import InputRefused, NoPlan, Problem, SolverTrouble
from blend.model import round_days
from blend.model.horizon import (
    DayPrices,
    HorizonAnswer,
    day_shadow_prices,
    min_loosening_lb,
    solve_horizon,
)
from blend.model.solver import Outcome

Say = Callable[[str], None]
AS_DIVISIBLE = "as if it could be split"
"""The note of a limit that the LP relaxation may miss."""
_NO_MONEY = DaysMoney(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
_NO_BOUND = Bound(0.0, 0.0, "", 0.0)


@dataclass(frozen=True, slots=True)
class DaysInfeasibleSubset:
    """Why a horizon has no plan: the fewest pounds by which limits must be relaxed.

    None where relaxing pounds frees no plan: the lots can't make a blend.
    """

    loosening_lb: dict[DayRequirement, float] | None


def plan_days(
    horizon: Horizon,
    *,
    divisible: bool = False,
    shadow_prices: bool = True,
    progress: Say | None = None,
    stopped: Callable[[], bool] | None = None,
) -> DaysPlan:
    """The least-cost plan of several days, checked by plain arithmetic.

    `divisible` solves the LP relaxation, fast and enough for an outlook: containers, counts and
    minimum amounts may be split. Batches always may; each day's own plan makes them whole.
    `shadow_prices` also prices orders, coolers and offers. When `stopped()` ends the search, the
    answer is the best plan so far.

    Raises NoPlan with a `DaysInfeasibleSubset`, InputRefused where the cost is unbounded,
    SolverTrouble where time ran out before any plan.
    """
    say = progress or (lambda text: None)
    say("planning all days together")
    solved = solve_horizon(
        horizon,
        divisible=divisible,
        on_better=lambda usd, bound: say(_so_far(usd, bound)),
        stopped=stopped,
    )
    if solved.outcome is Outcome.INFEASIBLE:
        say("why there is no plan")
        raise NoPlan(DaysInfeasibleSubset(min_loosening_lb(horizon)))
    if solved.outcome is Outcome.UNBOUNDED:
        raise InputRefused([_unbounded()])
    if not solved.is_found:
        limit_s = horizon.case.settings.time_limit_s
        raise SolverTrouble(
            f"no plan was found within {limit_s:g} s; allow more time (time_limit_s), or plan with "
            "--containers no"
        )
    say("break-evens")
    value, pricing_stopped = DayPrices((), (), {}, {}), False
    try:
        value = day_shadow_prices(solved) if shadow_prices else value
    except KeyboardInterrupt:
        pricing_stopped = True
    say("checking the plan")
    plan = DaysPlan(
        days=horizon.days,
        purchases=round_days.purchases(solved, value.offer_usd_per_lb),
        sales=round_days.sales(solved, value.bid_usd_per_lb),
        freezes=round_days.freezes(solved),
        wastes=round_days.wastes(solved),
        blends=round_days.blends(solved),
        ledger=round_days.ledger(solved),
        money=_NO_MONEY,
        checks=(),
        bound=_NO_BOUND,
        order_prices=value.orders,
        capacity_prices=value.coolers,
        stopped_early=solved.outcome is Outcome.STOPPED,
        pricing_stopped=pricing_stopped,
    )
    checks, money = check_days(horizon, plan), count_days_money(horizon, plan)
    return replace(
        plan,
        money=money,
        bound=_bound(solved, money),
        checks=tuple(map(_taken_as_divisible, checks)) if divisible else checks,
    )


_WHOLE = (
    ConstraintClass.WHOLE_CONTAINERS,
    ConstraintClass.MIN_PURCHASE,
    ConstraintClass.MAX_LOTS,
    ConstraintClass.MIN_IF_USED,
    ConstraintClass.KEEP_APART,
    DayConstraintClass.MIN_IF_USED,
    DayConstraintClass.NEEDS,
    DayConstraintClass.WHOLE_LOADS,
)


def _taken_as_divisible(check: DayCheck) -> DayCheck:
    """A limit that an outlook may miss is a warning, not a broken plan."""
    if check.verdict is Verdict.BROKEN and check.requirement.constraint_class in _WHOLE:
        return replace(check, verdict=Verdict.WARNING, note=AS_DIVISIBLE)
    return check


def _bound(solved: HorizonAnswer, money: DaysMoney) -> Bound:
    """The floor next to the recounted cost; pounds are not rounded here. Where nothing has to be
    whole, the floor is that of the solver's prices counted exactly, else it is the solver's own.
    Raises SolverTrouble where floor and cost contradict each other."""
    model, answer = solved.model, solved.answer
    is_certified = not solved.by_branching
    bound_usd = solved.bound_usd
    if is_certified:
        matrix = model.matrix
        bound_usd = dual_bound_of_arrays_usd(
            model.cost,
            model.upper,
            (matrix.row, matrix.column, matrix.value),
            (model.row_lower, model.row_upper),
            answer.row_dual,
        )
    turnover_usd = sum(abs(getattr(money, part.name)) for part in fields(money))
    must_agree(
        answer.objective,
        bound_usd,
        exact_usd=money.total_usd,
        printed_usd=money.total_usd,
        near_usd=max(NEAR_USD, NEAR_SHARE * turnover_usd),
    )
    method = "dual prices, in exact fractions" if is_certified else "search in whole numbers"
    return Bound(answer.objective, bound_usd, method, money.total_usd, is_certified)


def _so_far(usd: float, bound_usd: float) -> str:
    gap = (usd - bound_usd) / max(abs(usd), 1e-9)
    return f"best plan so far ${usd:,.0f}, no plan more than {gap:.2%} cheaper"


def _unbounded() -> Problem:
    return Problem(
        file="forward_offers",
        row=None,
        column="quantity_lb",
        value="a bid or sale above the cost of an offer without a quantity",
        required="",
        hint="Enter quantity_lb: otherwise profit is unbounded.",
    )
