"""What is attacked: every reader, with sound tables that it reads."""

from __future__ import annotations

import csv
import signal
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from blend.domain.case import Case
from blend.errors import FileTrouble, InputRefused
from blend.tables.clearing import holds_market, read_market, read_moves
from blend.tables.columns import (
    CONFIDENCE_TABLES,
    EVIDENCE_TABLES,
    HISTORY_TABLES,
    IMPORT_TABLES,
    MARKET_TABLES,
    METHOD,
    POSITION_TABLES,
    QUOTATIONS,
    SCENARIOS,
    TABLES,
    Table,
)
from blend.tables.evidence import holds_tests, read_batch_tests, read_temperatures, read_tests
from blend.tables.history import read_history
from blend.tables.imports import holds_offers, read_imports
from blend.tables.method import read_method
from blend.tables.positions import read_horizon
from blend.tables.quotations import read_quotations
from blend.tables.read import read_case
from blend.tables.scenarios import read_scenarios
from blend.tables.uncertainty import read_chance_constraints, read_spread, read_uncertainty
from blend.tables.write import write_case

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_data"
SPECS = ROOT / "specs"
EVERY_TABLE: dict[str, Table] = {
    **TABLES,
    **EVIDENCE_TABLES,
    **CONFIDENCE_TABLES,
    QUOTATIONS.name: QUOTATIONS,
    **POSITION_TABLES,
    **IMPORT_TABLES,
    SCENARIOS.name: SCENARIOS,
    **HISTORY_TABLES,
    METHOD.name: METHOD,
    **MARKET_TABLES,
}

Grid = list[list[str]]
"""A table as cells; its first row is the header."""

LONGEST_S = 5.0
"""A person waits so long for a refusal; no demo table takes a fiftieth of it."""


@dataclass(frozen=True)
class Target:
    """One reader: the sound tables that lie in its folder, those attacked, and its call.

    `is_case` means that what is read is a case, which can be written and read again.
    """

    name: str
    tables: Mapping[str, Grid] = field(repr=False)
    attacked: tuple[str, ...]
    read: Callable[[Path], Any] = field(repr=False)
    csv_only: bool = False
    is_case: bool = False


def grid_of(path: Path, max_rows: int = 100) -> Grid:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.reader(file))[: max_rows + 1]


def _own(grid: Grid, column: str) -> Grid:
    """Rows that come with `blend` as rows of a plant's own, under names of its own."""
    place = grid[0].index(column)
    return [
        grid[0],
        *([*row[:place], f"own {row[place]}", *row[place + 1 :]] for row in grid[1:]),
    ]


def case_grids(folder: Path) -> dict[str, Grid]:
    return {name: grid_of(folder / f"{name}.csv") for name in TABLES if name != "standards"}


@cache
def demo_case() -> Case:
    return read_case(DEMO).case


@cache
def market_case() -> Case:
    return read_case(DEMO / "market").case


@cache
def _demo_offers() -> tuple[Any, ...]:
    return read_imports(DEMO).offers


def _tests(folder: Path) -> None:
    holds_tests(folder)
    read_tests(folder, demo_case())


def _uncertainty(folder: Path) -> None:
    try:
        read_spread(folder, demo_case())
        read_chance_constraints(folder, demo_case())
    finally:
        read_uncertainty(folder, demo_case())


def _imports(folder: Path) -> None:
    holds_offers(folder)
    read_imports(folder)


def _market(folder: Path) -> None:
    holds_market(folder)
    read_market(folder, market_case())


def _moves(folder: Path) -> None:
    market = read_market(DEMO / "market", market_case())
    read_moves(folder / "market_moves.csv", market)


@cache
def targets() -> tuple[Target, ...]:
    case = case_grids(DEMO)
    case["standards"] = _own(grid_of(SPECS / "standards.csv", 12), "row_id")
    beside = {
        name: grid_of(DEMO / f"{name}.csv", 40)
        for name in (
            *("tests", "batch_tests", "temperatures", "confidence", "lean_spread"),
            *("quotations", "foreign_offers", "scenarios", "orders", "forward_offers", "coolers"),
        )
    }
    # A required confidence needs the spread of every lot.
    beside["lean_spread"] = grid_of(DEMO / "lean_spread.csv")
    beside["day_rules"] = [
        ["rule_id", "kind", "lots", "against", "min_lb", "max_lb", "note"],
        ["busy grinder", "max_used", "fresh_or_frozen=frozen", "", "", "60000", "one line"],
        ["no crumbs", "min_if_used", "species=beef", "", "500", "", ""],
        ["lean with fat", "needs", "lean>=0.9", "lean<=0.55", "100", "", ""],
    ]
    methods = grid_of(SPECS / "lean_test_methods.csv")
    rates = grid_of(SPECS / "import_rates.csv")
    history = {name: grid_of(DEMO / "history" / f"{name}.csv", 40) for name in HISTORY_TABLES}
    moves = grid_of(DEMO / "market" / "imports_short.csv")
    return (
        Target("case", case, tuple(TABLES), read_case, is_case=True),
        Target(
            "horizon",
            {**case_grids(DEMO), **{name: beside[name] for name in POSITION_TABLES}},
            tuple(POSITION_TABLES),
            read_horizon,
        ),
        Target(
            "tests",
            {"tests": beside["tests"], "lean_test_methods": methods},
            ("tests", "lean_test_methods"),
            _tests,
        ),
        _alone("batch_tests", beside, lambda folder: read_batch_tests(folder, demo_case())),
        _alone("temperatures", beside, lambda folder: read_temperatures(folder, demo_case())),
        Target(
            "uncertainty",
            {name: beside[name] for name in CONFIDENCE_TABLES},
            tuple(CONFIDENCE_TABLES),
            _uncertainty,
        ),
        _alone("quotations", beside, read_quotations),
        Target(
            "imports",
            {"foreign_offers": beside["foreign_offers"], "import_rates": rates},
            tuple(IMPORT_TABLES),
            _imports,
        ),
        _alone(
            "scenarios",
            beside,
            lambda folder: read_scenarios(folder, demo_case(), _demo_offers()),
        ),
        Target("history", history, tuple(HISTORY_TABLES), read_history),
        _alone(
            "quotation_method",
            {"quotation_method": grid_of(SPECS / "quotation_method.csv")},
            lambda folder: read_method(folder / "quotation_method.csv"),
            csv_only=True,
        ),
        _alone(
            "product_demand",
            {"product_demand": grid_of(DEMO / "market" / "product_demand.csv")},
            _market,
        ),
        _alone("market_moves", {"market_moves": moves}, _moves, csv_only=True),
    )


def _alone(
    name: str,
    grids: Mapping[str, Grid],
    read: Callable[[Path], Any],
    *,
    csv_only: bool = False,
) -> Target:
    return Target(name, {name: grids[name]}, (name,), read, csv_only)


# Reading under watch --------------------------------------------------------------------------


class TooSlow(BaseException):
    """No Exception, so that no reader takes it for damage of the file it reads."""


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """Stop what works longer, by the processor's clock, which other work on the machine does
    not move; only in the main thread."""

    def stop(number: int, frame: object) -> None:
        raise TooSlow(f"more than {seconds:g} s")

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def outcome(target: Target, folder: Path) -> str:
    """`read`, `refused` or `trouble`; anything else that comes of it is raised.

    What is refused is explained, and nothing in the folder is touched.
    """
    before = files_of(folder)
    try:
        with within(LONGEST_S):
            result = _outcome(target, folder)
    finally:
        assert files_of(folder) == before, "a reader wrote"
    return result


def _outcome(target: Target, folder: Path) -> str:
    try:
        read = target.read(folder)
    except InputRefused as refused:
        assert refused.problems
        for problem in refused.problems:
            assert problem.file and problem.value, problem
            assert "\n" not in str(problem) and len(str(problem)) < 2_000, problem
        return "refused"
    except FileTrouble as trouble:
        assert str(trouble).strip()
        return "trouble"
    if target.is_case:
        _check_written_again(read.case, folder.parent / "again")
    return "read"


def _check_written_again(case: Case, folder: Path) -> None:
    """What was read of an odd sheet can be written, and gives the same case again."""
    write_case(case, folder)
    again = read_case(folder).case
    assert again == case
