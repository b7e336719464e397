"""What the trader asks for over several days: buy, blend, freeze, store, sell on."""

from __future__ import annotations

from pathlib import Path

import click

from blend.cli.common import (
    FILE,
    FOLDER,
    check_picture,
    draw,
    picture_option,
    progress_line,
    warn_at_end,
)
from blend.errors import NoPlan, SolverTrouble
from blend.files import check_place


@click.command()
@FOLDER
@click.option(
    "--divisible",
    is_flag=True,
    help="Take containers, counts and least amounts as divisible: fast, enough for an outlook.",
)
@click.option(
    "--no-break-even",
    "no_break_even",
    is_flag=True,
    help="Leave out what orders and rooms are worth.",
)
@click.option(
    "--csv",
    "ledger",
    type=FILE,
    help="Write in and out of every lot on every day as a table.",
)
@picture_option("Draw the stock by day")
def positions(
    folder: Path, divisible: bool, no_break_even: bool, ledger: Path | None, picture: Path | None
) -> None:
    """Plan several days at once: what to buy when, blend, freeze, store and sell on.

    FOLDER holds a case and orders; forward_offers, stores and day_rules where there are any
    (see `blend columns orders`). The days are that of the plan and every later one with an
    order or a forward price. Interrupt the search (Ctrl-C) to have the best plan found so far.
    """
    if ledger is not None:
        check_place(ledger)
    check_picture(picture)

    from blend.show.positions import horizon_infeasible_lines, positions_tables
    from blend.show.text import tables_text
    from blend.tables.positions import read_horizon
    from blend.trader.positions import plan_positions

    read = read_horizon(folder)
    warn_at_end(read.warnings)
    horizon = read.horizon
    try:
        with progress_line() as progress:
            plan = plan_positions(
                horizon, divisible=divisible, shadow_prices=not no_break_even, progress=progress
            )
    except NoPlan as no_plan:
        for line in horizon_infeasible_lines(no_plan.infeasible, horizon):
            click.echo(line, err=True)
        click.get_current_context().exit(no_plan.exit_code)
    if not plan.is_valid:
        raise SolverTrouble("the plan does not pass its own check; do not use it")
    click.echo(tables_text(positions_tables(horizon, plan)))
    if ledger is not None:
        from blend.show.positions import LEDGER_COLUMNS, ledger_rows
        from blend.tables.write import write_csv

        write_csv(ledger, LEDGER_COLUMNS, ledger_rows(horizon, plan))
        click.echo(f"\nTable: {ledger}")
    if picture is not None:
        from blend.show.positions_picture import stock_picture

        draw(stock_picture(horizon, plan), picture)
