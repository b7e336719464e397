"""The gap of the printed plan, refused when its figures contradict each other."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields

from blend.domain.plan import Bound, Money, Verdict
from blend.errors import SolverTrouble

NEAR_SHARE, NEAR_USD = 1e-6, 0.01
"""What a solver's arithmetic may be off: this share of all money that moves, or a cent."""


def plan_bound(
    objective_usd: float,
    bound_usd: float,
    method: str,
    *,
    exact: Money,
    printed: Money,
    verdicts: Iterable[Verdict],
    is_certified: bool,
) -> Bound:
    """The bound next to the printed plan's cost.

    `exact` and `printed` are recounted from the tables, before and after rounding to whole pounds.
    The printed plan may cost less than the bound only where rounding left it short of a limit,
    and then by no more than rounding took off the exact plan's cost. Raises SolverTrouble
    otherwise.
    """
    turnover_usd = sum(
        abs(getattr(exact, part.name)) for part in fields(exact) if part.name.endswith("_usd")
    )
    near_usd = max(NEAR_USD, NEAR_SHARE * turnover_usd)
    rounding_usd = 0.0
    if any(verdict not in (Verdict.MET, Verdict.NOTE) for verdict in verdicts):
        rounding_usd = max(0.0, exact.total_usd - printed.total_usd)
    must_agree(
        objective_usd,
        bound_usd,
        exact_usd=exact.total_usd,
        printed_usd=printed.total_usd,
        near_usd=near_usd,
        rounding_usd=rounding_usd,
    )
    return Bound(objective_usd, bound_usd, method, printed.total_usd, is_certified)


def must_agree(
    objective_usd: float,
    bound_usd: float,
    *,
    exact_usd: float,
    printed_usd: float,
    near_usd: float,
    rounding_usd: float = 0.0,
) -> None:
    """Raise SolverTrouble when the objective is not the recounted money, or the bound is above a
    plan that exists."""
    if not abs(objective_usd - exact_usd) <= near_usd:
        raise SolverTrouble(
            f"The solver reports a cost of ${objective_usd:,.2f}, but its plan adds up to "
            f"${exact_usd:,.2f} from the tables; they may differ by ${near_usd:,.2f} at most. "
            "No plan is shown."
        )
    for cost_usd, name, room_usd in (
        (exact_usd, "before rounding", near_usd),
        (printed_usd, "in whole pounds", near_usd + rounding_usd),
    ):
        if not bound_usd <= cost_usd + room_usd:
            raise SolverTrouble(
                f"The floor of ${bound_usd:,.2f} is above the plan's own cost {name}, "
                f"${cost_usd:,.2f}, by more than the ${room_usd:,.2f} allowed for rounding. "
                "One of the two is wrong; no plan is shown."
            )
