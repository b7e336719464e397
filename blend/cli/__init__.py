"""The `blend` command: reads, calls one verb, shows. Commands are imported when invoked."""

from __future__ import annotations

import os
import signal
import sys
from _thread import interrupt_main
from contextlib import suppress
from importlib import import_module
from threading import Timer
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from blend import __version__
from blend.errors import BlendError, InputRefused, NoPlan, did_you_mean

if TYPE_CHECKING:
    from blend.domain.case import Case

INTERRUPTED = 130
"""Exit code of a command stopped from the keyboard: 128 and the signal's number, as in POSIX
shells."""


class Place(NamedTuple):
    """Where a command is, and its line in the list of commands, told without importing it."""

    module: str
    summary: str


COMMANDS = {
    "plan": Place("blend.cli.grinder", "Plan the day's blends at least cost, and prove it."),
    "lot": Place("blend.cli.lot", "Tell why a lot is used or not, and at which price that turns."),
    "check": Place("blend.cli.grinder", "Read the tables and tell what is in them."),
    "template": Place("blend.cli.sheets", "Write empty tables to fill in."),
    "columns": Place("blend.cli.sheets", "Tell what each column of the tables holds."),
    "lean": Place(
        "blend.cli.lean",
        "Estimate the lean of lots from statements, tests and history.",
    ),
    "safe": Place("blend.cli.safe", "Plan blends that keep limits as surely as asked."),
    "simulate": Place("blend.cli.safe", "Draw planned batches and count those out of limits."),
    "correct": Place("blend.cli.correct", "Put a batch right: add, take out, or test again."),
    "control": Place(
        "blend.cli.lean", "Hold the tested lean of batches against their target over time."
    ),
    "temperature": Place(
        "blend.cli.lean", "Plan the day's blends and tell how warm each batch becomes."
    ),
    "value": Place(
        "blend.cli.trader",
        "Tell what lean and fat are worth, and which items are rich or cheap.",
    ),
    "replace": Place(
        "blend.cli.trader",
        "Tell for every item the cheapest mix of the others at equal lean.",
    ),
    "demand": Place(
        "blend.cli.trader", "Tell how many pounds of a lot the plan takes at every price, exactly."
    ),
    "supply": Place(
        "blend.cli.trader",
        "Tell what the plan costs with any pounds of a lot on offer, exactly.",
    ),
    "regions": Place(
        "blend.cli.trader",
        "Tell at which prices of two lots the plan takes which pounds of them, exactly.",
    ),
    "positions": Place(
        "blend.cli.positions",
        "Plan several days at once: what to buy when, blend, freeze, store and sell on.",
    ),
    "landed": Place(
        "blend.cli.imports",
        "Tell what foreign offers cost landed, thawed and at the lean of fresh meat.",
    ),
    "scenarios": Place(
        "blend.cli.scenarios",
        "Plan the day under many prices, supplies and orders, and tell the spread.",
    ),
    "store": Place(
        "blend.cli.reporter",
        "Make, fill, empty into files and look at the store of the market's history.",
    ),
    "canvass": Place("blend.cli.reporter", "Add one thing heard to the store, or withdraw one."),
    "quote": Place(
        "blend.cli.reporter",
        "Quote items of a day from the canvass, with what each quotation rests on.",
    ),
    "tone": Place(
        "blend.cli.reporter",
        "Tell which way items went, how demand and offerings stood, and how spans compare.",
    ),
    "why": Place(
        "blend.cli.why",
        "Tell why a plan's cost, and what an item is worth, moved between two cases.",
    ),
    "clear": Place(
        "blend.cli.why",
        "Tell at which prices a whole market clears, and what a change of it would move.",
    ),
    "indicators": Place(
        "blend.cli.note",
        "Tell how volumes stand on week, year and year to date, and how many items moved.",
    ),
    "note": Place(
        "blend.cli.note",
        "Write the note of a day: first a draft to edit (.md), then the page to print (.html).",
    ),
    "desk": Place(
        "blend.cli.desk", "Open one page for grinder, trader and reporter in the browser."
    ),
}


class LazyGroup(click.Group):
    """Imports a command only when it is invoked, and tells every error in one place."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        return getattr(import_module(COMMANDS[cmd_name].module), cmd_name)

    def resolve_command(self, ctx: click.Context, args: list[str]):
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            hint = did_you_mean(name, COMMANDS) or f"There are {', '.join(COMMANDS)}."
            ctx.fail(f"No such command {name!r}. {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, place.summary) for name, place in COMMANDS.items()])

    def invoke(self, ctx: click.Context):
        try:
            return super().invoke(ctx)
        except BlendError as error:
            for line in _lines_of(error, ctx.obj):
                click.echo(line, err=True)
            ctx.exit(error.exit_code)

    def __call__(self, *args: Any, **extra: Any) -> Any:
        """Run as a program of its own, which Ctrl-C stops wherever it falls."""
        sys.unraisablehook = _tell_unraisable
        try:
            return super().__call__(*args, **extra)
        finally:
            # While the interpreter goes down, nobody is left to catch it.
            signal.signal(signal.SIGINT, signal.SIG_DFL)

    def main(self, *args: Any, standalone_mode: bool = True, **extra: Any) -> Any:
        if not standalone_mode:
            return super().main(*args, standalone_mode=False, **extra)
        _mend_streams()
        try:
            code = super().main(*args, standalone_mode=False, **extra) or 0
        except click.ClickException as error:
            error.show()
            code = error.exit_code
        except (click.Abort, KeyboardInterrupt):
            code = _failed("Stopped.", INTERRUPTED)
        except Exception as error:
            if _is_of_ctrl_c(error):
                code = _failed("Stopped.", INTERRUPTED)
            elif isinstance(error, ImportError):
                code = _failed(_missing(error))
            elif isinstance(error, OSError):  # Files raise FileTrouble, so this is a stream.
                code = _failed(f"{error.filename or 'standard output'}: {error.strerror or error}")
            else:
                raise
        sys.exit(code)


def _is_of_ctrl_c(error: BaseException | None) -> bool:
    """A compiled library that is interrupted while it is loaded calls that a failure."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__cause__ or error.__context__
    return error is not None


def _tell_unraisable(told: sys.UnraisableHookArgs) -> None:
    """Give a Ctrl-C again that fell where nothing can be raised, such as in a finaliser."""
    if told.exc_type is not KeyboardInterrupt:
        sys.__unraisablehook__(told)
        return
    for seconds in (0.05, 0.5):  # On a busy machine the first may come while it is still begun.
        with suppress(KeyboardInterrupt):
            Timer(seconds, interrupt_main).start()
            return


def _mend_streams() -> None:
    """Let nothing that a stream cannot take stop a command: closed ones, unknown letters."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w"))  # noqa: SIM115 it stays open to the end
        getattr(sys, name).reconfigure(errors="replace")


def _failed(line: str, code: int = BlendError.exit_code) -> int:
    """Tell of the end, as far as there is somewhere to tell it, and give its exit code."""
    with suppress(OSError):
        click.echo(line, err=True)
    # What could not be written would be tried, and told of, once more at the very end.
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    return code


def _missing(error: ImportError) -> str:
    name = (error.name or "").partition(".")[0] or "a library"
    return (
        f"{name} cannot be loaded, and blend needs it ({error}). The installation is damaged: "
        "in blend's own folder: python -m pip install --force-reinstall ."
    )


def _lines_of(error: BlendError, case: Case | None) -> list[str]:
    """The error for people, line by line; `case` is what a command has read by then."""
    from blend.show.amounts import count_of, printable

    if isinstance(error, InputRefused):
        count = count_of(len(error.problems), "problem")
        return [
            *(printable(str(each)) for each in error.problems),
            f"{count}; nothing was written.",
        ]
    if isinstance(error, NoPlan):
        from blend.show.infeasible import infeasible_lines

        return infeasible_lines(error.infeasible, case)
    return [printable(line) for line in str(error).splitlines()]


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="blend %(version)s")
def main() -> None:
    """Blend meat trimmings to a lean point at least cost, and prove it.

    A case is a folder of plain tables: `blend template FOLDER` writes empty ones, `blend
    columns` tells what goes into them, `blend check FOLDER` reads them, `blend plan FOLDER`
    plans.

    Exit codes: 0 answered, 1 file or internal trouble, 2 refused input, 3 proved that no plan
    exists, 130 stopped from the keyboard.
    """
