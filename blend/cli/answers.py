"""Options every analysis command takes, and how its answer is given: --json, --csv, --chart.

Everything asked for is written before anything is printed, so that a closed pipe loses no file.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from blend.errors import FileTrouble

if TYPE_CHECKING:
    from blend.output.answer import Answer
    from blend.output.formats import Unit

_OTHER_FORMATS = (".xlsx", ".xls", ".json", ".pdf", ".html", ".png")
FILE = click.Path(dir_okay=False, path_type=Path)


class _ShownUnit(click.ParamType):
    name = "unit"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> Unit:
        from blend.output.formats import UNIT_NAMES, unit_typed

        try:
            return unit_typed(value)
        except ValueError:
            self.fail(f"{value!r}: must be {UNIT_NAMES}.", param, ctx)


def answers(*sections: str, chart: bool = False) -> Callable[[Callable[..., Answer]], Callable]:
    """Make a command of a function that returns an Answer.

    Adds --json, --csv FILE with --table NAME, --chart FILE where `chart` is true, one flag for
    each of `sections` (what is printed after the first screen) and --all.
    """

    def decorate(function: Callable[..., Answer]) -> Callable:
        @wraps(function)
        def command(
            *args: Any,
            as_json: bool,
            csv: Path | None,
            table: str | None,
            units: tuple[Unit, ...],
            every: bool = False,
            chart_file: Path | None = None,
            **options: Any,
        ) -> None:
            check_files(csv, chart_file)
            asked = {name for name in sections if options.pop(f"section_{name.replace('-', '_')}")}
            from blend.output.formats import shown_in

            answer = function(*args, **options)
            with shown_in(units):
                give(
                    answer,
                    ["all"] if every else asked,
                    as_json=as_json,
                    csv=csv,
                    table=table,
                    chart=chart_file,
                )
            if units and not as_json:
                named = ", ".join(each.name for each in units)
                click.echo(f"Under headings in {named}; all else is in lb and $/cwt.")

        return _with_options(command, sections, chart)

    return decorate


def examples(*commands: str) -> str:
    """The end of a command's --help: one example a line."""
    return "\n".join(["\b", "Examples:", *(f"  {each}" for each in commands)])


def check_files(csv: Path | None, chart: Path | None) -> None:
    """Before anything is computed: can the files asked for be written?"""
    from blend.files import check_place

    if csv is not None:
        if csv.suffix.casefold() in _OTHER_FORMATS:
            raise FileTrouble(f"{csv}: a table is saved as .csv. Change the ending.")
        check_place(csv)
    if chart is not None:
        from blend.output.charts import check_chart_path

        check_chart_path(chart)


def give(
    answer: Answer,
    sections: Collection[str] = (),
    *,
    as_json: bool = False,
    csv: Path | None = None,
    table: str | None = None,
    chart: Path | None = None,
) -> None:
    """Write the files asked for, then print the screen or the JSON."""
    if table is not None and table not in answer.tables:
        raise click.BadParameter(
            f"must be one of {', '.join(answer.tables)}.", param_hint="--table"
        )
    from blend.output.screen import headed

    text = answer.to_json() if as_json else headed(answer.screen(sections))
    if csv is not None:
        answer.to_csv(csv, table)
    if chart is not None:
        answer.save_chart(chart)
    click.echo(text)
    for what, path in (("table", csv), ("chart", chart)):
        if path is not None and not as_json:
            click.echo(f"Saved {what}: {path}")


def _with_options(command: Callable, sections: Collection[str], chart: bool) -> Callable:
    options = [
        click.option("--json", "as_json", is_flag=True, help="Print figures and tables as JSON."),
        click.option("--csv", type=FILE, metavar="FILE", help="Save a table as CSV."),
        click.option(
            "--units",
            type=_ShownUnit(),
            multiple=True,
            metavar="UNIT",
            help='Tables in cents/lb, $/kg, kg, t, loads or "containers of 19 t"; repeatable.',
        ),
        click.option(
            "--table", metavar="NAME", help="Which table --csv saves. Default: the main one."
        ),
    ]
    if chart:
        options.append(
            click.option(
                "--chart",
                "chart_file",
                type=FILE,
                metavar="FILE",
                help="Save a chart (.png, .svg, .pdf).",
            )
        )
    if sections:
        options += [
            click.option(
                f"--{name}",
                f"section_{name.replace('-', '_')}",
                is_flag=True,
                help=f"Also print: {name.replace('-', ' ')}.",
            )
            for name in sections
        ]
        options.append(click.option("--all", "every", is_flag=True, help="Print every section."))
    for option in reversed(options):
        command = option(command)
    return command
