"""The same program with cones, solved by a conic library.

By measurement Clarabel (an interior-point solver) finds the optimum of a day's plan in a
fraction of the time that tangent cuts alone take, so it says where the tangents are to touch;
their bound there rests on the linear solver alone. Where the library fails, the cuts find
the optimum by themselves.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blend.model.arrays import Model
from blend.model.cone import Cone

_TOLERANCE = 1e-9
"""Relative, of gap and feasibility."""


def conic_point(model: Model, cones: Sequence[Cone]) -> np.ndarray | None:
    """The optimum of a continuous program with cones, by the conic library; None where it finds
    none."""
    import clarabel
    from scipy import sparse

    count = len(model.cost)
    matrix = sparse.csc_matrix(
        (model.matrix.value, model.matrix.row, model.matrix.start),
        shape=(len(model.row_lower), count),
    ).tocsr()
    every = sparse.identity(count, format="csr")
    equal, equal_to, below, below_at_most = [], [], [], []
    for rows, lower, upper in (
        (matrix, model.row_lower, model.row_upper),
        (every, model.lower, model.upper),
    ):
        fixed = np.isfinite(lower) & (lower == upper)
        at_least, at_most = np.isfinite(lower) & ~fixed, np.isfinite(upper) & ~fixed
        equal.append(rows[fixed])
        equal_to.append(lower[fixed])
        below += [-rows[at_least], rows[at_most]]
        below_at_most += [-lower[at_least], upper[at_most]]
    curved = [_rows_of(cone, count) for cone in cones]
    right = [np.append(-cone.minimum, np.zeros(_terms(cone))) for cone in cones]
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.max_threads = 1
    settings.tol_gap_abs = settings.tol_gap_rel = settings.tol_feas = _TOLERANCE
    solver = clarabel.DefaultSolver(
        sparse.csc_matrix((count, count)),
        model.cost,
        sparse.vstack([*equal, *below, *curved], format="csc"),
        np.concatenate([*equal_to, *below_at_most, *right]),
        [
            clarabel.ZeroConeT(sum(map(len, equal_to))),
            clarabel.NonnegativeConeT(sum(map(len, below_at_most))),
            *(clarabel.SecondOrderConeT(1 + _terms(cone)) for cone in cones),
        ],
        settings,
    )
    answer = solver.solve()
    if str(answer.status) not in ("Solved", "AlmostSolved"):
        return None
    return np.clip(np.array(answer.x), model.lower, model.upper)


def _rows_of(cone: Cone, count: int):
    """Reading less least, then the norm's terms times the factor, as rows of the library."""
    from scipy import sparse

    size, shared = len(cone.spread), len(cone.shared)
    of_shared = 1 + size + np.repeat(np.arange(shared), len(cone.mixed))
    row = np.concatenate((np.zeros(len(cone.columns), int), 1 + np.arange(size), of_shared))
    column = np.concatenate((cone.columns, cone.spread, np.tile(cone.mixed, shared)))
    value = -np.concatenate(
        (cone.values, cone.factor * cone.scale, cone.factor * cone.shared.ravel())
    )
    return sparse.csr_matrix((value, (row, column)), shape=(1 + _terms(cone), count))


def _terms(cone: Cone) -> int:
    return len(cone.spread) + len(cone.shared)
