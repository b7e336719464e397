"""Plans that hold spec with a chosen confidence, for the commands that need one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.common import note_at_end, progress_line, read_folder, warn_at_end, with_settings
from blend.domain.case import Case
from blend.errors import SolverTrouble

if TYPE_CHECKING:
    from blend.grinder.safe import OneTest, SafePlan
    from blend.tables.uncertainty import UncertaintyRead

LEAN = click.option(
    "--lean",
    type=click.Choice(["stated", "estimated"]),
    default="stated",
    show_default=True,
    help="Lots' lean as stated, or as estimated from tests, with its error.",
)


def case_with_confidence(
    folder: Path, lean: str, whole: str | None, gap: float | None, time_limit: float | None
) -> tuple[Case, UncertaintyRead]:
    from blend.tables.columns import CONFIDENCE_TABLES
    from blend.tables.tables import refuse_empty

    case = with_settings(read_folder(folder).case, whole, gap, time_limit)
    case, read = _with_uncertainty(folder, case, lean)
    if not read.chance_constraints:
        refuse_empty(CONFIDENCE_TABLES["confidence"])
    return case, read


def _with_uncertainty(folder: Path, case: Case, lean: str) -> tuple[Case, UncertaintyRead]:
    """The case with stated or estimated lean, and how uncertain its lots are."""
    from blend.cli.lean import case_with_lean, estimated
    from blend.domain.uncertainty import shared_by_suppliers
    from blend.tables.uncertainty import read_uncertainty

    if lean == "stated":
        read = read_uncertainty(folder, case)
        warn_at_end(read.warnings)
        read = replace(read, spread=shared_by_suppliers(case.lots, read.spread))
        return case_with_lean(folder, case, lean), read
    from blend.lean.estimate import case_with_estimates

    estimates = estimated(folder, case).estimates
    note_at_end("Lean and its error are as estimated from tests: blend lean FOLDER.")
    read = read_uncertainty(folder, case, estimates.errors)
    warn_at_end(read.warnings)
    return case_with_estimates(case, estimates), read


def confident_plan(case: Case, read: UncertaintyRead, test: OneTest | None) -> SafePlan:
    from blend.grinder.safe import make_safe_plan

    with progress_line() as progress:
        made = make_safe_plan(
            case, read.spread, read.chance_constraints, test=test, progress=progress
        )
    if not made.plan.certificate.is_valid:
        from blend.grinder.no_plan import broken_lines

        raise SolverTrouble("\n".join(broken_lines(made.plan.certificate, case)))
    if not made.is_kept:
        raise SolverTrouble(
            "Rounded to whole pounds, the plan misses a confidence you asked for, so it is not "
            "shown. Allow more time (--time-limit), ask for a little less, or for whole containers "
            "in fewer places."
        )
    return made
