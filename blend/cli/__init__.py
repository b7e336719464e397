"""The `blend` command: read, answer one question, print. Commands are imported when they run."""

from __future__ import annotations

import os
import signal
import sys
import time
from _thread import interrupt_main
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from threading import Thread, get_ident
from threading import enumerate as enumerate_threads
from types import FrameType
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from blend import __version__
from blend.errors import BlendError, InputRefused, NoPlan, did_you_mean, problem_lines

if TYPE_CHECKING:
    from blend.domain.case import Case

# Our matrices are small: on a busy machine threads of numpy wait for each other a hundred times
# longer than they compute. Whoever sets it otherwise keeps it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

WARNINGS = "blend.warnings"
"""Key of click's context for warnings to print after the answer."""
INTERRUPTED = 130
"""Exit code of a command stopped from the keyboard: 128 and the signal's number, as in POSIX
shells."""


class Place(NamedTuple):
    """A command's module and its line in --help, which shows without importing it."""

    module: str
    summary: str


START: dict[str, Place] = {
    "demo": Place("blend.cli.demo", "Copy the invented plant, to try things on"),
    "new": Place("blend.cli.sheets", "A starter workbook to fill in"),
    "check": Place("blend.cli.grinder", "List every problem in your tables"),
    "guide": Place("blend.cli.guide", "Terms, method, cautions, one page per job"),
    "desk": Place("blend.cli.desk", "The page in the browser"),
}
PLANT: dict[str, Place] = {
    "plan": Place("blend.cli.grinder", "Today's blends at least cost"),
    "lot": Place("blend.cli.lot", "Why a lot is used or not, and its break-even price"),
    "lean": Place("blend.cli.lean", "What lots really test, from statements, tests and history"),
    "actuals": Place("blend.cli.actuals", "Yesterday's work order: plan against actual"),
    "control": Place("blend.cli.lean", "Tested batches against target over time"),
    "adjust": Place("blend.cli.adjust", "Fix an off-spec batch: add, take out, or test again"),
    "simulate": Place("blend.cli.simulate", "How often planned batches would test in spec"),
}
TRADE: dict[str, Place] = {
    "value": Place("blend.cli.trader", "What lean and fat are worth; cheap and rich items"),
    "breakeven": Place("blend.cli.trader", "What a lot is worth to you, at every price"),
    "substitute": Place("blend.cli.trader", "The cheapest mix that does what an item does"),
    "landed": Place("blend.cli.trader", "Imports at your dock, next to fresh"),
    "scenarios": Place("blend.cli.trader", "Many prices, supplies and orders; the range of cost"),
    "book": Place("blend.cli.book", "Positions, marks, profit and loss"),
    "customers": Place("blend.cli.customers", "Who gets how many loads, at what price"),
}
REPORT: dict[str, Place] = {
    "canvass": Place("blend.cli.reporter", "What you heard: add, correct, import, show"),
    "quote": Place("blend.cli.reporter", "Quotations of a day, and what each is based on"),
    "volumes": Place("blend.cli.reporter", "Volumes on the week, the year and year to date"),
    "why": Place("blend.cli.why", "Why an item's price and a plan's cost moved"),
    "note": Place("blend.cli.note", "The day's note: a draft to edit, then the page to print"),
    "weekly": Place("blend.cli.weekly", "The week's report: page, slides, script to speak"),
}
SECTIONS = {"START": START, "PLANT": PLANT, "TRADE": TRADE, "REPORT": REPORT}
COMMANDS = START | PLANT | TRADE | REPORT


class LazyGroup(click.Group):
    """Import a command only when it runs; report every error in one place."""

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
        for title, commands in SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl([(name, place.summary) for name, place in commands.items()])

    def invoke(self, ctx: click.Context):
        try:
            return super().invoke(ctx)
        except click.UsageError:
            ctx.find_root().meta.pop(WARNINGS, []).clear()
            raise
        except BlendError as error:
            if isinstance(error, InputRefused):
                ctx.find_root().meta.pop(WARNINGS, []).clear()
            for line in _lines_of(error, ctx.obj):
                click.echo(line, err=True)
            ctx.exit(error.exit_code)

    def __call__(self, *args: Any, **extra: Any) -> Any:
        """Run as a program that Ctrl-C stops at any point."""
        sys.unraisablehook = _raise_again
        try:
            return super().__call__(*args, **extra)
        finally:
            # During interpreter shutdown nothing can catch it.
            signal.signal(signal.SIGINT, signal.SIG_DFL)

    def main(  # type: ignore[override]  # It returns where click's own never does.
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        if not standalone_mode:
            return super().main(args, prog_name, complete_var, False, **extra)
        _harden_streams()
        if "_BLEND_COMPLETE" in os.environ:
            from blend.cli.completion import register

            register()
        try:
            code = super().main(args, prog_name or "blend", complete_var, False, **extra) or 0
        except click.ClickException as error:
            error.show()
            if isinstance(error, click.MissingParameter):
                click.echo(_example(error.ctx), err=True)
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
        _leave_running_searches(code)
        sys.exit(code)


def _leave_running_searches(code: int) -> None:
    """End at once where Ctrl-C, given again, left a search running: an ordinary exit would make the
    solver's library abort."""
    solver = sys.modules.get("blend.model.solver")
    if solver is not None and any(
        each.name == solver.SEARCH_THREAD for each in enumerate_threads()
    ):
        _failed("", code)
        os._exit(code)


def _example(ctx: click.Context | None) -> str:
    """The first example of a command's help, for one that something is missing from."""
    if ctx is None:
        return ""
    own = f"blend {ctx.command_path.partition(' ')[2]}"
    lines = map(str.strip, (ctx.command.epilog or "").splitlines())
    examples = [line for line in lines if line.startswith(own)]
    return f"Such as: {examples[0]}" if examples else ""


def _is_of_ctrl_c(error: BaseException | None) -> bool:
    """A compiled library interrupted while loading reports that as a failure."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__cause__ or error.__context__
    return error is not None


def _raise_again(unraisable: sys.UnraisableHookArgs) -> None:
    """Repeat a Ctrl-C that came where nothing can be raised, such as in a finalizer."""
    if unraisable.exc_type is not KeyboardInterrupt:
        sys.__unraisablehook__(unraisable)
        return
    here, main_thread = sys._getframe(), get_ident()

    def interrupt_once_outside() -> None:
        while _is_running(here, sys._current_frames().get(main_thread)):
            time.sleep(0.01)
        interrupt_main()

    Thread(target=interrupt_once_outside, daemon=True).start()


def _is_running(sought: FrameType, frame: FrameType | None) -> bool:
    while frame is not None and frame is not sought:
        frame = frame.f_back
    return frame is sought


def _harden_streams() -> None:
    """Keep closed streams and letters they cannot encode from stopping a command."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w"))  # noqa: SIM115 stays open to the end
        getattr(sys, name).reconfigure(errors="replace")


def _failed(line: str, code: int = BlendError.exit_code) -> int:
    """Print why the command stopped, if it still can, and return the exit code."""
    if line:
        with suppress(OSError):
            click.echo(line, err=True)
    # Python would try again at exit, and report the failure again.
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    return code


def _missing(error: ImportError) -> str:
    name = (error.name or "").partition(".")[0] or "a library"
    return (
        f"blend needs {name}, which does not load ({error}). Reinstall: in blend's folder, "
        "python -m pip install --force-reinstall ."
    )


def _lines_of(error: BlendError, case: Case | None) -> list[str]:
    """The error in plain lines; `case` is what the command has read so far."""
    from blend.output.formats import printable

    if isinstance(error, InputRefused):
        lines = [printable(line) for line in problem_lines(error.problems)]
        return [*lines, "1 thing to fix." if len(lines) == 1 else f"{len(lines):,} things to fix."]
    if isinstance(error, NoPlan) and case is not None:
        from blend.grinder.no_plan import infeasible_lines

        return infeasible_lines(error.infeasible, case)
    return [printable(line) for line in str(error).splitlines()]


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="blend %(version)s")
def main() -> None:
    """Plan, price and report on meat trimmings by lean point.

    Start with `blend demo` and `blend plan demo_data`. `blend guide` explains.
    """
