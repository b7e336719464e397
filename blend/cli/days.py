"""`blend plan --days`: several days in one plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.common import progress_line, warn_at_end
from blend.errors import NoPlan

if TYPE_CHECKING:
    from blend.output.answer import Answer


def plan_days(folder: Path, *, whole: str | None = None, shadow_prices: bool = True) -> Answer:
    """The days of the plan folder: that of the plan and every later one with an order or a
    forward price. `whole` "no" solves the LP relaxation, enough for an outlook.

    Ends the command with the reasons where there is no plan.
    """
    from blend.grinder.days import days, no_plan_lines
    from blend.tables.positions import read_horizon

    read = read_horizon(folder)
    warn_at_end(read.warnings)
    try:
        with progress_line() as progress:
            return days(
                read.horizon,
                divisible=whole == "no",
                shadow_prices=shadow_prices,
                progress=progress,
            )
    except NoPlan as no_plan:
        for line in no_plan_lines(no_plan.infeasible, read.horizon):
            click.echo(line, err=True)
        raise click.exceptions.Exit(no_plan.exit_code) from None
