"""Options of `blend plan` about the model itself: add to it, export it, solve it twice."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click

from blend.domain.case import Case
from blend.domain.plan import Plan


def with_added(case: Case, constraints: Path | None, write_model: Path | None) -> Case:
    """The case with the constraints of a file; the model is written where asked."""
    if constraints is not None:
        from blend.tables.constraints import read_constraints

        case = case.with_constraints(read_constraints(constraints, case))
        # messages name constraints in the words of this case
        click.get_current_context().find_root().obj = case
    if write_model is not None:
        from blend.files import check_place
        from blend.model.pulp_model import write_model as write

        check_place(write_model)
        write(case, write_model)
    return case


def by_second_solver(case: Case, plan: Plan, say: Callable[[str], None] | None) -> list[str]:
    """Cost and floor of the same model by both solvers, before rounding to whole pounds."""
    from blend.model.pulp_model import solve_by_cbc

    (say or (lambda text: None))("CBC, on the same model")
    cbc, bound = solve_by_cbc(case), plan.certificate.bound
    note = "" if cbc.is_optimal else "  (stopped at the time limit)"
    return [
        "",
        "Two solvers, one model (before rounding to whole pounds)",
        f"           {'cost':>14}  {'no plan under':>14}",
        f"  HiGHS    {_usd(bound.objective_usd)}  {_usd(bound.bound_usd)}",
        f"  CBC      {_usd(cbc.cost_usd)}  {_usd(cbc.floor_usd)}{note}",
    ]


def _usd(amount: float) -> str:
    return f"{f'${amount:,.2f}':>14}" if amount > float("-inf") else f"{'none yet':>14}"
