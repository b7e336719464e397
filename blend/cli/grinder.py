"""What the plant asks for: plan the day, check the tables."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from blend.cli.answers import FILE, answers
from blend.cli.common import FOLDER, GAP, TIME_LIMIT, WHOLE, progress_line, with_settings
from blend.cli.model import by_second_solver, with_added
from blend.cli.params import DOLLARS, Measured, Points, Share
from blend.domain.uncertainty import MAX_CONFIDENCE, SOLVENT_EXTRACTION_SD_SHARE
from blend.errors import Caution, FileTrouble, InputRefused, Problem, SolverTrouble
from blend.files import check_place

if TYPE_CHECKING:
    from blend.domain.case import Case
    from blend.domain.plan import Plan
    from blend.domain.uncertainty import LeanUncertainty
    from blend.grinder.odds import Errors
    from blend.grinder.rest_of_day import RestOfDay
    from blend.grinder.safe import ConfidentPlan
    from blend.grinder.temperature import BatchTemperature
    from blend.grinder.whole_break_even import WholeBreakEven
    from blend.output.answer import Answer

FROM_TABLE = "table"
_AT_LEAST_HALF = Share(0.5, MAX_CONFIDENCE)


class Confidence(click.ParamType):
    """A percent or a share from one half up, or the word `table`."""

    name = "percent"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float | str:
        return value if value == FROM_TABLE else _AT_LEAST_HALF.convert(value, param, ctx)


_OF_THE_PLAN_ALONE = (
    "workbook", "work_order", "run_order", "temps", "max_temp", "write_model", "second_solver",
    "whole_break_even",
)  # fmt: skip
"""Options that a comparison with a recipe has no use for."""


@click.command(
    epilog="""\b
Examples:
  blend plan demo_data --recipes
  blend plan demo_data --confidence 95 --margins
  blend plan demo_data --compare demo_data/ground.csv"""
)
@FOLDER
@click.option(
    "--workbook",
    type=FILE,
    default="plan.xlsx",
    show_default=True,
    help="Workbook to save; a file of that name is replaced.",
)
@click.option("--no-workbook", is_flag=True, help="Save no workbook.")
@click.option(
    "--work-order",
    type=FILE,
    help="Also save the work order for the floor, without prices (.xlsx or .html).",
)
@click.option(
    "--run-order",
    type=click.Choice(["lean to fat", "fat to lean", "as listed"]),
    default="lean to fat",
    show_default=True,
    help="With --work-order: the order of batches within a species and its claims.",
)
@click.option(
    "--confidence",
    type=Confidence(),
    metavar="PERCENT",
    help="Hold every lean floor this often, 95 or 0.95; rows of confidence.csv that ask for more "
    "stay. 'table': only what confidence.csv asks for. Default: as in settings.",
)
@click.option(
    "--test-cost",
    type=DOLLARS,
    metavar="$",
    help="With --confidence: what one more test of a lot costs, to see which tests pay.",
)
@click.option(
    "--test-error",
    type=Points(),
    default=f"{100 * SOLVENT_EXTRACTION_SD_SHARE:g}",
    show_default=True,
    metavar="POINTS",
    help="Standard deviation of that test, lean points; the default is solvent extraction.",
)
@click.option("--temps", is_flag=True, help="How warm batches get, from temperatures.csv.")
@click.option(
    "--max-temp",
    type=Measured("°? ?F", 10, 60),
    metavar="°F",
    help="With --temps: how much cooling keeps a batch this cold.",
)
@click.option("--days", is_flag=True, help="Several days: buy, freeze, hold, use, sell on.")
@click.option(
    "--lean",
    type=click.Choice(["stated", "estimated"]),
    default="stated",
    show_default=True,
    help="Lots' lean as stated, or as estimated from their tests.",
)
@click.option(
    "--compare",
    "recipe",
    type=FILE,
    help="Cost a recipe made by hand next to the plan: a .csv with product_id, lot_id and"
    " pounds_lb, all batches of a product together.",
)
@click.option(
    "--after",
    type=FILE,
    metavar="FILE",
    help="Plan the rest of the day: FILE is the work order (.xlsx) as filled in so far. Pounds"
    " counted in inventory.csv override what its weights leave.",
)
@click.option(
    "--replay",
    is_flag=True,
    help="Past days: FOLDER holds a folder of sheets for each, with ground.csv: what was ground.",
)
@WHOLE
@GAP
@TIME_LIMIT
@click.option(
    "--constraints",
    type=FILE,
    help="Linear constraints to add, as LP text: cap: take[I90-1] + take[I90-2] <= 20000",
)
@click.option("--write-model", type=FILE, help="Also write the model, to a .lp or .mps file.")
@click.option("--second-solver", is_flag=True, help="Also solve the same model with CBC.")
@click.option(
    "--whole-break-even",
    is_flag=True,
    help="Also break-evens by planning again in whole containers; up to two minutes.",
)
@click.option("--no-break-even", is_flag=True, help="Leave out break-evens; faster.")
@answers(
    "make", "buy", "recipes", "money", "break-even", "limits", "checks", "margins",
    "certificate", chart=True,
)  # fmt: skip
def plan(
    folder: Path,
    workbook: Path,
    no_workbook: bool,
    work_order: Path | None,
    run_order: str,
    confidence: float | str | None,
    test_cost: float | None,
    test_error: float,
    temps: bool,
    max_temp: float | None,
    days: bool,
    lean: str,
    recipe: Path | None,
    after: Path | None,
    replay: bool,
    whole: str | None,
    gap: float | None,
    time_limit: float | None,
    no_break_even: bool,
    whole_break_even: bool,
    constraints: Path | None,
    write_model: Path | None,
    second_solver: bool,
) -> Answer:
    """Today's blends at least cost.

    FOLDER holds the tables: lots, products, settings and, where you have them, rules, losses and
    standards; or it is one .xlsx workbook with a sheet for each.

    Prints what to make, pull, buy and watch, and saves a workbook with a batch sheet for each
    product. Stop the search with Ctrl-C to get the best plan so far.
    """
    if days:
        from blend.cli.days import check_options, plan_days

        check_options()
        return plan_days(folder, whole=whole, shadow_prices=not no_break_even)
    if replay:
        from blend.cli.days import plan_past_days

        return plan_past_days(folder)
    if recipe is not None:
        from blend.cli.days import refuse_options

        refuse_options("--compare", *_OF_THE_PLAN_ALONE)
    elif not no_workbook:
        if workbook.suffix.lower() != ".xlsx":
            raise FileTrouble(f"{workbook}: a workbook is saved as .xlsx. Change the ending.")
        check_place(workbook)
    if work_order is not None:
        from blend.grinder.work_order_sheets import check_ending

        check_ending(work_order)
        check_place(work_order)

    from blend.grinder.day_plan import DayPlan
    from blend.grinder.plan import make_plan
    from blend.tables.evidence import holds_tests

    read, cautions = _read(folder)
    case = with_settings(read, whole, gap, time_limit)
    if confidence is None:
        confidence = case.settings.confidence
    estimated_errors = None
    if lean == "estimated":
        case, estimated_errors = _estimated(folder, case)
    rest = None
    if after is not None:
        rest = _rest_of_day(folder, case, after, estimated_errors)
        case, estimated_errors = rest.case, dict(rest.errors)
    errors, chance_constraints = _errors(folder, case, confidence, estimated_errors)
    confident, notes = None, []
    whole_lots: tuple[WholeBreakEven, ...] = ()
    case = with_added(case, constraints, write_model)
    if confidence is None:
        with progress_line() as progress:
            prices = not no_break_even and recipe is None
            made = make_plan(case, shadow_prices=prices, progress=progress)
            if whole_break_even and recipe is None:
                from blend.grinder.whole_break_even import whole_break_evens

                whole_lots = whole_break_evens(case, made, progress)
            if second_solver:
                notes = by_second_solver(case, made, progress)
    else:
        confident = _confident(case, errors, chance_constraints, test_cost, test_error)
        made = confident.without if confident.safe is None else confident.safe.plan
    _must_be_sound(made, case)
    if recipe is not None:
        from blend.grinder.compare import compare
        from blend.tables.ground import read_ground

        return compare(case, read_ground(recipe, case), made)
    answer = DayPlan(
        case=case,
        plan=made,
        errors=errors,
        source=str(folder),
        cautions=cautions,
        confident=confident,
        notes=notes,
        temperatures=_temperatures(folder, case, made, max_temp) if temps else (),
        max_temp_f=max_temp,
        is_lean_estimated=lean == "estimated" or bool(rest and rest.lean_moved),
        rest=rest,
        whole_break_evens=whole_lots,
        has_unused_tests=lean == "stated" and rest is None and holds_tests(folder),
        saved=None if no_workbook else workbook,
        saved_work_order=work_order,
    )
    if not no_workbook:
        from blend.grinder.plan_workbook import write_plan_workbook

        write_plan_workbook(answer, workbook, datetime.now())
    if work_order is not None:
        from blend.grinder.work_order import RunOrder
        from blend.grinder.work_order import work_order as ordered
        from blend.grinder.work_order_sheets import write_work_order

        order = ordered(case, made, RunOrder(run_order))
        write_work_order(order, made, work_order, datetime.now())
    return answer


def _read(folder: Path) -> tuple[Case, tuple[Caution, ...]]:
    """The case and its warnings, without those that the plan sums up itself."""
    from blend.reading import read_ready_case

    read = read_ready_case(folder)
    # Error messages name limits in the words of this case.
    click.get_current_context().find_root().obj = read.case
    return read.case, tuple(
        each for each in read.warnings_in_short if "from memory" not in each.fact
    )


def _estimated(folder: Path, case: Case) -> tuple[Case, dict[str, LeanUncertainty]]:
    """The case with lean as estimated from tests, and the error of each lot."""
    from blend.cli.lean import estimated
    from blend.lean.estimate import case_with_estimates
    from blend.reading import with_temperature

    estimates = estimated(folder, case).estimates
    return with_temperature(folder, case_with_estimates(case, estimates)), estimates.errors


def _rest_of_day(
    folder: Path, case: Case, order: Path, estimated_errors: dict[str, LeanUncertainty] | None
) -> RestOfDay:
    """What is left after the batches of a work order that are done."""
    from blend.grinder.actuals import read_actuals
    from blend.grinder.rest_of_day import rest_of_day
    from blend.tables.ground import read_inventory

    errors, _ = _errors(folder, case, None, estimated_errors)
    return rest_of_day(case, read_actuals(case, order), errors, read_inventory(folder, case))


def _errors(
    folder: Path,
    case: Case,
    confidence: float | str | None,
    estimated_errors: dict[str, LeanUncertainty] | None,
) -> tuple[Errors, tuple]:
    """How far lots and tests may be off, and the confidences to hold."""
    from blend.grinder.odds import errors_of, with_floors
    from blend.tables.columns import CONFIDENCE_TABLES
    from blend.tables.tables import refuse_empty
    from blend.tables.uncertainty import (
        read_chance_constraints,
        read_spread,
        read_uncertainty,
        with_containers,
    )

    if confidence is None:
        spread = read_spread(folder, case)
        spread |= with_containers(estimated_errors or {}, spread)
        return errors_of(case, spread, read_chance_constraints(folder, case)), ()
    read = read_uncertainty(folder, case, estimated_errors)
    errors = errors_of(case, read.spread, read.chance_constraints)
    if confidence != FROM_TABLE:
        return errors, with_floors(case, errors, read.chance_constraints, float(confidence))
    if not read.chance_constraints:
        refuse_empty(CONFIDENCE_TABLES["confidence"])
    return errors, read.chance_constraints


def _confident(
    case: Case,
    errors: Errors,
    chance_constraints: tuple,
    test_cost: float | None,
    test_error: float,
) -> ConfidentPlan:
    from blend.grinder.safe import OneTest, make_confident_plan

    test = None if test_cost is None else OneTest(test_cost, test_error)
    with progress_line() as progress:
        made = make_confident_plan(
            case, errors.lots, chance_constraints, test=test, progress=progress
        )
    if made.safe is not None:
        certified = made.safe.certified(case, errors.lots, made.held)
        certified.must_be_valid("plan that holds its confidences")
    return made


def _must_be_sound(made: Plan, case: Case) -> None:
    if not made.certificate.is_valid:
        from blend.grinder.no_plan import broken_lines

        raise SolverTrouble("\n".join(broken_lines(made.certificate, case)))


def _temperatures(
    folder: Path, case: Case, made: Plan, max_f: float | None
) -> tuple[BatchTemperature, ...]:
    from blend.domain.heat import celsius
    from blend.grinder.temperature import batch_temperatures
    from blend.tables.columns import EVIDENCE_TABLES
    from blend.tables.evidence import read_temperatures
    from blend.tables.heat import packaged_heat
    from blend.tables.tables import refuse_empty

    of_lots = read_temperatures(folder, case)
    if not of_lots:
        refuse_empty(EVIDENCE_TABLES["temperatures"])
    max_c = None if max_f is None else celsius(max_f)
    return batch_temperatures(case, made, of_lots, packaged_heat(), max_c)


Counted = tuple[dict[str, int], tuple[Caution, ...]]


def _counts_without_a_plan(folder: Path) -> dict[str, int]:
    """Rows by table of a folder that has only the trader's or the reporter's tables; empty where
    there is anything to plan. Refuses everything that is wrong with them."""
    from blend.cli.common import warn_at_end
    from blend.tables.book import read_book
    from blend.tables.history import read_history
    from blend.tables.imports import read_imports
    from blend.tables.quotations import read_quotations
    from blend.tables.rows import NO_ROWS
    from blend.tables.tables import holds_table

    if not folder.exists() or any(
        holds_table(folder, name) for name in ("lots", "products", "settings")
    ):
        return {}

    def quoted(of: Path) -> Counted:
        read = read_quotations(of)
        return {"quotations": len(read.quotations)}, read.warnings

    def offered(of: Path) -> Counted:
        read = read_imports(of)
        return {"foreign_offers": len(read.offers)}, read.warnings

    def traded(of: Path) -> Counted:
        book, warnings = read_book(of)
        return {"deals": len(book.deals)}, warnings

    def heard(of: Path) -> Counted:
        read = read_history(of)
        added = read.additions
        counts = {"items": added.items, "canvass": added.entries, "volumes": added.volumes}
        return {name: len(rows) for name, rows in counts.items()}, read.warnings

    readers = {"quotations": quoted, "foreign_offers": offered, "deals": traded, "canvass": heard}
    counts: dict[str, int] = {}
    problems: list[Problem] = []
    for name, reader in readers.items():
        if not holds_table(folder, name):
            continue
        try:
            found, warnings = reader(folder)
        except InputRefused as refused:
            problems += [each for each in refused.problems if NO_ROWS not in each.value]
            counts[name] = 0
            continue
        counts |= found
        warn_at_end(warnings)
    if problems:
        raise InputRefused(problems)
    return counts


@click.command(
    epilog="""\b
Examples:
  blend check demo_data
  blend check my_sheet.xlsx --save-columns"""
)
@FOLDER
@click.option(
    "--save-columns",
    is_flag=True,
    help="Confirm how your own headings were read: saved next to the sheet.",
)
def check(folder: Path, save_columns: bool) -> None:
    """List every problem in your tables, and count what they hold.

    FOLDER holds the tables to plan with, or only those of the trader or the reporter.

    Your own sheet may have title rows, totals and its own headings; guesses are listed.
    """
    from blend.cli.common import read_folder, warn_at_end, warning_lines
    from blend.grinder.plan_frames import not_available, table_counts
    from blend.output import screen
    from blend.output.formats import counted
    from blend.tables.columns import EVERY_TABLE
    from blend.tables.tables import stray_tables

    strays = stray_tables(folder, EVERY_TABLE)
    counts = _counts_without_a_plan(folder)
    if counts:
        warn_at_end(strays)
        for name, count in counts.items():
            click.echo(f"{name}: {counted(count, 'row')}")
        return
    read = read_folder(folder, lists_blanks=True)
    warn_at_end(strays)
    click.echo(screen.table(table_counts(read.case)))
    missing = not_available(read.case)
    if len(missing):
        click.echo("\n" + screen.table(missing, title="Not available today"))
    warnings = len(warning_lines([*read.warnings, *strays]))
    click.echo(f"\n{counted(warnings, 'warning')}." if warnings else "\nNo warnings.")
    if save_columns:
        from blend.tables.write import save_column_map

        path = save_column_map(folder)
        click.echo(f"\nSaved: {path}" if path else "\nNo heading was guessed: nothing to save.")
