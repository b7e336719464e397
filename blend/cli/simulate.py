"""`blend simulate`: how often planned batches would test out of spec."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.answers import answers
from blend.cli.common import FOLDER, GAP, TIME_LIMIT, WHOLE, seed_option
from blend.cli.params import Whole
from blend.cli.safe import LEAN, case_with_confidence, confident_plan

if TYPE_CHECKING:
    from blend.output.answer import Answer


@click.command(
    epilog="""\b
Examples:
  blend simulate demo_data
  blend simulate demo_data --draws 50000 --chart odds.png
"""
)
@FOLDER
@click.option(
    "--draws", type=Whole(100, 1_000_000), default=20_000, show_default=True, help="Days to draw."
)
@seed_option(default=1)
@LEAN
@WHOLE
@GAP
@TIME_LIMIT
@answers("plans", chart=True)
def simulate(
    folder: Path,
    draws: int,
    seed: int,
    lean: str,
    whole: str | None,
    gap: float | None,
    time_limit: float | None,
) -> Answer:
    """How often planned batches would test out of spec.

    FOLDER holds confidence.csv and lean_spread.csv. Each draw is a day of the plan with
    confidence, and of the plan that holds spec on average only.
    """
    from blend.grinder import simulate as question

    case, read = case_with_confidence(folder, lean, whole, gap, time_limit)
    made = confident_plan(case, read, None)
    return question.simulate(
        case,
        made.plan.runs,
        made.without.runs,
        read.spread,
        read.chance_constraints,
        draws=draws,
        seed=seed,
    )
