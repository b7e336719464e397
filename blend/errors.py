"""The whole error story: what went wrong as data, and the exit code it earns.

    BlendError                 exit 1  a file or internal trouble
    ├── FileTrouble            exit 1  a file cannot be read or written
    ├── SolverTrouble          exit 1  the solver gave no usable answer
    ├── InputRefused           exit 2  the user's tables break a stated rule
    └── NoPlan                 exit 3  proved: nothing meets every requirement

Words for people are made in `blend.show`; here are only the facts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


class BlendError(Exception):
    """Base of every error that `blend` raises on purpose."""

    exit_code = 1


class FileTrouble(BlendError):
    """A file or folder could not be read or written."""


class SolverTrouble(BlendError):
    """The solver stopped without an answer that can be used."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with one place of one table.

    `row` counts as a spreadsheet does: the header is row 1. It is None when the
    whole table or file is meant; `column` is None when the whole row is meant.
    """

    file: str
    row: int | None
    column: str | None
    read: str
    allowed: str
    hint: str = ""

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            place += f" row {self.row}"
        if self.column is not None:
            place += f", {self.column}"
        text = f"{place}: read {self.read}; allowed {self.allowed}."
        return f"{text} {self.hint}" if self.hint else text


class InputRefused(BlendError, ValueError):
    """The tables hold problems; all of them are in `problems`."""

    exit_code = 2

    def __init__(self, problems: list[Problem] | tuple[Problem, ...]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class NoPlan(BlendError):
    """No plan exists; `clash` tells which requirements clash and what frees them."""

    exit_code = 3

    def __init__(self, clash: Any) -> None:
        self.clash = clash
        super().__init__("no plan meets every requirement")
