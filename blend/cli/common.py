"""What commands share: how a case is read, its settings moved, and progress told."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from blend.domain.case import Case
from blend.domain.rules import WholeContainers
from blend.errors import Caution, InputRefused, Problem

if TYPE_CHECKING:
    from blend.domain.clearing import Market
    from blend.tables.read import CaseRead

Told = TypeVar("Told", Problem, Caution)
_LINE = 78
FOLDER = click.argument("folder", type=click.Path(path_type=Path))
FILE = click.Path(dir_okay=False, path_type=Path)
"""A file to read or to write, which no folder can be."""


def picture_option(what: str) -> Callable:
    """--chart; `what` is the first sentence of its help: what is drawn."""
    return click.option(
        "--chart", "picture", type=FILE, help=f"{what}: a file that ends in .png, .svg or .pdf."
    )


PICTURE = picture_option("Draw it too")


def finite(ctx: click.Context, param: click.Parameter, number: float | None) -> float | None:
    if number is not None and not math.isfinite(number):
        raise click.BadParameter("must be a number.")
    return number


def seed_option(default: int = 0) -> Callable:
    """--seed, of a command that draws by chance."""
    return click.option(
        "--seed",
        type=click.IntRange(0),
        default=default,
        show_default=True,
        help="The number that draws begin from: the same one draws the same.",
    )


WHOLE = click.option(
    "--containers",
    "whole",
    type=click.Choice([each.value for each in WholeContainers]),
    help="Where containers must be whole, instead of what the settings say.",
)
GAP = click.option(
    "--within",
    "gap",
    type=click.FloatRange(0, 1),
    callback=finite,
    metavar="SHARE",
    help="Distance from the bound at which a plan is good enough; 0.001 is 0.1 %.",
)
TIME_LIMIT = click.option(
    "--time-limit",
    type=click.FloatRange(0, min_open=True),
    callback=finite,
    metavar="SECONDS",
    help="How long to look for a better plan.",
)


def read_folder(
    folder: Path, *, beside_another: bool = False, warn_of_blanks: bool = True
) -> CaseRead:
    """The case as read; its warnings go to stderr once the command has given its answer.

    Where another case is read beside it, warnings and problems name the folder.
    """
    from blend.reading import read_ready_case

    with _naming_folder(folder, beside_another):
        read = read_ready_case(folder)
    warnings = [each for each in read.warnings if warn_of_blanks or each not in read.blanks]
    if beside_another:
        warnings = [_in_folder(folder, each) for each in warnings]
    warn_at_end(warnings)
    # Where errors are told, requirements are named in the words of this case.
    click.get_current_context().find_root().obj = read.case
    return read


def warn_at_end(warnings: Iterable[Caution]) -> None:
    """Warnings go to stderr once, after the answer of the command; like ones share a line."""
    root = click.get_current_context().find_root()
    if _WARNINGS not in root.meta:
        root.meta[_WARNINGS] = []
        root.call_on_close(partial(_print_warnings, root.meta[_WARNINGS]))
    root.meta[_WARNINGS] += warnings


_WARNINGS = "blend.warnings"


def _print_warnings(warnings: list[Caution]) -> None:
    from blend.output.formats import printable

    lines = warning_lines(warnings)
    click.echo("".join(f"warning: {printable(line)}\n" for line in lines), err=True, nl=False)


def warning_lines(warnings: Iterable[Caution]) -> list[str]:
    """One line for each warning, and one for all that are alike."""
    warnings = list(warnings)
    alone = dict.fromkeys(str(each) for each in warnings if not each.together)
    shared: dict[str, set[str]] = {}
    for each in warnings:
        if each.together:
            shared.setdefault(each.together, set()).add(each.fact)
    return [*alone, *(text.format(count=len(facts)) for text, facts in shared.items())]


def note_at_end(text: str) -> None:
    """A line on stderr after the answer of the command."""
    click.get_current_context().call_on_close(partial(click.echo, text, err=True))


def read_market_folder(folder: Path, *, beside_another: bool = False) -> Market:
    """The market of a folder; warnings, problems and `beside_another` as of `read_folder`.

    Without warnings of blanks: a market's items have no last day of use, for instance.
    """
    from blend.tables.clearing import read_market

    case = read_folder(folder, beside_another=beside_another, warn_of_blanks=False).case
    with _naming_folder(folder, beside_another):
        return read_market(folder, case)


@contextmanager
def _naming_folder(folder: Path, is_named: bool) -> Iterator[None]:
    try:
        yield
    except InputRefused as refused:
        if not is_named:
            raise
        raise InputRefused([_in_folder(folder, each) for each in refused.problems]) from None


def _in_folder(folder: Path, told: Told) -> Told:
    """With its folder; of a workbook, that in which it lies."""
    place = folder if folder.is_dir() else folder.parent
    return replace(told, file=str(place / told.file))


def with_settings(
    case: Case, whole: str | None, gap: float | None, time_limit: float | None
) -> Case:
    """The case with those settings that the command line names instead of its own."""
    own = case.settings
    settings = replace(
        own,
        whole_containers=own.whole_containers if whole is None else WholeContainers(whole),
        gap_share=own.gap_share if gap is None else gap,
        time_limit_s=own.time_limit_s if time_limit is None else time_limit,
    )
    return replace(case, settings=settings)


@contextmanager
def progress_line() -> Iterator[Callable[[str], None] | None]:
    """Tells what is being done on one line of a terminal, and wipes it at the end."""
    if not sys.stderr.isatty():
        yield None
        return

    def tell(text: str) -> None:
        click.echo(f"\r{text[:_LINE]:<{_LINE}}\r", nl=False, err=True)

    try:
        yield tell
    finally:
        tell("")


@contextmanager
def step_line() -> Iterator[Callable[[str], None]]:
    """As `progress_line`, for steps that a command tells itself; told to nobody elsewhere."""
    with progress_line() as tell:
        yield tell or (lambda text: None)
