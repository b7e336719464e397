"""What the grinder asks for: plan the day, check the tables."""

from __future__ import annotations

from pathlib import Path

import click

from blend.cli.common import (
    FILE,
    FOLDER,
    GAP,
    TIME_LIMIT,
    WHOLE,
    check_picture,
    draw,
    picture_option,
    progress_line,
    read_folder,
    warn_at_end,
    with_settings,
)
from blend.cli.model import by_second_solver, with_added
from blend.errors import SolverTrouble
from blend.files import check_place


@click.command()
@FOLDER
@click.option(
    "--workbook",
    type=FILE,
    default="plan.xlsx",
    show_default=True,
    help="Workbook to write; a file of that name is replaced.",
)
@click.option("--no-workbook", is_flag=True, help="Write no workbook.")
@picture_option("Draw the blends too")
@click.option("--standards", is_flag=True, help="Print every limit of the standards that apply.")
@WHOLE
@GAP
@TIME_LIMIT
@click.option(
    "--constraints",
    type=FILE,
    help="Linear constraints to add, as LP text: cap: take[I90-1] + take[I90-2] <= 20000",
)
@click.option("--write-model", type=FILE, help="Write the model too: a file .lp or .mps.")
@click.option("--second-solver", is_flag=True, help="Have CBC solve the same model too.")
@click.option(
    "--no-break-even",
    "no_break_even",
    is_flag=True,
    help="Leave out what things are worth; faster.",
)
@click.option(
    "--lean",
    type=click.Choice(["stated", "estimated"]),
    default="stated",
    show_default=True,
    help="Lots' lean as stated, or as their tests let expect.",
)
def plan(
    folder: Path,
    workbook: Path,
    no_workbook: bool,
    picture: Path | None,
    standards: bool,
    whole: str | None,
    gap: float | None,
    time_limit: float | None,
    no_break_even: bool,
    lean: str,
    constraints: Path | None,
    write_model: Path | None,
    second_solver: bool,
) -> None:
    """Plan the day's blends at least cost, with a certificate.

    FOLDER holds the tables: lots, products, settings and, where there are any, rules,
    losses and standards. One .xlsx workbook with a sheet for each will do as well.

    Prints what to buy and pull, the blends and their recipes, the money, what things are
    worth and the certificate, and writes them as a workbook with a sheet to print for each
    product. Interrupt the search (Ctrl-C) to have the best plan found so far.
    """
    if not no_workbook:
        check_place(workbook)
    check_picture(picture)
    case = with_settings(read_folder(folder).case, whole, gap, time_limit)

    from blend.cli.lean import case_with_lean
    from blend.grinder.plan import make_plan
    from blend.show.infeasible import broken_lines
    from blend.show.summary import summary_line
    from blend.show.tables import terminal_tables
    from blend.show.text import tables_text

    case = with_added(case_with_lean(folder, case, lean), constraints, write_model)
    with progress_line() as progress:
        made = make_plan(case, shadow_prices=not no_break_even, progress=progress)
        second = by_second_solver(case, made, progress) if second_solver else ()
    if not made.certificate.is_valid:
        raise SolverTrouble("\n".join(broken_lines(made.certificate, case)))
    click.echo(f"{summary_line(case, made)}\n")
    click.echo(tables_text(terminal_tables(case, made, standards=standards)))
    for line in second:
        click.echo(line)
    if not no_workbook:
        from blend.show.workbook import write_plan_workbook

        write_plan_workbook(case, made, workbook)
        click.echo(f"\nWorkbook: {workbook}")
    if picture is not None:
        from blend.show.plan_pictures import blends_picture

        draw(blends_picture(case, made), picture)


@click.command()
@FOLDER
def check(folder: Path) -> None:
    """Read the tables and tell what is in them.

    Every problem of every table is told at once; nothing is planned and nothing written.
    """
    from blend.show.quantities import contents_table, set_aside_table
    from blend.show.text import tables_text
    from blend.tables.columns import EVERY_TABLE
    from blend.tables.tables import stray_tables

    read = read_folder(folder)
    strays = stray_tables(folder, EVERY_TABLE)
    warn_at_end(strays)
    warnings = len(read.warnings) + len(strays)
    tables = [contents_table(read.case, warnings), set_aside_table(read.case)]
    click.echo(tables_text(tables))
