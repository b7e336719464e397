"""The solvers that one list of tests is run over: each a name and a callable."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.sparse import csc_matrix

from blend.domain.case import Case
from blend.model.arrays import Model, SparseColumns
from blend.model.solver import WarmLinear
from tests.reference import solve_reference

# A case to the answer of its linear program ---------------------------------------------------


@dataclass(frozen=True)
class LinearAnswer:
    """`objective_usd` is None, and the pounds are empty, where there is no plan."""

    objective_usd: float | None
    take_lb: defaultdict[str, float]
    use_lb: defaultdict[tuple[str, str], float]


def _answer(objective_usd: float | None, take_lb: dict, use_lb: dict) -> LinearAnswer:
    return LinearAnswer(objective_usd, defaultdict(float, take_lb), defaultdict(float, use_lb))


def _reference(case: Case, solver: str) -> LinearAnswer:
    answer = solve_reference(case, relax=True, solver=solver)
    return _answer(answer.objective_usd, answer.take_lb, answer.use_lb)


def _core(case: Case) -> LinearAnswer:
    from blend.model.solve import solve_linear

    plan = solve_linear(case)
    if not math.isfinite(plan.objective_usd):
        return _answer(None, {}, {})
    return _answer(plan.objective_usd, plan.take_lb, plan.use_lb)


LINEAR_SOLVERS: dict[str, Callable[[Case], LinearAnswer]] = {
    "reference by CBC": partial(_reference, solver="cbc"),
    "reference by HiGHS": partial(_reference, solver="highs"),
    "model": _core,
}

# Any linear program as arrays, to its least cost: (cost, matrix, row_lower, row_upper,
# col_lower, col_upper), the matrix sparse by rows ------------------------------------------------


def _arrays_by_scipy(cost, matrix, row_lower, row_upper, col_lower, col_upper) -> float:
    from scipy.optimize import linprog
    from scipy.sparse import vstack

    has_lower, has_upper = np.isfinite(row_lower), np.isfinite(row_upper)
    answer = linprog(
        cost,
        A_ub=vstack([-matrix[has_lower], matrix[has_upper]]),
        b_ub=np.concatenate([-row_lower[has_lower], row_upper[has_upper]]),
        bounds=np.column_stack([col_lower, col_upper]),
    )
    return answer.fun


def _arrays_by_pulp(cost, matrix, row_lower, row_upper, col_lower, col_upper) -> float:
    import pulp

    problem = pulp.LpProblem("arrays", pulp.LpMinimize)
    finite = [[x if np.isfinite(x) else None for x in side] for side in (col_lower, col_upper)]
    columns = [
        problem.add_variable(f"x{j}", lower, upper)
        for j, (lower, upper) in enumerate(zip(*finite, strict=True))
    ]
    problem.setObjective(pulp.lpDot(cost, columns))
    for row, lower, upper in zip(matrix.toarray(), row_lower, row_upper, strict=True):
        if np.isfinite(lower):
            problem += pulp.lpDot(row, columns) >= lower
        if np.isfinite(upper):
            problem += pulp.lpDot(row, columns) <= upper
    problem.solve(pulp.PULP_CBC_CMD(msg=False))
    return problem.objective.value()


def plain_model(cost, matrix, row_lower, row_upper, lower, upper, whole=None) -> Model:
    """A model of arrays without lots or products; the matrix is sparse, of either order."""
    by_column = csc_matrix(matrix)
    return Model(
        sets=None,
        names={},
        cost=np.asarray(cost, float),
        lower=np.asarray(lower, float),
        upper=np.asarray(upper, float),
        whole=np.zeros(len(cost), bool) if whole is None else whole,
        matrix=SparseColumns(by_column.indptr, by_column.indices, by_column.data),
        row_lower=np.asarray(row_lower, float),
        row_upper=np.asarray(row_upper, float),
        requirements=(None,) * len(row_lower),
    )


def _arrays_by_core(*arrays) -> float:
    return WarmLinear(plain_model(*arrays)).solve().objective


ARRAY_SOLVERS: dict[str, Callable[..., float]] = {
    "scipy": _arrays_by_scipy,
    "PuLP": _arrays_by_pulp,
    "model": _arrays_by_core,
}
