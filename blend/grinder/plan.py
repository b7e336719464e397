"""Today's plan: quantities, shadow prices, checks and bound in one object."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from blend.check.check import check_plan, count_money
from blend.check.gap import plan_bound
from blend.check.statement import dual_bound_usd
from blend.domain.case import Case
from blend.domain.plan import Bound, Check, Money, Plan, PlanCertificate
from blend.errors import NoPlan, OutOfTime
from blend.grinder.first_expired import first_expired_first
from blend.grinder.ways_out import tried
from blend.model.infeasible import explain_infeasibility, solved_linear
from blend.model.prices import dual_prices
from blend.model.shadow_prices import lot_break_evens, marginal_costs_of, shadow_prices_of
from blend.model.solve import LinearPlan
from blend.model.solver import Answer, Outcome, WarmLinear
from blend.model.whole import WholePlan, plan_whole

if TYPE_CHECKING:
    from blend.model.pulp_model import Added

Say = Callable[[str], None]


def make_plan(
    case: Case,
    *,
    shadow_prices: bool = True,
    progress: Say | None = None,
    stopped: Callable[[], bool] | None = None,
    keep_interrupted: bool = True,
    extra: Added = (),
) -> Plan:
    """The least-cost plan of a case, with its check and its bound.

    `shadow_prices` also asks for shadow prices, marginal costs and break-even prices, which takes
    many small solves. `progress` is called with a few words on what is being done. A search
    stopped by the time limit or by Ctrl-C gives the best plan so far, and pricing stopped by
    Ctrl-C what it has by then; unless `keep_interrupted`, Ctrl-C raises KeyboardInterrupt
    instead. `extra` are PuLP constraints on the variables of `blend.model(case)`, by name.

    Raises NoPlan with an infeasible subset when nothing meets every requirement, InputRefused when
    the model is unbounded, OutOfTime when time ran out before any plan.
    """
    if extra:
        from blend.model.pulp_model import constraints_from_pulp

        case = case.with_constraints(constraints_from_pulp(case, extra))
    say = progress or (lambda text: None)
    say("the LP relaxation")
    try:
        linear, answer = solved_linear(case, say)
    except NoPlan as no_plan:
        raise NoPlan(tried(case, no_plan.infeasible, say)) from None
    optimum = LinearPlan(linear.model, answer)
    say("whole containers, counts and batches")
    whole = plan_whole(case, optimum, lambda usd, bound: say(_so_far(usd, bound)), stopped)
    if whole.outcome is Outcome.INFEASIBLE:
        raise NoPlan(tried(case, explain_infeasibility(case, whole=True, progress=say), say))
    if whole.rounded_plan is None:
        raise OutOfTime(
            f"no plan was found within {case.settings.time_limit_s:g} s; allow more time "
            "(time_limit_s), or ask for whole containers in fewer places (whole_containers)"
        )
    if whole.was_interrupted and not keep_interrupted:
        raise KeyboardInterrupt
    say("the check")
    plan = _checked(case, optimum, whole)
    return _priced(plan, linear, answer, say) if shadow_prices else plan


def _checked(case: Case, optimum: LinearPlan, whole: WholePlan) -> Plan:
    """The plan in whole pounds, with its check and its bound."""
    assert whole.rounded_plan is not None, "the whole plan was found"
    rounded_plan = first_expired_first(case, whole.rounded_plan)
    parts = (case, rounded_plan.takes, rounded_plan.runs, rounded_plan.shortage_lb)
    money, checks = count_money(*parts), check_plan(*parts)
    return Plan(
        takes=rounded_plan.takes,
        runs=rounded_plan.runs,
        shortage_lb=rounded_plan.shortage_lb,
        money=money,
        certificate=PlanCertificate(checks, _bound(case, optimum, whole, money, checks)),
        stopped_early=whole.outcome is Outcome.STOPPED,
    )


def _priced(plan: Plan, linear: WarmLinear, answer: Answer, say: Say) -> Plan:
    """The plan with its prices, as far as Ctrl-C lets them be found."""
    try:
        plan = replace(plan, marginal_costs=marginal_costs_of(linear, answer))
        plan = replace(plan, shadow_prices=shadow_prices_of(linear, answer, say))
        return replace(plan, break_evens=lot_break_evens(linear, answer, say))
    except KeyboardInterrupt:
        return replace(plan, pricing_stopped=True)


def _bound(
    case: Case, optimum: LinearPlan, whole: WholePlan, money: Money, checks: tuple[Check, ...]
) -> Bound:
    """The better of two bounds: the exact one from dual prices, checked outside the solver, and
    the solver's own. Raises SolverTrouble when it cannot hold.

    The exact bound does not know kinds of rule that were added to the package. Where they raise the
    cost it is valid but low, and the solver's floor is used and named as such.
    """
    by_prices = dual_bound_usd(case, dual_prices(optimum))
    near_usd = 1e-6 * max(1.0, abs(whole.bound_usd))
    is_certified = not (
        whole.bound_usd > by_prices
        and (whole.by_branching or whole.bound_usd - by_prices > near_usd)
    )
    by_solver = "search in whole numbers" if whole.by_branching else "LP relaxation, by the solver"
    exact = whole.exact
    assert exact is not None, "the whole plan was found"
    return plan_bound(
        whole.objective_usd,
        by_prices if is_certified else whole.bound_usd,
        "dual prices, in exact fractions" if is_certified else by_solver,
        exact=count_money(case, exact.takes, exact.runs, exact.shortage_lb),
        printed=money,
        verdicts=(check.verdict for check in checks),
        is_certified=is_certified,
    )


def _so_far(usd: float, bound_usd: float) -> str:
    gap = (usd - bound_usd) / max(abs(usd), 1e-9)
    return f"best plan so far ${usd:,.0f} before rounding, no plan more than {gap:.2%} cheaper"
