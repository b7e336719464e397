"""A case as a PuLP problem: to read, to extend, to export, and to solve with another solver.

The problem is made from the same arrays that HiGHS gets, so there is one statement of the model.
Variables and constraints have readable names: use[I90-2,GB80], lean_min[GB80]. A file gets names
that LP and MPS readers accept: use(I90_2,GB80).

This is the only module that imports PuLP, and it is itself imported where it is needed, because
PuLP takes 0.1 s to load.
"""

from __future__ import annotations

import re
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pulp

from blend.domain.case import Case
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.domain.requirements import ConstraintClass, Requirement
from blend.errors import FileTrouble, InputRefused, OutOfTime, SolverTrouble, refusal
from blend.model.arrays import Model
from blend.model.build import build_model


class _Readable:
    """Keeps brackets and dashes in its name, where PuLP puts underscores."""

    @property
    def name(self) -> str:
        return self._readable

    @name.setter
    def name(self, name: str) -> None:
        self._readable = name


class _ReadableVariable(_Readable, pulp.LpVariable):
    pass


class _ReadableConstraint(_Readable, pulp.LpConstraint):
    pass


class BlendProblem(pulp.LpProblem):
    """The model of a case. Pounds by id, for writing further constraints:

    use[lot, product] as weighed, take[lot], finished[product] and short[product], where a
    product may fall short. Where each batch has its own recipe, pounds of a product are the sum
    over its batches.
    """

    use: dict[tuple[str, str], pulp.LpAffineExpression]
    take: dict[str, pulp.LpAffineExpression]
    finished: dict[str, pulp.LpAffineExpression]
    short: dict[str, pulp.LpAffineExpression]

    def __init__(self, model: Model) -> None:
        super().__init__("blend", pulp.LpMinimize)
        self.columns = _variables(model)
        self.setObjective(_expression(self.columns, np.arange(len(model.cost)), model.cost))
        for name, row in _rows(model, self.columns):
            self.addConstraint(row, name)
        self.use = self._by_ids(model, "use", 2)
        self.take = self._by_ids(model, "take", 1)
        self.finished = self._by_ids(model, "finished", 1)
        self.short = self._by_ids(model, "short", 1)

    def _by_ids(self, model: Model, block: str, count: int) -> dict[Any, pulp.LpAffineExpression]:
        columns = self.columns[model.names[block]]
        pounds: dict[Any, pulp.LpAffineExpression] = defaultdict(pulp.LpAffineExpression)
        for ids, column in zip(model.keys[block](), columns, strict=True):
            pounds[ids[0] if count == 1 else ids[:count]] += column
        return dict(pounds)

    def writeLP(self, filename: str, *args: Any, **options: Any) -> Any:
        with _FileNames(self):
            return super().writeLP(filename, *args, **options)

    def writeMPS(
        self, filename: str, mpsSense: int = 0, rename: bool = False, *args: Any, **options: Any
    ) -> Any:
        if rename:  # solvers number the names by themselves
            return super().writeMPS(filename, mpsSense, rename, *args, **options)
        with _FileNames(self):
            return super().writeMPS(filename, mpsSense, rename, *args, **options)


def pulp_problem(case: Case) -> BlendProblem:
    """The model of a case with whole containers, counts and batches, as a PuLP problem."""
    return BlendProblem(build_model(case, whole=True))


def _variables(model: Model) -> list[pulp.LpVariable]:
    names = [""] * len(model.cost)
    for block, columns in model.names.items():
        ids = model.keys[block]()
        names[columns] = [f"{block}[{','.join(each)}]" for each in ids]
    return [
        _ReadableVariable(
            name,
            lower if np.isfinite(lower) else None,
            upper if np.isfinite(upper) else None,
            pulp.LpInteger if is_whole else pulp.LpContinuous,
            _skip_v4_deprecation=True,
        )
        for name, lower, upper, is_whole in zip(
            names, model.lower.tolist(), model.upper.tolist(), model.whole.tolist(), strict=True
        )
    ]


def _expression(
    variables: list[pulp.LpVariable], columns: np.ndarray, values: np.ndarray
) -> pulp.LpAffineExpression:
    terms = zip(columns.tolist(), values.tolist(), strict=True)
    return pulp.LpAffineExpression({variables[column]: value for column, value in terms if value})


def _rows(
    model: Model, variables: list[pulp.LpVariable]
) -> Iterator[tuple[str, pulp.LpConstraint]]:
    """Every row under its name; a row with two different bounds is two constraints."""
    matrix = model.matrix
    order = np.argsort(matrix.row, kind="stable")
    start = np.searchsorted(matrix.row[order], np.arange(len(model.row_lower) + 1))
    for row, name in enumerate(_row_names(model.requirements)):
        entries = order[start[row] : start[row + 1]]
        terms = _expression(variables, matrix.column[entries], matrix.value[entries])
        lower, upper = float(model.row_lower[row]), float(model.row_upper[row])
        if lower == upper:
            yield name, _ReadableConstraint(terms, pulp.LpConstraintEQ, name, lower)
            continue
        both = np.isfinite(lower) and np.isfinite(upper)
        if np.isfinite(lower):
            name_min = f"{name}.min" if both else name
            yield name_min, _ReadableConstraint(terms, pulp.LpConstraintGE, name_min, lower)
        if np.isfinite(upper):
            name_max = f"{name}.max" if both else name
            yield name_max, _ReadableConstraint(terms, pulp.LpConstraintLE, name_max, upper)


def _row_names(requirements: Sequence[Requirement]) -> list[str]:
    """A rule's rows are called after the rule; where it has a min and a max they say which, and
    further rows of one name are numbered."""
    names = [_row_name(requirement) for requirement in requirements]
    classes: dict[str, set[str]] = defaultdict(set)
    for name, requirement in zip(names, requirements, strict=True):
        classes[name].add(requirement.constraint_class)
    for place, requirement in enumerate(requirements):
        if len(classes[names[place]]) > 1:
            names[place] += f".{requirement.constraint_class.rsplit('_', 1)[-1]}"
    many = {name for name, count in Counter(names).items() if count > 1}
    seen: Counter[str] = Counter()
    for place, name in enumerate(names):
        if name in many:
            seen[name] += 1
            names[place] = f"{name}.{seen[name]}"
    return names


def _row_name(requirement: Requirement) -> str:
    if requirement.constraint_class == ConstraintClass.ADDED:
        return requirement.rule_id
    ids = ",".join(filter(None, (requirement.lot_id, requirement.product_id)))
    name = requirement.rule_id or str(requirement.constraint_class)
    return f"{name}[{ids}]" if ids else name


# Files -----------------------------------------------------------------------------------------

_MAX_NAME = 90
"""Characters; PuLP allows 100 in an LP file."""


class _FileNames:
    """While it lasts, the problem's variables and constraints have names fit for a file."""

    def __init__(self, problem: BlendProblem) -> None:
        self.problem = problem
        self.names = [variable.name for variable in problem.columns]
        self.rows = problem._constraints

    def __enter__(self) -> None:
        for variable, name in zip(self.problem.columns, _file_names(self.names), strict=True):
            variable.name = name
        names = _file_names(self.rows)
        self.problem._constraints = dict(zip(names, self.rows.values(), strict=True))

    def __exit__(self, *error: object) -> None:
        for variable, name in zip(self.problem.columns, self.names, strict=True):
            variable.name = name
        self.problem._constraints = self.rows


def _file_names(names: Iterable[str]) -> list[str]:
    """Names of letters, digits and . , _ ( ), all different."""
    taken: set[str] = set()
    safe = []
    for name in names:
        plain = file_name(name)
        number = 2
        while plain in taken:
            plain = f"{file_name(name)}.{number}"
            number += 1
        taken.add(plain)
        safe.append(plain)
    return safe


def file_name(name: str) -> str:
    """A name as LP and MPS readers accept it: use(I90_2,GB80) for use[I90-2,GB80]."""
    plain = re.sub(r"[^A-Za-z0-9_.,()]", "_", name.replace("[", "(").replace("]", ")"))
    plain = plain if re.match(r"[A-Za-z_]", plain) else f"c_{plain}"
    return plain[:_MAX_NAME]


def write_model(case: Case, path: Path) -> None:
    """Write the model of a case as an .lp or .mps file, which any solver reads."""
    suffix = path.suffix.lower()
    if suffix not in (".lp", ".mps"):
        raise FileTrouble(f"{path}: a model is written as .lp or .mps; end the name in one of them")
    problem = pulp_problem(case)
    try:
        problem.writeLP(str(path)) if suffix == ".lp" else problem.writeMPS(str(path))
    except OSError as error:
        raise FileTrouble(f"{path}: {error.strerror}") from None


# Constraints added by the user -------------------------------------------------------------------

Added: TypeAlias = (
    "Mapping[str, pulp.LpConstraint] | Iterable[pulp.LpConstraint | tuple[pulp.LpConstraint, str]]"
)
"""PuLP constraints by name, or a list of them, each alone or with its name."""


def constraints_from_pulp(case: Case, added: Added) -> tuple[LinearConstraint, ...]:
    """PuLP constraints on use, take, finished and short as constraints of a case.

    Raises InputRefused for one on other variables, or on single batches.
    """
    if isinstance(added, Mapping):
        named = [(added[name], str(name)) for name in added]
    else:
        named = [_named(each) for each in added]
    constraints = []
    for number, (row, name) in enumerate(named, 1):
        name = name or f"added_{number}"
        limit = -float(row.constant)
        constraints.append(
            LinearConstraint(
                name,
                _terms(case, name, row),
                minimum=None if row.sense == pulp.LpConstraintLE else limit,
                maximum=None if row.sense == pulp.LpConstraintGE else limit,
            )
        )
    return tuple(constraints)


def _named(each: Any) -> tuple[pulp.LpConstraint, str]:
    return each if isinstance(each, tuple) else (each, each.name)


_VARIABLE = re.compile(r"(use|take|finished|short)\[(.*)\]")


def _terms(case: Case, name: str, row: pulp.LpConstraint) -> tuple[Term, ...]:
    by_batch: dict[tuple[Pounds, tuple[str, ...]], list[float]] = defaultdict(list)
    for variable, coefficient in row.items():
        found = _VARIABLE.fullmatch(variable.name)
        if found is None:
            raise _refused(
                name,
                f"variable {variable.name} cannot be limited",
                "Use use[lot,product], take[lot], finished[product] or short[product].",
            )
        pounds, ids = Pounds(found[1]), tuple(found[2].split(","))
        count = 2 if pounds is Pounds.USE else 1
        by_batch[pounds, ids[:count]].append(float(coefficient))
    terms = []
    for (pounds, ids), coefficients in by_batch.items():
        if len(set(coefficients)) > 1:
            raise _refused(
                name, "batches have different numbers", "Limit all batches of a product."
            )
        lot_id = ids[0] if pounds in (Pounds.USE, Pounds.TAKE) else ""
        product_id = "" if pounds is Pounds.TAKE else ids[-1]
        terms.append(Term(coefficients[0], pounds, lot_id, product_id))
    return tuple(terms)


def _refused(name: str, wrong: str, hint: str) -> InputRefused:
    return refusal("constraints", name, wrong, "", hint)


# A second solver ---------------------------------------------------------------------------------


_CBC_OPTIONS = ("preprocess off",)
"""By measurement: preprocessing in CBC 2.10.3 calls the demo plant's model infeasible, which CBC
without it, HiGHS and the independent statement of the tests all solve."""


@dataclass(frozen=True)
class SecondSolver:
    """What CBC finds for the same model. No plan costs less than `floor_usd`, by CBC's search."""

    cost_usd: float
    floor_usd: float
    is_optimal: bool
    """Within the gap allowed; otherwise time ran out."""


def solve_by_cbc(case: Case) -> SecondSolver:
    """Solve the model of a case with CBC through PuLP, to the case's gap and time limit.

    Raises SolverTrouble where CBC finds the model infeasible or fails, OutOfTime where it has no
    plan in time.
    """
    problem = pulp_problem(case)
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "cbc.log"
        solver = pulp.PULP_CBC_CMD(
            msg=False,
            gapRel=case.settings.gap_share,
            timeLimit=case.settings.time_limit_s,
            threads=1,
            logPath=str(log),
            options=list(_CBC_OPTIONS),
        )
        try:
            problem.solve(solver)
        except pulp.PulpError as error:
            raise SolverTrouble(f"CBC failed: {error}") from None
        text = log.read_text(errors="replace")
    if problem.sol_status in (pulp.LpSolutionInfeasible, pulp.LpSolutionUnbounded):
        raise SolverTrouble("CBC finds no plan for the model that HiGHS has solved; trust neither")
    if problem.sol_status == pulp.LpSolutionNoSolutionFound:
        raise OutOfTime("CBC found no plan in the time allowed; allow more with --time-limit")
    cost = float(pulp.value(problem.objective) or 0.0)
    is_optimal = "Stopped on time" not in text
    return SecondSolver(cost, _floor(text, cost, is_optimal), is_optimal)


def _floor(log: str, cost_usd: float, is_optimal: bool) -> float:
    """The lower bound that CBC reports. It prints none where it has closed the gap."""
    bounds = re.findall(r"Lower bound:\s+(\S+)", log)
    if bounds:
        return float(bounds[-1])
    return cost_usd if is_optimal else -np.inf
