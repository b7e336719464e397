"""Guide pages made from declarations: the columns of every table, and the label standards."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from blend.domain.columns import Column, Table
from blend.errors import did_you_mean, refusal
from blend.model.rules import definitions
from blend.output.formats import day
from blend.output.screen import strong, wrapped
from blend.tables.columns import EVERY_TABLE, SETTING_COLUMNS
from blend.tables.standards import packaged_standards


def columns_text(table: str | None = None) -> str:
    """The columns of one table, or of all. InputRefused for a table that is not there."""
    if table is not None and table not in EVERY_TABLE:
        hint = did_you_mean(table, EVERY_TABLE) or f"Tables: {', '.join(EVERY_TABLE)}."
        raise refusal("guide columns", None, table, "a table", hint)
    tables = EVERY_TABLE.values() if table is None else [EVERY_TABLE[table]]
    return "\n\n".join(map(table_text, tables))


def table_text(table: Table) -> str:
    """The columns of a table: what each holds, what to enter, what a blank means."""
    return "\n".join(_lines(table))


def _lines(table: Table) -> Iterator[str]:
    needed = "required" if table.required else "optional"
    yield strong(f"{table.name} ({needed})")
    yield wrapped(table.about)
    columns: Iterable[Column] = table.columns
    if table.name == "settings":
        columns = (*table.columns, *SETTING_COLUMNS.values())
    for column in columns:
        unit = f", {column.unit}" if column.unit else ""
        yield wrapped(f"  {column.name}{unit}", "    ")
        yield wrapped(f"      {column.help}", "      ")
    if table.name == "rules":
        yield strong("kinds of rule, and the columns each uses")
        for kind in definitions().values():
            uses = ", ".join((*kind.needs, *kind.needs_one_of, *kind.may_use))
            yield wrapped(f"  {kind.name}: {uses or 'no other column'}", "      ")


def standards_text() -> str:
    """Every packaged limit of a label standard, with its section and when its text was read."""
    lines = [
        wrapped("Label standards that come with blend. The current text and the inspector decide.")
    ]
    for row in packaged_standards():
        read = f"read {day(row.read_on)}" if row.read_on and row.verified == "read" else ""
        lines.append(strong(wrapped(f"{row.standard_id}: {row.title}", "  ")))
        lines.append(
            wrapped(
                f"    {row.section}; {read or 'from memory: check it against the CFR'}.", "    "
            )
        )
    return "\n".join(lines)
