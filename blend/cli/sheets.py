"""The tables themselves: what their columns hold, and empty ones to fill in."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import click

from blend.cli.common import FOLDER
from blend.model.rules import definitions
from blend.show.shown import ShownColumn, ShownTable, shown_table
from blend.tables.columns import (
    CONFIDENCE_TABLES,
    EVIDENCE_TABLES,
    HISTORY_TABLES,
    IMPORT_TABLES,
    MARKET_TABLES,
    POSITION_TABLES,
    QUOTATIONS,
    SCENARIOS,
    SETTING_COLUMNS,
    TABLES,
    Column,
)

EVERY_TABLE = {
    **TABLES,
    **EVIDENCE_TABLES,
    **CONFIDENCE_TABLES,
    QUOTATIONS.name: QUOTATIONS,
    **POSITION_TABLES,
    **IMPORT_TABLES,
    SCENARIOS.name: SCENARIOS,
    **MARKET_TABLES,
    **HISTORY_TABLES,
}
"""Those of a case first; the others are read by the commands that ask for them."""


@click.command()
@click.argument("table", type=click.Choice(list(EVERY_TABLE)), required=False, metavar="[TABLE]")
def columns(table: str | None) -> None:
    """Tell what each column of the tables holds.

    TABLE names one of them; without it all are told.
    """
    from blend.show.text import tables_text

    click.echo(tables_text(_tables_of(table) if table else _all_tables()))


@click.command()
@FOLDER
def template(folder: Path) -> None:
    """Write empty tables to fill in.

    FOLDER is made where it is missing. Tables that are there already are never overwritten.
    """
    from blend.tables.write import write_template

    for path in write_template(folder):
        click.echo(path)


def _all_tables() -> list[ShownTable]:
    return [shown for name in EVERY_TABLE for shown in _tables_of(name)]


def _tables_of(name: str) -> list[ShownTable]:
    """The columns of a table, and for rules and settings what their rows ask for."""
    table = EVERY_TABLE[name]
    is_needed = "needed" if table.required else "may be left out"
    shown = [_columns_table(f"{name} ({is_needed})", table.columns, table.about)]
    if name == "settings":
        shown.append(_columns_table("settings: what each asks for", SETTING_COLUMNS.values()))
    if name == "rules":
        shown.append(_kinds_of_rule())
    return shown


def _columns_table(title: str, columns: Iterable[Column], note: str = "") -> ShownTable:
    heads = ("Column", "Unit", "Allowed", "When blank", "What it is")
    return shown_table(
        title,
        [ShownColumn(head) for head in heads],
        [(each.name, each.unit, each.allowed, each.when_blank, each.about) for each in columns],
        note,
    )


def _kinds_of_rule() -> ShownTable:
    heads = ("Kind", "Needs", "Needs one of", "May use")
    rows = [
        (kind.name, *(", ".join(each) for each in (kind.needs, kind.needs_one_of, kind.may_use)))
        for kind in definitions().values()
    ]
    note = "Every rule may fill in products and note as well."
    return shown_table("rules: what each kind uses", [ShownColumn(h) for h in heads], rows, note)
