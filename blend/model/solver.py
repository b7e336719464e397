"""The one door to HiGHS: a linear program kept warm, and a mixed-integer program solved once.

Solver handles stay in this module. A large linear program is solved by column generation: a
restricted master problem, then columns of negative reduced cost until none is left, so the answer
is that of the whole program.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from enum import StrEnum
from threading import Event, Thread

import highspy
import numpy as np

from blend.errors import SolverTrouble
from blend.model.arrays import Model, RestrictedMaster, SparseColumns, SparseRows, dot

_DUAL_SIMPLEX, _PRIMAL_SIMPLEX = 1, 4
"""Values of the solver's option `simplex_strategy`."""
_ENTERS_BELOW_USD = -1e-9
"""A column enters the restricted master when its reduced cost, USD per lb, is below this."""
_BEST_OF_BLEND = 12
_BEST_OF_LOT = 3
"""How many columns of each blend and of each lot enter at once (by measurement)."""
_ARTIFICIAL_TIMES_DEAREST = 3.0
"""Artificial variables cost this many times the most expensive meat: more, and they drown the
dual prices that choose columns (by measurement)."""
_WHOLE_WITHIN, _WHOLE_WITHIN_CLOSELY = 1e-6, 1e-9
"""How far from an integer a whole column may be: the solver's default, and where that comes to
too many pounds."""
_MIN_FRACTION_LB = 1e-3
_MIN_ENTRY = 1e-12
"""The solver drops matrix entries up to this size, the smallest it accepts. Its default would drop
a lot's lean that is 1e-9 from a limit, and the plan would not be optimal."""
_LARGEST_BITS, _DEAREST_BITS = 20, 16
"""A program on which the solver failed is scaled until pounds are below 2^20 and prices below
2^16: by measurement enough, and an error of 1e-7 is then still below 1e-5 lb and 1e-5 USD/lb in
the largest and most expensive of all tables."""
_FURTHER_BITS = (0, 10, 20)
"""Rarely more is needed: where purchases and sales of 1e12 USD cancel out and leave rounding
errors larger than the cost, or limits are 1e-9 apart."""
_KEPT = 1e-9
"""Pounds that a basic variable may lie beyond its bound: less than the solver's own tolerance, so
that a basis kept here is one that the solver would keep."""
_COMPLETION_SHARE = 0.25
_COMPLETION_NODES = 500
"""Share of the time limit, and nodes, for completing a MIP start. The solver's own completion may
use the whole time limit, and the search then gets it once more."""

DEFAULT_EFFORT = 0.05
"""Of a search, the solver's own default for the share that looks for better plans."""
_EASY_OPTIONS = {
    "mip_heuristic_run_feasibility_jump": False,
    "mip_heuristic_run_root_reduced_cost": False,
    "mip_allow_restart": False,
}
"""By measurement half the time of the defaults where a plan is easily found, as for containers that
all products draw on; where it is not, as for containers of each product, several times theirs."""


SEARCH_THREAD = "search in whole numbers"
"""A process that ends while one runs must not wait for the library to clean up: it would abort."""


class Outcome(StrEnum):
    OPTIMAL = "optimal"
    INFEASIBLE = "infeasible"
    UNBOUNDED = "unbounded"
    STOPPED = "stopped"


@dataclass(frozen=True)
class Answer:
    """What the solver says. Arrays are in the program's order, empty without a solution.

    `row_dual` and `column_dual` are in the solver's sense: the change of the objective for
    one more unit of the row's active bound, of the column. `bound` is a lower bound
    of the objective. `was_interrupted` is True where Ctrl-C ended the search.
    """

    outcome: Outcome
    objective: float
    bound: float
    x: np.ndarray
    row_dual: np.ndarray
    column_dual: np.ndarray
    was_interrupted: bool = False


_NOTHING = np.zeros(0)
_SOLVER_FAILURES = (
    highspy.HighsModelStatus.kNotset,
    highspy.HighsModelStatus.kSolveError,
    highspy.HighsModelStatus.kUnknown,
)
"""Statuses that say nothing about the program."""
_COLD_WAYS: tuple[dict[str, int | str], ...] = (
    {"simplex_strategy": _DUAL_SIMPLEX},
    {"simplex_strategy": _PRIMAL_SIMPLEX},
    {"simplex_strategy": _PRIMAL_SIMPLEX, "presolve": "off"},
)
"""By measurement: of programs on which a warm start failed, each way solves two of three that the
one before did not."""


def _no_answer(outcome: Outcome) -> Answer:
    value = {Outcome.UNBOUNDED: -np.inf, Outcome.INFEASIBLE: np.inf}.get(outcome, np.nan)
    return Answer(outcome, value, value, _NOTHING, _NOTHING, _NOTHING)


class _QuietHighs(highspy.Highs):
    """HiGHS that prints nothing, not even its banner when callbacks are enabled."""

    getBasicVariables: Callable[[], tuple[highspy.HighsStatus, np.ndarray]]
    getBasisSolve: Callable[[np.ndarray], tuple[highspy.HighsStatus, np.ndarray]]

    def enableCallbacks(self) -> None:
        self.setOptionValue("output_flag", False)
        super().enableCallbacks()


def _new_highs() -> _QuietHighs:
    """A silent solver on one thread, so that the same case always gives the same plan."""
    highs = _QuietHighs()
    highs.setOptionValue("threads", 1)
    highs.setOptionValue("random_seed", 0)
    highs.setOptionValue("small_matrix_value", _MIN_ENTRY)
    return highs


def _load(
    highs: highspy.Highs,
    cost: np.ndarray,
    column_bounds: tuple[np.ndarray, np.ndarray],
    matrix: SparseColumns,
    row_bounds: tuple[np.ndarray, np.ndarray],
    whole: np.ndarray | None = None,
) -> None:
    model = highspy.HighsLp()
    model.num_col_, model.num_row_ = len(cost), len(row_bounds[0])
    model.col_cost_ = cost
    model.col_lower_, model.col_upper_ = column_bounds
    model.row_lower_, model.row_upper_ = row_bounds
    model.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    model.a_matrix_.start_ = matrix.start.astype(np.int32)
    model.a_matrix_.index_ = matrix.row.astype(np.int32)
    model.a_matrix_.value_ = matrix.value
    if whole is not None and whole.any():
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        model.integrality_ = [kinds[int(is_whole)] for is_whole in whole]
    if highs.passModel(model) == highspy.HighsStatus.kError:
        raise SolverTrouble("the solver refused the program")


def solve_dense(
    cost: np.ndarray, upper: np.ndarray, rows: np.ndarray, required: np.ndarray
) -> tuple[np.ndarray, np.ndarray] | None:
    """Columns and row prices of the least cost · x with rows · x >= required and 0 <= x <= upper,
    for a small program; None where there is none."""
    height, width = rows.shape
    row, column = np.nonzero(rows)
    highs = _new_highs()
    _load(
        highs,
        cost,
        (np.zeros(width), upper),
        SparseColumns.of_entries(row, column, rows[row, column], width),
        (required, np.full(height, np.inf)),
    )
    highs.run()
    if _outcome(highs) is not Outcome.OPTIMAL:
        return None
    solution = highs.getSolution()
    return np.array(solution.col_value), np.array(solution.row_dual)


@contextmanager
def _options(highs: highspy.Highs, **options: float | str) -> Iterator[None]:
    """Run with other options for once."""
    before = {name: highs.getOptionValue(name)[1] for name in options}
    for name, value in options.items():
        highs.setOptionValue(name, value)
    try:
        yield
    finally:
        for name, value in before.items():
            highs.setOptionValue(name, value)


def _outcome(highs: highspy.Highs) -> Outcome:
    kind = highspy.HighsModelStatus
    status = highs.getModelStatus()
    match status:
        case kind.kOptimal | kind.kModelEmpty:
            return Outcome.OPTIMAL
        case kind.kInfeasible:
            return Outcome.INFEASIBLE
        case kind.kUnbounded:
            return Outcome.UNBOUNDED
        case kind.kTimeLimit | kind.kInterrupt | kind.kSolutionLimit | kind.kObjectiveTarget:
            return Outcome.STOPPED
    raise SolverTrouble(
        f"the solver stopped without an answer ({highs.modelStatusToString(status)}); prices or "
        "pounds out of all proportion to each other do that: look for a slip in the tables"
    )


@dataclass(frozen=True)
class Start:
    """An optimal basis of a program, and the costs it is optimal at."""

    basis: highspy.HighsBasis
    cost: np.ndarray


class WarmLinear:
    """A linear program that stays in the solver between small changes.

    After a change of cost, bound or right-hand side, `solve` goes on from the last basis.
    `begin_with` is the restricted master problem; None passes the whole program at once.
    """

    def __init__(self, model: Model, begin_with: RestrictedMaster | None = None) -> None:
        self.model = model
        self.cost = model.cost.copy()
        self.lower, self.upper = model.lower.copy(), model.upper.copy()
        self.row_lower, self.row_upper = model.row_lower.copy(), model.row_upper.copy()
        self._column_of_entry = model.matrix.column
        self._first = begin_with
        self._active = np.arange(len(self.cost)) if begin_with is None else begin_with.columns
        self._place = np.full(len(self.cost), -1)
        """Index of each column in the solver, -1 while it is outside the restricted master."""
        self._place[self._active] = np.arange(len(self._active))
        self._highs = _new_highs()
        self._bounds_moved = False
        _load(
            self._highs,
            self.cost[self._active],
            (self.lower[self._active], self.upper[self._active]),
            model.matrix.take(self._active),
            (self.row_lower, self.row_upper),
        )
        self._artificials = np.zeros(0, int)
        if begin_with is not None:
            self._highs.setOptionValue("presolve", "off")
            self._add_artificial_variables()

    def set_cost(self, columns: np.ndarray, cost: np.ndarray) -> None:
        self.cost[columns] = cost
        inside = columns[self._place[columns] >= 0]
        self._highs.changeColsCost(
            len(inside), self._place[inside].astype(np.int32), self.cost[inside]
        )

    def set_column_bounds(self, column: int, lower: float, upper: float) -> None:
        self.lower[column], self.upper[column] = lower, upper
        self._bounds_moved = True
        if self._place[column] >= 0:
            self._highs.changeColBounds(int(self._place[column]), lower, upper)

    def set_columns_bounds(
        self, columns: np.ndarray, lower: np.ndarray | float, upper: np.ndarray | float
    ) -> None:
        """Bounds of many columns at once."""
        self.lower[columns], self.upper[columns] = lower, upper
        self._bounds_moved = True
        inside = columns[self._place[columns] >= 0]
        place = self._place[inside].astype(np.int32)
        self._highs.changeColsBounds(len(inside), place, self.lower[inside], self.upper[inside])

    def set_row_bounds(self, row: int, lower: float, upper: float) -> None:
        self.row_lower[row], self.row_upper[row] = lower, upper
        self._bounds_moved = True
        self._highs.changeRowBounds(row, lower, upper)

    def add_rows(
        self, matrix: SparseRows, lower: np.ndarray | float, upper: np.ndarray | float
    ) -> None:
        """Append rows, such as cuts, after those that are there.

        Columns left out know nothing of them: only where the whole program was passed at once.
        """
        count = len(matrix.start) - 1
        lowers, uppers = np.full(count, lower, float), np.full(count, upper, float)
        self.row_lower = np.concatenate((self.row_lower, lowers))
        self.row_upper = np.concatenate((self.row_upper, uppers))
        self._bounds_moved = True
        self._highs.addRows(
            count,
            lowers,
            uppers,
            len(matrix.column),
            matrix.start[:-1].astype(np.int32),
            matrix.column.astype(np.int32),
            matrix.value,
        )

    def set_coefficient(self, row: int, column: int, value: float) -> None:
        """Change one entry of a row; as with `add_rows`, for a program passed at once."""
        self._highs.changeCoeff(row, column, value)

    def move_to(self, model: Model) -> bool:
        """Become another program of the same columns, rows and entries, keeping the basis.

        False, with nothing changed, where the two differ in more than numbers, or in matrix
        entries while only a restricted master was passed.
        """
        mine, other = self.model.matrix, model.matrix
        if (
            self.model.names != model.names
            or self.model.requirements != model.requirements
            or len(self.row_lower) != len(model.row_lower)
            or not np.array_equal(mine.start, other.start)
            or not np.array_equal(mine.row, other.row)
        ):
            return False
        changed = np.flatnonzero(mine.value != other.value)
        if len(changed) and len(self._left_out()):
            return False
        for entry in changed:
            row, column = int(other.row[entry]), int(self._column_of_entry[entry])
            self.set_coefficient(row, int(self._place[column]), float(other.value[entry]))
        changed = np.flatnonzero(self.cost != model.cost)
        if len(changed):
            self.set_cost(changed, model.cost[changed])
        moved = (self.lower != model.lower) | (self.upper != model.upper)
        for column in np.flatnonzero(moved).tolist():
            self.set_column_bounds(column, float(model.lower[column]), float(model.upper[column]))
        moved = (self.row_lower != model.row_lower) | (self.row_upper != model.row_upper)
        for row in np.flatnonzero(moved).tolist():
            self.set_row_bounds(row, float(model.row_lower[row]), float(model.row_upper[row]))
        self.model = model
        return True

    def start(self) -> Start:
        """The basis and costs of the last solve, for `solve_from` and nothing else."""
        return Start(self._highs.getBasis(), self.cost.copy())

    def solve_from(self, start: Start) -> Answer:
        """The optimum, reached from an optimal basis of the program under other numbers, so that
        it does not depend on what was solved since; for a program passed at once.

        Bounds move first, at the start's costs: its basis is still dual feasible. Then costs: the
        basis is primal feasible. By measurement a third of the steps of moving both at once.
        """
        every = np.arange(len(self.cost), dtype=np.int32)
        self._highs.clearSolver()
        self._highs.setBasis(start.basis)
        self._highs.changeColsCost(len(every), every, start.cost)
        self._highs.setOptionValue("simplex_strategy", _DUAL_SIMPLEX)
        self._run()
        self._highs.changeColsCost(len(every), every, self.cost)
        self._bounds_moved = False
        return self.solve()

    def prices_if_moved(
        self, moves: Sequence[tuple[Sequence[int], float]]
    ) -> list[np.ndarray | None]:
        """For each move (rows, and how far both their bounds go up): the dual prices of the rows
        after it, where the optimal basis stays optimal; None where it does not and only another
        solve can say.

        The program is not changed; where it was changed since the last solve, all are None. The
        basic variables move along a straight line, one system of equations a move; while all
        of them keep their bounds, the basis and so its prices remain (sensitivity to the right-hand
        side: Bertsimas and Tsitsiklis, Introduction to Linear Optimization, 1997, section 5.1, from
        memory).
        """
        if self._highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return [None] * len(moves)
        _, basic = self._highs.getBasicVariables()
        solution = self._highs.getSolution()
        row_dual = np.array(solution.row_dual)
        value, lower, upper = self._basic_values(basic, solution)
        place_of_row = np.full(len(row_dual), -1)
        of_rows = np.flatnonzero(basic < 0)
        place_of_row[-1 - basic[of_rows]] = of_rows
        prices: list[np.ndarray | None] = []
        for of_move, move in moves:
            rows = np.array(of_move, int)
            # a row that is not basic lies at its bound and goes with it; of a basic one only the
            # bound goes, which is as if the row itself went the other way
            place, pushed = place_of_row[rows], np.zeros(len(row_dual))
            pushed[rows[place < 0]] = move
            _, change = self._highs.getBasisSolve(pushed)
            change[place[place >= 0]] += move
            moved = value + change
            keeps = np.all((moved >= lower - _KEPT) & (moved <= upper + _KEPT))
            prices.append(row_dual[rows] if keeps else None)
        return prices

    def _basic_values(
        self, basic: np.ndarray, solution: highspy.HighsSolution
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Values of the basic variables and the bounds they keep, by the solver's tolerance.

        Row r is -1 - r among them, with its sign reversed. Artificial variables stay at zero.
        """
        lower, upper = np.zeros((2, self._highs.getNumCol()))
        lower[self._place[self._active]] = self.lower[self._active]
        upper[self._place[self._active]] = self.upper[self._active]
        value, lower, upper = (
            np.concatenate((of_columns, -np.asarray(of_rows)[::-1]))[basic]
            for of_columns, of_rows in (
                (solution.col_value, solution.row_value),
                (lower, self.row_upper),
                (upper, self.row_lower),
            )
        )
        return value, np.minimum(lower, value), np.maximum(upper, value)

    def solve(self) -> Answer:
        """The optimum of the whole program, or the outcome that there is none."""
        # a moved bound leaves the last basis dual feasible, anything else primal feasible
        strategy = _DUAL_SIMPLEX if self._bounds_moved else _PRIMAL_SIMPLEX
        self._bounds_moved = False
        self._highs.setOptionValue("simplex_strategy", strategy)
        outcome = self._price_out(self.cost)
        if outcome is Outcome.OPTIMAL and self._artificial_lb() > 1e-6:
            outcome = self._drop_artificials()
        if outcome is not Outcome.OPTIMAL:
            return _no_answer(outcome)
        solution = self._highs.getSolution()
        x = np.zeros(len(self.cost))
        x[self._active] = np.array(solution.col_value)[self._place[self._active]]
        row_dual = np.array(solution.row_dual)
        objective = dot(self.cost, x)
        reduced = self._reduced_cost(self.cost, row_dual)
        reduced[self._active] = np.array(solution.col_dual)[self._place[self._active]]
        return Answer(Outcome.OPTIMAL, objective, objective, x, row_dual, reduced)

    def _price_out(self, cost: np.ndarray) -> Outcome:
        """Column generation: add columns of negative reduced cost until none is left."""
        while True:
            outcome = self._run()
            if outcome is Outcome.UNBOUNDED or len(self._active) == len(self.cost):
                return outcome
            # an infeasible restricted master says nothing about the whole program
            entering = (
                self._entering_columns(cost) if outcome is Outcome.OPTIMAL else self._left_out()
            )
            if not len(entering):
                return outcome
            self._activate(entering)
            self._highs.setOptionValue("simplex_strategy", _PRIMAL_SIMPLEX)

    def _run(self) -> Outcome:
        self._highs.run()
        if self._highs.getModelStatus() in _SOLVER_FAILURES:
            self._run_cold()
        if self._highs.getModelStatus() == highspy.HighsModelStatus.kUnboundedOrInfeasible:
            with _options(self._highs, presolve="off"):
                self._highs.run()
        if self._highs.getModelStatus() == highspy.HighsModelStatus.kInfeasible:
            self._prove_infeasible()
        return _outcome(self._highs)

    def _prove_infeasible(self) -> None:
        """Let the dual simplex confirm that there is no plan: the primal simplex, which perturbs
        bounds, is sometimes wrong."""
        if self._highs.getOptionValue("simplex_strategy")[1] != _DUAL_SIMPLEX:
            with _options(self._highs, presolve="off", simplex_strategy=_DUAL_SIMPLEX):
                self._highs.run()
            if self._highs.getModelStatus() in _SOLVER_FAILURES:
                self._run_cold()

    def _run_cold(self) -> None:
        """Solve from scratch, one way after another, after a solver failure. A warm start fails
        rarely; numbers out of proportion, such as 1,000,000 USD/lb next to one cent, more often."""
        scales = {}, *map(self._scales, _FURTHER_BITS)
        for way in [{**way, **scale} for scale in scales for way in _COLD_WAYS]:
            self._highs.clearSolver()
            with _options(self._highs, **way):
                self._highs.run()
            if self._highs.getModelStatus() not in _SOLVER_FAILURES:
                return

    def _scales(self, further_bits: int) -> dict[str, int]:
        """Powers of two that scale large prices and pounds down for the solver, so that its
        tolerances stay above its rounding errors."""
        bounds = np.concatenate((self.lower, self.upper, self.row_lower, self.row_upper))
        largest_lb = np.abs(bounds[np.isfinite(bounds)]).max(initial=1.0)
        dearest_usd = np.abs(self.cost).max(initial=1.0)
        return {
            name: min(0, bits - math.ceil(math.log2(largest))) - further_bits
            for name, bits, largest in (
                ("user_bound_scale", _LARGEST_BITS, largest_lb),
                ("user_objective_scale", _DEAREST_BITS, dearest_usd),
            )
        }

    def _reduced_cost(self, cost: np.ndarray, row_dual: np.ndarray) -> np.ndarray:
        matrix = self.model.matrix
        value = np.bincount(self._column_of_entry, matrix.value * row_dual[matrix.row], len(cost))
        return cost - value

    def _left_out(self) -> np.ndarray:
        return np.flatnonzero(self._place < 0)

    def _entering_columns(self, cost: np.ndarray) -> np.ndarray:
        """Columns of negative reduced cost: the best of each blend and of each lot, so that no
        blend and no lot waits for a later round."""
        reduced = self._reduced_cost(cost, np.array(self._highs.getSolution().row_dual))
        reduced[self._active] = 0.0
        paying = np.flatnonzero(reduced < _ENTERS_BELOW_USD)
        best = np.zeros(len(paying), bool)
        assert self._first is not None, "columns are left out of a restricted master only"
        for group, count in ((self._first.blend, _BEST_OF_BLEND), (self._first.lot, _BEST_OF_LOT)):
            best[best_of_group(group[paying], reduced[paying], count)] = True
        return paying[best]

    def _activate(self, columns: np.ndarray) -> None:
        part = self.model.matrix.take(columns)
        place = self._highs.getNumCol()
        self._highs.addCols(
            len(columns),
            self.cost[columns],
            self.lower[columns],
            self.upper[columns],
            len(part.row),
            part.start[:-1].astype(np.int32),
            part.row.astype(np.int32),
            part.value,
        )
        self._place[columns] = place + np.arange(len(columns))
        self._active = np.concatenate((self._active, columns))

    def _add_artificial_variables(self) -> None:
        """One for each demand, at a high cost, so that the restricted master is feasible."""
        demands = np.flatnonzero(self.row_lower > 0).astype(np.int32)
        self._artificials = len(self._active) + np.arange(len(demands))
        price = _ARTIFICIAL_TIMES_DEAREST * np.abs(self.cost).max(initial=1.0)
        self._highs.addCols(
            len(demands),
            np.full(len(demands), price),
            np.zeros(len(demands)),
            np.full(len(demands), np.inf),
            len(demands),
            np.arange(len(demands), dtype=np.int32),
            demands,
            np.ones(len(demands)),
        )

    def _artificial_lb(self) -> float:
        if not len(self._artificials):
            return 0.0
        return float(np.array(self._highs.getSolution().col_value)[self._artificials].sum())

    def _drop_artificials(self) -> Outcome:
        """Phase one: find whether the demands can be met at all, then at which cost."""
        self._set_all_costs(np.zeros_like(self.cost), artificial=1.0)
        self._price_out(np.zeros_like(self.cost))
        short_lb = self._artificial_lb()
        self._set_all_costs(self.cost, artificial=0.0)
        if short_lb > 1e-6:
            return Outcome.INFEASIBLE
        count = len(self._artificials)
        self._highs.changeColsBounds(
            count, self._artificials.astype(np.int32), np.zeros(count), np.zeros(count)
        )
        return self._price_out(self.cost)

    def _set_all_costs(self, cost: np.ndarray, artificial: float) -> None:
        every = np.full(self._highs.getNumCol(), artificial)
        every[self._place[self._active]] = cost[self._active]
        self._highs.changeColsCost(len(every), np.arange(len(every), dtype=np.int32), every)


def best_of_group(group: np.ndarray, value: np.ndarray, count: int) -> np.ndarray:
    """Positions of the `count` lowest values within each group."""
    order = np.lexsort((value, group))
    ordered = group[order]
    begins = np.flatnonzero(np.concatenate(([True], ordered[1:] != ordered[:-1])))
    size = np.diff(np.append(begins, len(order)))
    rank = np.arange(len(order)) - np.repeat(begins, size)
    return order[rank < count]


def solve_whole(
    model: Model,
    *,
    gap_share: float,
    time_limit_s: float,
    guess: np.ndarray | None = None,
    on_better: Callable[[float, float], None] | None = None,
    stopped: Callable[[], bool] | None = None,
    target: float = -math.inf,
    max_nodes: int | None = None,
    is_easy: bool = False,
    effort: float = DEFAULT_EFFORT,
) -> Answer:
    """Solve in whole numbers to a relative gap, or until time is out or the user stops it.

    `guess` is a MIP start: a value for each whole column (NaN: none); a short search, within the
    time limit too, completes it to a first plan. `on_better(objective, bound)` is called for each
    better plan; `stopped()` is called now and then, and True ends the search. So do a plan at or
    below `target`, and `max_nodes` nodes of the search tree. With `is_easy` the solver's own
    searches for a first plan are left out; `effort` is the share of the search that looks for
    better ones. A search that is stopped returns the best plan so far with its bound. Raises
    KeyboardInterrupt where Ctrl-C comes before there is a plan.
    """
    until = time.monotonic() + time_limit_s
    start, begun = None, None
    given = np.zeros(0) if guess is None else np.isfinite(guess[model.whole])
    if given.all() and len(given):
        start = guess
    elif guess is not None and given.any():
        held = _fixed_at(model, guess)
        share_s = _COMPLETION_SHARE * time_limit_s
        begun = _search(held, gap_share, share_s, on_better, stopped, _COMPLETION_NODES)
        start = begun.x if len(begun.x) else None

    def search(start: np.ndarray | None, whole_within: float) -> Answer:
        return _search(
            model,
            gap_share,
            max(0.0, until - time.monotonic()),
            on_better,
            stopped,
            max_nodes,
            start=start,
            whole_within=whole_within,
            target=target,
            is_easy=is_easy,
            effort=effort,
        )

    found = or_better(begun, lambda: search(start, _WHOLE_WITHIN))
    if found.was_interrupted or not _lacks_to_whole(model, found.x):
        return found
    try:
        closely = search(None, _WHOLE_WITHIN_CLOSELY)
    except KeyboardInterrupt:
        return replace(found, outcome=Outcome.STOPPED, was_interrupted=True)
    return found if closely.outcome is Outcome.STOPPED and not len(closely.x) else closely


def _lacks_to_whole(model: Model, x: np.ndarray) -> bool:
    """Whether rounding whole columns to integers moves many pounds, as for a lot of ten million
    pounds that is taken 0.999999 times."""
    if not len(x):
        return False
    lacks = np.where(model.whole, np.abs(x - np.round(x)), 0.0)
    matrix = model.matrix
    return bool((np.abs(matrix.value) * lacks[matrix.column]).max(initial=0.0) > _MIN_FRACTION_LB)


def or_better(begun: Answer | None, search: Callable[[], Answer]) -> Answer:
    """What a search finds, or the plan of `begun` where it finds none better; no search where
    Ctrl-C ended that one.

    `begun` may be without a plan; its bound is not of the program searched.
    """
    if begun is None or not len(begun.x):
        return search()
    kept = replace(begun, outcome=Outcome.STOPPED, bound=-np.inf)
    if begun.was_interrupted:
        return kept
    try:
        found = search()
    except KeyboardInterrupt:
        return replace(kept, was_interrupted=True)
    if not len(found.x):
        return kept
    if found.objective > begun.objective:
        return replace(found, x=begun.x, objective=begun.objective)
    return found


def _fixed_at(model: Model, guess: np.ndarray) -> Model:
    """The program with whole columns fixed at the values of a MIP start."""
    held = model.whole & np.isfinite(guess)
    return replace(
        model, lower=np.where(held, guess, model.lower), upper=np.where(held, guess, model.upper)
    )


def _search(
    model: Model,
    gap_share: float,
    time_limit_s: float,
    on_better: Callable[[float, float], None] | None,
    stopped: Callable[[], bool] | None,
    max_nodes: int | None = None,
    start: np.ndarray | None = None,
    whole_within: float = _WHOLE_WITHIN,
    target: float = -math.inf,
    is_easy: bool = False,
    effort: float = DEFAULT_EFFORT,
) -> Answer:
    """One search of `solve_whole`; `start` is a plan, of its whole columns at least (NaN: none)."""
    highs = _new_highs()
    highs.setOptionValue("mip_rel_gap", gap_share)
    highs.setOptionValue("mip_feasibility_tolerance", whole_within)
    highs.setOptionValue("time_limit", time_limit_s)
    highs.setOptionValue("objective_target", target)
    highs.setOptionValue("mip_detect_symmetry", False)  # by measurement there is none to use
    highs.setOptionValue("mip_heuristic_effort", effort)
    for name, value in _EASY_OPTIONS.items() if is_easy else ():
        highs.setOptionValue(name, value)
    if max_nodes is not None:
        highs.setOptionValue("mip_max_nodes", max_nodes)
    row_bounds = (model.row_lower, model.row_upper)
    # most pairs of a neighborhood or a rounding are out of use
    kept = np.flatnonzero((model.lower != 0) | (model.upper != 0))
    bounds = (model.lower[kept], model.upper[kept])
    _load(highs, model.cost[kept], bounds, model.matrix.take(kept), row_bounds, model.whole[kept])
    if start is not None:
        # this heuristic looks for a first plan, which is given; it takes a sixth of the time
        highs.setOptionValue("mip_heuristic_run_feasibility_jump", False)
        given = np.flatnonzero(np.isfinite(start[kept]))
        highs.setSolution(len(given), given.astype(np.int32), start[kept][given])
    if on_better is not None:
        highs.cbMipImprovingSolution.subscribe(
            lambda event: on_better(event.data_out.mip_primal_bound, event.data_out.mip_dual_bound)
        )
    was_interrupted = _run_interruptibly(highs, stopped)
    outcome = _outcome(highs)
    info = highs.getInfo()
    if outcome in (Outcome.INFEASIBLE, Outcome.UNBOUNDED):
        return _no_answer(outcome)
    has_plan = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
    if not has_plan and len(kept):  # Without a column there is nothing to decide.
        if was_interrupted:
            raise KeyboardInterrupt  # Nothing was found that the user could be given.
        return _no_answer(Outcome.STOPPED)
    x = np.zeros(len(model.cost))
    x[kept] = np.array(highs.getSolution().col_value)
    bound = info.mip_dual_bound if model.whole.any() else info.objective_function_value
    objective = dot(model.cost, x)
    return Answer(outcome, objective, bound, x, _NOTHING, _NOTHING, was_interrupted)


def _run_interruptibly(highs: highspy.Highs, stopped: Callable[[], bool] | None) -> bool:
    """Run so that Ctrl-C, or `stopped`, ends the search and keeps what it has found.

    True where Ctrl-C came.
    """
    highs.HandleUserInterrupt = True
    was_interrupted = False
    ended = Event()

    def search() -> None:
        try:
            highs.run()
        finally:
            ended.set()

    # a thread of its own: the library's way to start one holds a lock that all solvers share, so
    # that of two searches at once the second would be refused
    Thread(target=search, name=SEARCH_THREAD, daemon=True).start()
    while True:
        # the signal may come to another thread, and be raised here anywhere after the wait
        try:
            if ended.wait(0.2):
                return was_interrupted
            if was_interrupted or (stopped is not None and stopped()):
                highs.cancelSolve()
        except KeyboardInterrupt:
            was_interrupted = True
