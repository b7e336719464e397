"""Options of commands that take one record, from the declaration of its columns."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any, TypeVar

import click

from blend.domain.columns import Column, Kind, columns_of

Command = TypeVar("Command", bound=Callable[..., Any])


def record_options(
    kind: type, *, skip: Collection[str] = (), required: bool = True, own: Collection[str] = ()
) -> Callable[[Command], Command]:
    """One option for each column of a record but those of `skip`; the command gets what was
    typed by column, blank where nothing was, to be read as a table is.

    Columns that a table requires are required here, but for `own`, which the command fills in
    where they are not given; with `required` false none is.
    """

    def add(command: Command) -> Command:
        for column in reversed(columns_of(kind)):
            if column.name not in skip:
                must = required and column.required and column.name not in own
                command = _option(column, must)(command)
        return command

    return add


def _option(column: Column, required: bool) -> Callable[[Command], Command]:
    name = f"--{column.option or column.name.replace('_', '-')}"
    about = f"{column.about[:1].upper()}{column.about[1:]}."
    if column.kind is Kind.YES_NO:
        other = "no" if column.default else "yes"
        about = f"Not {column.about}." if column.default else about
        return click.option(name, column.name, flag_value=other, default="", help=about)
    more: dict[str, Any] = {"required": True} if required else {"default": ""}
    if column.kind is Kind.CHOICE:
        more["type"] = click.Choice([str(each) for each in column.choices])
        if not required:
            more["type"] = click.Choice(["", *map(str, column.choices)])
            more["metavar"] = f"[{'|'.join(map(str, column.choices))}]"
            more["show_choices"] = False
    elif column.kind is Kind.DATE:
        more["metavar"] = "DATE"
    elif column.unit:
        more["metavar"] = column.unit.replace("USD per ", "$/").upper()
    return click.option(name, column.name, help=about, **more)
