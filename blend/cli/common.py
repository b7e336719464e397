"""What commands share: read a folder, override settings, show progress and warnings."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from blend.cli import WARNINGS
from blend.cli.params import Measured, Share, Whole
from blend.domain.case import Case
from blend.domain.rules import WholeContainers
from blend.errors import Caution, InputRefused, Problem, warning_lines

if TYPE_CHECKING:
    from blend.domain.clearing import Market
    from blend.domain.quotations import Quotation
    from blend.tables.read import CaseRead
    from blend.trader.kept_scenarios import Keep

Finding = TypeVar("Finding", Problem, Caution)
_LINE = 78
FOLDER = click.argument("folder", type=click.Path(path_type=Path))
FILE = click.Path(dir_okay=False, path_type=Path)


def seed_option(default: int = 0) -> Callable:
    """--seed, for a command that draws at random."""
    return click.option(
        "--seed",
        type=Whole(0),
        default=default,
        show_default=True,
        help="Random seed; the same one gives the same draws.",
    )


JOINT = click.option(
    "--joint",
    type=click.Choice(["bootstrap", "covariance"]),
    default="bootstrap",
    show_default=True,
    help="Past weeks drawn whole, or lognormal moves of their robust covariance.",
)


WORKERS = click.option(
    "--workers",
    type=Whole(1, 256),
    default=1,
    show_default=True,
    help="Processes on this machine.",
)
SCHEDULER = click.option(
    "--scheduler", metavar="ADDRESS", help="Use Dask, such as tcp://host:8786."
)
KEEP = click.option(
    "--keep",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Save as it goes; resume from it.",
)


def kept_in(path: Path) -> Keep:
    from blend.files import as_file_trouble, check_place, write_bytes
    from blend.trader.kept_scenarios import Keep

    check_place(path)
    with as_file_trouble(path):
        earlier = path.read_bytes() if path.exists() else None
    return Keep(str(path), earlier, lambda content: write_bytes(path, content))


def quotations_at(place: str) -> Sequence[Quotation]:
    """Quotations of a table or folder, or those published in a store."""
    if "://" in place or Path(place).suffix in (".db", ".sqlite", ".sqlite3"):
        from blend.store import Store

        with Store.open(place) as opened:
            return opened.quotations()
    from blend.tables.quotations import read_quotations

    return read_quotations(Path(place)).quotations


WHOLE = click.option(
    "--containers",
    "whole",
    type=click.Choice([each.value for each in WholeContainers]),
    help="Where containers must be whole. Default: as in settings.",
)
GAP = click.option(
    "--within",
    "gap",
    type=Share(small=True),
    metavar="PERCENT",
    help="How close to the lowest possible cost is close enough, such as 0.1%.",
)
TIME_LIMIT = click.option(
    "--time-limit",
    type=Measured("s|sec|seconds", 0, above_low=True),
    metavar="SECONDS",
    help="How long to look for a better plan.",
)


def read_folder(
    folder: Path,
    *,
    names_folder: bool = False,
    warn_of_blanks: bool = True,
    lists_blanks: bool = False,
) -> CaseRead:
    """The case of a folder; its warnings are printed to stderr after the answer.

    With `names_folder`, for commands that read two folders, warnings and problems name it.
    """
    from blend.reading import read_ready_case

    with _naming_folder(folder, names_folder):
        read = read_ready_case(folder)
    shown = read.warnings if lists_blanks or not warn_of_blanks else read.warnings_in_short
    warnings = [each for each in shown if warn_of_blanks or each not in read.blanks]
    if names_folder:
        warnings = [_in_folder(folder, each) for each in warnings]
    warn_at_end(warnings)
    # Error messages name limits in the words of this case.
    click.get_current_context().find_root().obj = read.case
    return read


def warn_at_end(warnings: Iterable[Caution]) -> None:
    """Print warnings to stderr once, after the answer; similar ones share a line."""
    root = click.get_current_context().find_root()
    if WARNINGS not in root.meta:
        root.meta[WARNINGS] = []
        root.call_on_close(partial(_print_warnings, root.meta[WARNINGS]))
    root.meta[WARNINGS] += warnings


def _print_warnings(warnings: list[Caution]) -> None:
    from blend.output.formats import printable

    lines = warning_lines(warnings)
    click.echo("".join(f"warning: {printable(line)}\n" for line in lines), err=True, nl=False)


def note_at_end(text: str) -> None:
    """Print a line to stderr after the answer."""
    click.get_current_context().call_on_close(partial(click.echo, text, err=True))


def read_market_folder(folder: Path, *, names_folder: bool = False) -> Market:
    """The market of a folder; warnings, problems and `names_folder` as in `read_folder`.

    No warnings about blanks: a market's items have no use-by day, for instance.
    """
    from blend.tables.clearing import read_market

    case = read_folder(folder, names_folder=names_folder, warn_of_blanks=False).case
    with _naming_folder(folder, names_folder):
        return read_market(folder, case)


@contextmanager
def _naming_folder(folder: Path, is_named: bool) -> Iterator[None]:
    try:
        yield
    except InputRefused as refused:
        if not is_named:
            raise
        raise InputRefused([_in_folder(folder, each) for each in refused.problems]) from None


def _in_folder(folder: Path, finding: Finding) -> Finding:
    """With the name of its folder, or of the folder its workbook is in."""
    place = folder if folder.is_dir() else folder.parent
    return replace(finding, file=str(place / finding.file))


def with_settings(
    case: Case, whole: str | None, gap: float | None, time_limit: float | None
) -> Case:
    """The case with the settings given on the command line."""
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
    """Show what is being done on one line of a terminal, and clear it at the end."""
    if not sys.stderr.isatty():
        yield None
        return

    def show(text: str) -> None:
        click.echo(f"\r{text[:_LINE]:<{_LINE}}\r", nl=False, err=True)

    try:
        yield show
    finally:
        show("")


@contextmanager
def step_line() -> Iterator[Callable[[str], None]]:
    """As `progress_line`, for commands that report their own steps; silent without a terminal."""
    with progress_line() as show:
        yield show or (lambda text: None)
