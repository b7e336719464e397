"""`blend plan --days`: several days in one plan."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from blend.cli.common import progress_line, warn_at_end
from blend.errors import BlendError, FileTrouble, NoPlan

if TYPE_CHECKING:
    from blend.grinder.replay import Replay
    from blend.output.answer import Answer


_ONE_DAY = (
    "workbook", "work_order", "run_order", "confidence", "test_cost", "test_error", "temps",
    "max_temp", "lean", "gap", "time_limit", "constraints", "write_model", "second_solver",
    "whole_break_even",
)  # fmt: skip
"""Options of `blend plan` that a plan of several days has no use for."""


def check_options() -> None:
    """Refuse what a plan of several days would leave out without a word."""
    refuse_options("--days", *_ONE_DAY, "replay", "recipe", "after")
    context = click.get_current_context()
    if context.params.get("whole") not in (None, "no"):
        raise click.UsageError("With --days, --containers can only be no.")


def refuse_options(flag: str, *unused: str) -> None:
    """Refuse options, by name, that `flag` has no use for."""
    context = click.get_current_context()
    for option in context.command.params:
        given = context.get_parameter_source(option.name or "") is ParameterSource.COMMANDLINE
        if given and option.name in unused:
            raise click.UsageError(f"{option.opts[0]} does not go with {flag}: leave it out.")


_GROUND = ("ground.csv", "ground.xlsx")


def plan_past_days(folder: Path) -> Answer:
    """The past days in a folder, each next to what was ground."""
    refuse_options("--replay", *_ONE_DAY, "recipe", "after", "whole", "no_break_even")
    with progress_line() as progress:
        return replay(folder, progress)


def replay(folder: Path, say: Callable[[str], None] | None = None) -> Replay:
    """Plan again each day of a folder: subfolders with a plan's tables and `ground.csv`.

    Days whose tables or whose ground meat cannot be read are left out, with the reason. Raises
    FileTrouble where there is no such day at all.
    """
    from blend.grinder.replay import LeftOut, Replay, planned_again
    from blend.reading import read_ready_case
    from blend.tables.ground import read_ground

    places = sorted(
        each
        for each in (folder.iterdir() if folder.is_dir() else ())
        if each.is_dir() and not each.name.startswith(".")
    )
    if not places:
        raise FileTrouble(
            f"{folder}: no past days in it. Put each day's tables into its own folder, such as"
            f" 2026-11-25, with {_GROUND[0]}: product_id, lot_id, pounds_lb."
        )
    days, left_out = [], []
    for number, place in enumerate(places, 1):
        if say is not None:
            say(f"day {number} of {len(places)}, {place.name}")
        try:
            path = next((place / name for name in _GROUND if (place / name).is_file()), None)
            if path is None:
                raise FileTrouble(f"no {_GROUND[0]}, which says what was ground")
            case = read_ready_case(place).case
            days.append(planned_again(case, read_ground(path, case)))
        except BlendError as error:
            lines = str(error).splitlines() or [type(error).__name__]
            more = f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""
            left_out.append(LeftOut(place.name, lines[0] + more))
    days.sort(key=lambda each: each[0])
    return Replay(tuple(days), tuple(left_out))


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
