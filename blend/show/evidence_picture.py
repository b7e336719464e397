"""Entries of one quotation by price and weight, laid out to be drawn: places in a frame of
points, nothing of how they look."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from blend.domain.market import EntryKind
from blend.reporter.assessed import Assessed
from blend.reporter.evidence import Evidence, Use
from blend.reporter.words import USES
from blend.show.amounts import count_of, number_words

WIDTH, HEIGHT = 1000, 260
_LEFT, _RIGHT, _TOP, _BOTTOM = 56, 16, 34, 40
_STEPS = (0.25, 0.5, 1, 2.5, 5, 10, 25, 50, 100, 250, 500, 1000)
_MAX_TICKS = 9


@dataclass(frozen=True, slots=True)
class Mark:
    """One entry: where it stands, what it is, and whether it bears anything."""

    x: float
    y: float
    kind: EntryKind
    is_used: bool
    words: str


@dataclass(frozen=True, slots=True)
class Tick:
    at: float
    words: str


@dataclass(frozen=True, slots=True)
class EvidencePicture:
    """All of it; `quoted_x` and the range are None where there is no quotation."""

    marks: tuple[Mark, ...]
    prices: tuple[Tick, ...]
    weights: tuple[Tick, ...]
    quoted_x: float | None
    range_x: tuple[float, float] | None
    words: str
    """What is seen, for who does not see it."""
    width: int = WIDTH
    height: int = HEIGHT
    left: int = _LEFT
    floor: int = HEIGHT - _BOTTOM
    top: int = _TOP
    right: int = WIDTH - _RIGHT


def evidence_picture(made: Assessed) -> EvidencePicture | None:
    """The picture of an item's evidence; None where nothing was heard that day."""
    if not made.evidence:
        return None
    quoted = (made.usd_per_cwt, made.low_usd_per_cwt, made.high_usd_per_cwt)
    prices = [each.usd_per_cwt for each in made.evidence]
    prices += [each for each in quoted if each is not None]
    step = _step(max(prices) - min(prices))
    low = (math.ceil(min(prices) / step) - 1) * step
    high = (math.floor(max(prices) / step) + 1) * step
    maximum = max(*(each.weight for each in made.evidence), 0.1)

    def x(usd: float) -> float:
        return round(_LEFT + (usd - low) / (high - low) * (WIDTH - _LEFT - _RIGHT), 1)

    def y(weight: float) -> float:
        room = HEIGHT - _BOTTOM - _TOP - 12
        return round(HEIGHT - _BOTTOM - 12 - weight / maximum * room, 1)

    has_range = made.low_usd_per_cwt is not None and made.high_usd_per_cwt is not None
    return EvidencePicture(
        tuple(
            Mark(x(each.usd_per_cwt), y(each.weight), each.kind, _is_used(each), _words(each))
            for each in made.evidence
        ),
        tuple(Tick(x(at), number_words(at)) for at in _ticks(low, high, step)),
        (Tick(y(0.0), "0 %"), Tick(y(maximum), f"{number_words(maximum * 100, max_decimals=0)} %")),
        None if made.usd_per_cwt is None else x(made.usd_per_cwt),
        (x(made.low_usd_per_cwt), x(made.high_usd_per_cwt)) if has_range else None,
        _alternative(made, prices),
    )


def _is_used(each: Evidence) -> bool:
    return each.use is Use.USED and each.weight > 0


def _step(span: float) -> float:
    return next((step for step in _STEPS if span / step < _MAX_TICKS), _STEPS[-1])


def _ticks(low: float, high: float, step: float) -> Sequence[float]:
    return [low + step * number for number in range(round((high - low) / step) + 1)]


def _words(each: Evidence) -> str:
    price = number_words(each.usd_per_cwt, min_decimals=2)
    bears = f"{number_words(each.weight * 100, max_decimals=1)} %"
    return f"{each.kind.value} at {price}, bears {bears}: {USES[each.use]}"


def _alternative(made: Assessed, prices: Sequence[float]) -> str:
    used = sum(map(_is_used, made.evidence))
    low, high = (number_words(end, min_decimals=2) for end in (min(prices), max(prices)))
    at = (
        "there is no quotation"
        if made.usd_per_cwt is None
        else f"the quotation falls at {number_words(made.usd_per_cwt, min_decimals=2)}"
    )
    return (
        f"{count_of(len(made.evidence), 'entry', 'entries')} between {low} and {high} USD/cwt, "
        f"{used} of them with weight; {at}."
    )
