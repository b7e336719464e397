"""Finished scenarios as a file keeps them, so that an interrupted run goes on where it stopped."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable
from dataclasses import asdict, dataclass, is_dataclass
from io import BytesIO
from typing import Any

import numpy as np

from blend.errors import FileTrouble
from blend.model.solver import Outcome


@dataclass(frozen=True)
class Keep:
    """Where finished scenarios are kept: the name of the file, what it holds, and how to save."""

    name: str
    earlier: bytes | None
    save: Callable[[bytes], None]


def job_mark(job: Any, columns: tuple[str, ...]) -> str:
    """The same for the same sheet, changes, draws and seed in any process; else another."""

    def plain(value: Any) -> Any:
        if isinstance(value, set | frozenset):
            return sorted(map(str, value))
        return asdict(value) if is_dataclass(value) and not isinstance(value, type) else str(value)

    text = json.dumps([asdict(job), columns], default=plain)
    return hashlib.sha256(text.encode()).hexdigest()


def read_kept(keep: Keep, mark: str) -> tuple[list[Outcome], np.ndarray | None]:
    """What is kept of the job with this mark; nothing where there is no file yet.

    Raises FileTrouble for a file of another job, or of something else.
    """
    if keep.earlier is None:
        return [], None
    try:
        with np.load(BytesIO(keep.earlier), allow_pickle=False) as kept:
            its_mark, outcomes, values = str(kept["mark"]), kept["outcomes"], kept["values"]
    except (OSError, EOFError, ValueError, KeyError, TypeError, zipfile.BadZipFile):
        wrong = f"{keep.name}: does not hold kept scenarios. Name another file."
        raise FileTrouble(wrong) from None
    if its_mark != mark:
        raise FileTrouble(
            f"{keep.name}: holds scenarios of another sheet, number of draws or seed. Name another"
            " file."
        )
    return [Outcome(each) for each in outcomes.tolist()], values


def write_kept(keep: Keep, mark: str, outcomes: list[Outcome], values: np.ndarray) -> None:
    buffer = BytesIO()
    names = np.array([outcome.value for outcome in outcomes])
    np.savez(buffer, mark=np.array(mark), outcomes=names, values=values)
    keep.save(buffer.getvalue())
