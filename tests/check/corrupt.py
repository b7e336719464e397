"""Answers with one thing made wrong, by where it is: `changed(plan, "runs.0.batches", 3)`."""

from __future__ import annotations

from dataclasses import is_dataclass, replace
from typing import Any


def changed(answer: Any, path: str | tuple[Any, ...], new: Any) -> Any:
    """A copy of the answer with the part at the path replaced by `new`, or by what `new` makes of
    it. A path is fields, places in tuples and keys of mappings; as text, joined by points."""
    steps = _steps(path) if isinstance(path, str) else path
    if not steps:
        return new(answer) if callable(new) else new
    step, *rest = steps
    if is_dataclass(answer):
        return replace(answer, **{step: changed(getattr(answer, step), tuple(rest), new)})
    part = changed(answer[step], tuple(rest), new)
    if isinstance(answer, tuple):
        return (*answer[:step], part, *answer[step:][1:])
    return {**answer, step: part}


def _steps(path: str) -> tuple[Any, ...]:
    return tuple(int(step) if step.isdigit() else step for step in path.split("."))


def shifted(by: float) -> Any:
    return lambda amount: amount + by


def without_first(parts: tuple) -> tuple:
    return parts[1:]


def pounds_moved(certificate: Any, by_lb: float) -> Any:
    """A certificate's plan with more of the pair it uses most."""
    use = certificate.pounds.use_lb
    return changed(certificate, ("pounds", "use_lb", max(use, key=use.get)), shifted(by_lb))


def prices_moved(certificate: Any, by_usd: float) -> Any:
    """A certificate's prices of finished pounds, all moved."""
    moved = {name: usd + by_usd for name, usd in certificate.prices.finished.items()}
    return changed(certificate, "prices.finished", moved)


def no_prices(certificate: Any) -> Any:
    return replace(certificate, prices=type(certificate.prices)())
