"""`blend new`: starter sheets to fill in."""

from __future__ import annotations

from pathlib import Path

import click

from blend.cli.common import FOLDER

PEOPLE = ("plant", "trade", "report")


@click.command(
    epilog="""\b
Examples:
  blend new monday
  blend new monday --for plant --for trade --csv"""
)
@FOLDER
@click.option(
    "--for",
    "people",
    type=click.Choice(PEOPLE),
    multiple=True,
    default=PEOPLE[:1],
    show_default=True,
    help="Whose tables; may be given more than once.",
)
@click.option("--csv", "as_csv", is_flag=True, help="CSV tables instead of a workbook.")
def new(folder: Path, people: tuple[str, ...], as_csv: bool) -> None:
    """Write a starter workbook to fill in, with drop-downs and an example row.

    FOLDER is made if it is missing. Nothing is overwritten.
    """
    from blend.tables.starter import write_starter

    for path in write_starter(folder, people, as_csv=as_csv):
        click.echo(f"Saved {path}")
    click.echo(f"Enter your rows under the example row, then: {_next(people, folder)}")


def _next(people: tuple[str, ...], folder: Path) -> str:
    return f"blend check {folder}" if people != ("report",) else f"blend canvass import {folder}"
