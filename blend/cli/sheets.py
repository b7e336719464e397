"""The tables themselves: what their columns hold, and starter sheets to fill in."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import click

from blend.cli.common import FOLDER
from blend.domain.columns import Column, Table
from blend.model.rules import definitions
from blend.show.shown import ShownColumn, ShownTable, shown_table
from blend.tables.columns import EVERY_TABLE, SETTING_COLUMNS

PEOPLE = ("plant", "trade", "report")


@click.command()
@click.argument("table", type=click.Choice(list(EVERY_TABLE)), required=False, metavar="[TABLE]")
def columns(table: str | None) -> None:
    """What each column of the tables holds.

    TABLE is one of them; without it all are listed.
    """
    click.echo(columns_text(table))


@click.command()
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

    FOLDER is made where it is missing. Nothing is overwritten.

    \b
    blend new monday
    blend new monday --for plant --for trade --csv
    """
    from blend.tables.starter import write_starter

    for path in write_starter(folder, people, as_csv=as_csv):
        click.echo(path)


def columns_text(table: str | None = None) -> str:
    """The columns of one table or of all, as text."""
    from blend.show.text import tables_text

    tables = EVERY_TABLE.values() if table is None else [EVERY_TABLE[table]]
    return tables_text([shown for each in tables for shown in guide_tables(each)])


def guide_tables(table: Table) -> list[ShownTable]:
    """The columns of a table, and for rules and settings what each kind of row takes."""
    name = table.name
    is_needed = "required" if table.required else "optional"
    shown = [_columns_table(f"{name} ({is_needed})", table.columns, table.about)]
    if name == "settings":
        shown.append(_columns_table("settings: the value of each", SETTING_COLUMNS.values()))
    if name == "rules":
        shown.append(_kinds_of_rule())
    return shown


def _columns_table(title: str, columns: Iterable[Column], note: str = "") -> ShownTable:
    heads = ("Column", "Unit", "Enter", "If blank", "What it is")
    return shown_table(
        title,
        [ShownColumn(head) for head in heads],
        [(each.name, each.unit, each.enter, each.when_blank, each.about) for each in columns],
        note,
    )


def _kinds_of_rule() -> ShownTable:
    heads = ("Kind", "Needs", "Needs one of", "May use")
    rows = [
        (kind.name, *(", ".join(each) for each in (kind.needs, kind.needs_one_of, kind.may_use)))
        for kind in definitions().values()
    ]
    note = "Every rule may also fill in products and note."
    return shown_table("rules: columns of each kind", [ShownColumn(h) for h in heads], rows, note)
