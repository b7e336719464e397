"""Every error and warning as data, and the exit code of each error.

    BlendError                 exit 1  a file or internal trouble
    ├── FileTrouble            exit 1  a file cannot be read or written
    ├── SolverTrouble          exit 1  the solver gave no usable answer
    │   └── OutOfTime          exit 1  no plan was found in the time there was
    ├── InputRefused           exit 2  the user's tables break a stated rule
    └── NoPlan                 exit 3  certain: nothing meets every requirement

Screens turn them into words.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any


class BlendError(Exception):
    """Base of every error that `blend` raises on purpose."""

    exit_code = 1


class FileTrouble(BlendError):
    """A file or folder could not be read or written."""


class SolverTrouble(BlendError):
    """The solver stopped without an answer that can be used."""


class OutOfTime(SolverTrouble):
    """The search ended before it had any plan; with more time there may be one."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with one place of one table.

    `row` counts as a spreadsheet does: the header is row 1. It is None when the
    whole table or file is meant; `column` is None when the whole row is meant. Without
    `required`, `value` says all that is wrong.
    """

    file: str
    row: int | None
    column: str | None
    value: str
    required: str
    hint: str = ""

    @property
    def words(self) -> str:
        """What is wrong, without its place, for where the place is in sight."""
        if not self.required:
            return f"{self.value}. {self.hint}".strip()
        value = self.value if self.value in ("blank", "nothing") else f'"{self.value}"'
        return f"{value}: must be {self.required}. {self.hint}".strip()

    def __str__(self) -> str:
        return f"{_place(self)}: {self.words}"


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing that may be right, but that the user should check.

    `fact` says what is there, `advice` what to do about it; `row` and `column` are as in Problem.
    """

    file: str
    row: int | None
    column: str | None
    fact: str
    advice: str = ""
    together: str = ""
    """One line for several such cautions: {count} is how many, {s} a plural s."""

    @property
    def words(self) -> str:
        """What to look at, without its place, for where the place is in sight."""
        return f"{self.fact}. {self.advice}".strip()

    def __str__(self) -> str:
        return f"{_place(self)}: {self.words}"


def warning_lines(warnings: Iterable[Caution]) -> list[str]:
    """One line for each warning, and one line for all similar ones."""
    alone: dict[str, None] = {}
    shared: dict[str, dict[str, None]] = {}
    for each in warnings:
        if each.together:
            shared.setdefault(each.together, {})[each.fact] = None
        else:
            alone[str(each)] = None
    lines = [
        text.format(count=len(found), s="s" if len(found) > 1 else "")
        for text, found in shared.items()
    ]
    return [*alone, *lines]


def problem_lines(problems: Iterable[Problem]) -> list[str]:
    """One line for each problem, and one for the same problem in several rows of a column."""
    rows: dict[Problem, list[int]] = {}
    for each in problems:
        rows.setdefault(replace(each, row=None), []).extend(filter(None, (each.row,)))
    return [f"{_place(each, found)}: {each.words}" for each, found in rows.items()]


def _place(found: Problem | Caution, rows: Sequence[int] = ()) -> str:
    row = _rows(rows or ((found.row,) if found.row is not None else ()))
    column = "" if found.column is None else f", {found.column}"
    return f"{found.file}{row}{column}"


def _rows(rows: Sequence[int]) -> str:
    if len(rows) < 2:
        return "".join(f" row {row}" for row in rows)
    if len(rows) > 2 and list(rows) == list(range(rows[0], rows[-1] + 1)):
        return f" rows {rows[0]} to {rows[-1]}"
    return f" rows {and_more([str(row) for row in rows])}"


_MAX_NAMED = 5
"""Nobody reads a message that names more."""


def and_more(names: Sequence[str]) -> str:
    """`a`, `a and b`, `a, b, c, d, e and 7 more`."""
    named, others = names[:_MAX_NAMED], len(names) - _MAX_NAMED
    *firsts, last = [*named, f"{others:,} more"] if others > 0 else named
    return f"{', '.join(firsts)} and {last}" if firsts else last


_MAX_MEANT = 3
"""More names than these would be a list to read, no hint."""


def meant(word: str, known: Iterable[str]) -> tuple[str, ...]:
    """The known names that a word may stand for: the one spelt most like it, else the few that
    hold it as one of their words (`cwt`: `usd_per_cwt`)."""
    by_folded = {each.casefold(): each for each in known}
    folded = word.casefold().strip()
    near = get_close_matches(folded, by_folded, 1)
    if not near:
        own = _words_of(folded)
        near = [each for each in by_folded if own and own <= _words_of(each)]
    return tuple(by_folded[each] for each in near) if len(near) <= _MAX_MEANT else ()


def _words_of(name: str) -> set[str]:
    return set(filter(None, re.split(r"[\W_]+", name)))


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """A hint that names what a word may stand for, empty where nothing is like it."""
    names = meant(word, known)
    return f"Did you mean {' or '.join(names)}?" if names else ""


class InputRefused(BlendError, ValueError):
    """Something in the tables must be fixed; all of it is in `problems`."""

    exit_code = 2

    def __init__(self, problems: list[Problem] | tuple[Problem, ...]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problem_lines(self.problems)))


def refusal(
    file: str, column: str | None, value: str, required: str = "", hint: str = ""
) -> InputRefused:
    """One thing wrong with a whole file or column, as `Problem` has it."""
    return InputRefused([Problem(file, None, column, value, required, hint)])


class NoPlan(BlendError):
    """No plan exists; `infeasible` says which requirements conflict and what frees them."""

    exit_code = 3

    def __init__(self, infeasible: Any) -> None:
        self.infeasible = infeasible
        super().__init__("no plan meets every requirement")
