"""What a planner asks of the days that may come: scenarios and draws."""

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
    read_folder,
    seed_option,
)
from blend.files import check_place


@click.command()
@FOLDER
@click.option("--draws", type=click.IntRange(0, 1_000_000), default=0, help="How many to draw.")
@seed_option()
@click.option(
    "--workers",
    type=click.IntRange(1, 256),
    default=1,
    show_default=True,
    help="Processes on this machine.",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Let a Dask scheduler do the work, such as tcp://host:8786.",
)
@click.option(
    "--csv",
    "table",
    type=FILE,
    help="Write one row for every scenario.",
)
@picture_option("Draw the spread of the cost")
def scenarios(
    folder: Path,
    draws: int,
    seed: int,
    workers: int,
    scheduler: str | None,
    table: Path | None,
    picture: Path | None,
) -> None:
    """Plan the day under many prices, supplies and orders, and tell the spread.

    FOLDER holds a case and scenarios (see `blend columns scenarios`), and foreign_offers where
    exchange rates are to move prices. The results are the same for any number of workers.
    Interrupt the work (Ctrl-C) to have the scenarios done so far.
    """
    if table is not None:
        check_place(table)
    check_picture(picture)
    if picture is not None and not draws:
        raise click.UsageError("--chart draws the spread, so it needs --draws.")

    from blend.show.scenarios import progress_words, scenarios_tables
    from blend.show.text import tables_text
    from blend.tables.imports import holds_offers, read_imports
    from blend.tables.scenarios import read_scenarios
    from blend.trader.scenarios import ScenarioJob, run_scenarios

    case = read_folder(folder).case
    offers, rates = (), ()
    if holds_offers(folder):
        imports = read_imports(folder)
        offers, rates = imports.offers, imports.rates
    rows = read_scenarios(folder, case, offers)
    job = ScenarioJob(case, rows, draws, seed, offers, rates)
    with progress_line() as say:
        results = run_scenarios(
            job,
            workers=workers,
            scheduler=scheduler,
            progress=None if say is None else lambda done, of: say(progress_words(done, of)),
        )
    click.echo(tables_text(scenarios_tables(results)))
    if table is not None:
        from blend.tables.write import write_csv

        write_csv(table, ("scenario", "outcome", *results.columns), results.table_rows())
        click.echo(f"\nTable: {table}")
    if picture is not None:
        from blend.show.scenarios_picture import cost_picture

        draw(cost_picture(results), picture)
