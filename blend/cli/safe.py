"""Lean as it is known, not as it is said: safe plans, drawn batches, batches put right."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.common import (
    FOLDER,
    GAP,
    TIME_LIMIT,
    WHOLE,
    finite,
    note_at_end,
    progress_line,
    read_folder,
    warn_at_end,
    with_settings,
)
from blend.domain.case import Case
from blend.domain.uncertainty import SOLVENT_EXTRACTION_SD_SHARE
from blend.errors import InputRefused, Problem, SolverTrouble

if TYPE_CHECKING:
    from blend.grinder.safe import OneTest, SafePlan
    from blend.tables.uncertainty import UncertaintyRead

LEAN = click.option(
    "--lean",
    type=click.Choice(["stated", "estimated"]),
    default="stated",
    show_default=True,
    help="Lots' lean as stated, or as their tests let expect, with the error of that.",
)


@click.command()
@FOLDER
@click.option(
    "--test-cost",
    type=click.FloatRange(0, min_open=True),
    callback=finite,
    metavar="USD",
    help="Cost of testing a lot once: tells which lots to test once more. Left out: not told.",
)
@click.option(
    "--test-error",
    "test_sd",
    type=click.FloatRange(0, 0.2),
    callback=finite,
    default=SOLVENT_EXTRACTION_SD_SHARE,
    show_default=True,
    metavar="SHARE",
    help="Standard deviation of that test's method; the default is of solvent extraction.",
)
@LEAN
@WHOLE
@GAP
@TIME_LIMIT
@click.option("--recipes", is_flag=True, help="Show each product's recipe as well.")
def safe(
    folder: Path,
    test_cost: float | None,
    test_sd: float,
    lean: str,
    whole: str | None,
    gap: float | None,
    time_limit: float | None,
    recipes: bool,
) -> None:
    """Plan blends that keep limits as surely as asked.

    FOLDER holds a case, confidence.csv (how surely which product keeps its lean limits) and
    lean_spread.csv (how far lots may be off). Prints what safety costs beside the plan that
    keeps limits on average, the margin of each product and, where a test is priced, the lots
    that are worth testing once more. Interrupt the search (Ctrl-C) to have the best plan found
    so far, if there is one by then that keeps its promises.
    """
    from blend.grinder.safe import OneTest
    from blend.show.certificates import safe_certificate_line
    from blend.show.quantities import blends_table, purchases_table
    from blend.show.safe import safe_cautions_table, safe_tables
    from blend.show.tables import recipe_tables
    from blend.show.text import tables_text

    test = None if test_cost is None else OneTest(test_cost, test_sd)
    case, read = case_with_confidence(folder, lean, whole, gap, time_limit)
    made = confident_plan(case, read, test)
    certified = made.certified(case, read.spread, read.chance_constraints)
    certified.must_be_valid("plan that keeps its promises")
    tables = [
        *safe_tables(case, made),
        purchases_table(case, made.plan),
        blends_table(case, made.plan),
        *(recipe_tables(case, made.plan) if recipes else ()),
        safe_cautions_table(),
    ]
    click.echo(tables_text(tables))
    click.echo(f"\n{safe_certificate_line(made)}")


def case_with_confidence(
    folder: Path, lean: str, whole: str | None, gap: float | None, time_limit: float | None
) -> tuple[Case, UncertaintyRead]:
    case = with_settings(read_folder(folder).case, whole, gap, time_limit)
    case, read = _with_uncertainty(folder, case, lean)
    if not read.chance_constraints:
        raise InputRefused(
            [Problem("confidence.csv", None, None, "no promise", "a product with min_confidence")]
        )
    return case, read


def _with_uncertainty(folder: Path, case: Case, lean: str) -> tuple[Case, UncertaintyRead]:
    """The case with lean as asked for, and what is known of its lots' spread."""
    from blend.cli.lean import case_with_lean, estimated
    from blend.tables.uncertainty import read_uncertainty

    if lean == "stated":
        read = read_uncertainty(folder, case)
        warn_at_end(read.warnings)
        return case_with_lean(folder, case, lean), read
    from blend.lean.estimate import case_with_estimates

    estimates = estimated(folder, case).estimates
    errors = {lot.lot_id: lot.standard_error_share for lot in estimates.lots}
    note_at_end("Lean and its error are as estimated from tests: blend lean FOLDER.")
    read = read_uncertainty(folder, case, errors)
    warn_at_end(read.warnings)
    return case_with_estimates(case, estimates), read


def confident_plan(case: Case, read: UncertaintyRead, test: OneTest | None) -> SafePlan:
    from blend.grinder.safe import make_safe_plan

    with progress_line() as progress:
        made = make_safe_plan(
            case, read.spread, read.chance_constraints, test=test, progress=progress
        )
    if not made.plan.certificate.is_valid:
        from blend.show.infeasible import broken_lines

        raise SolverTrouble("\n".join(broken_lines(made.plan.certificate, case)))
    if not made.is_kept:
        raise SolverTrouble(
            "The plan that was found breaks a promise once it is weighed in whole pounds; nothing "
            "is shown. Ask for a little less confidence, or for whole containers in fewer places."
        )
    return made
