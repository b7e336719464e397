"""Which lots a rule covers: `fresh_or_frozen=frozen; origin!=domestic; lean>=85`.

Conditions joined by `;` must all hold. Several values joined by `|` mean any of them.
An empty text means every lot.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from functools import lru_cache

from blend.domain.lots import Lot
from blend.errors import did_you_mean

WORD_ATTRIBUTES: dict[str, Callable[[Lot], frozenset[str]]] = {
    "lot": lambda lot: frozenset((lot.lot_id,)),
    "item": lambda lot: frozenset((lot.item,)),
    "species": lambda lot: frozenset((lot.species,)),
    "fresh_or_frozen": lambda lot: frozenset((lot.fresh_or_frozen,)),
    "origin": lambda lot: frozenset((lot.origin,)),
    "meat_class": lambda lot: frozenset((lot.meat_class,)),
    "supplier": lambda lot: frozenset((lot.supplier,)),
    "on_hand_or_offered": lambda lot: frozenset((lot.on_hand_or_offered,)),
    "container": lambda lot: frozenset((lot.container,)),
    "program": lambda lot: lot.label_claims,
}
"""Attributes compared as words: how to read the words off a lot."""

NUMBER_ATTRIBUTES: dict[str, Callable[[Lot], float]] = {
    "lean": lambda lot: lot.lean,
}
"""Attributes compared as numbers."""

_COMPARE = {
    ">=": operator.ge,
    "<=": operator.le,
    ">": operator.gt,
    "<": operator.lt,
    "=": operator.eq,
    "!=": operator.ne,
}
_CONDITION = re.compile(r"\s*([a-z_]+)\s*(>=|<=|!=|=|>|<)\s*(.+?)\s*", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Condition:
    """One comparison of one attribute of a lot."""

    attribute: str
    compare: str
    values: tuple[str, ...]

    def holds(self, lot: Lot) -> bool:
        if self.attribute in NUMBER_ATTRIBUTES:
            number = NUMBER_ATTRIBUTES[self.attribute](lot)
            return _COMPARE[self.compare](number, lean_of(self.values[0]))
        words = {word.casefold() for word in WORD_ATTRIBUTES[self.attribute](lot)}
        among = not words.isdisjoint(value.casefold() for value in self.values)
        return among if self.compare == "=" else not among


@dataclass(frozen=True, slots=True)
class Selector:
    """A set of lots: all of its conditions must hold."""

    conditions: tuple[Condition, ...] = ()

    def holds(self, lot: Lot) -> bool:
        return all(condition.holds(lot) for condition in self.conditions)

    def __str__(self) -> str:
        return "; ".join(
            f"{condition.attribute}{condition.compare}{'|'.join(condition.values)}"
            for condition in self.conditions
        )


EVERY_LOT = Selector()


@lru_cache(maxsize=1024)
def lean_of(text: str) -> float:
    """Lean as people write it, 85, 85% or 0.85, as a fraction; raise ValueError."""
    try:
        number = Decimal(text.removesuffix("%").strip())
    except InvalidOperation:
        number = Decimal("nan")
    if not number.is_finite():
        raise ValueError(f'"{text}" is not a lean point; enter 85 or 0.85')
    if number == 1 and not text.endswith("%"):
        raise ValueError(f'"{text}" could be 1% or 100%; enter 1% or 100%')
    share = number / 100 if text.endswith("%") or number > 1 else number
    if not 0 <= share <= 1:
        raise ValueError(f'"{text}" is not a lean point; enter 85 or 0.85')
    return float(share)


def parse_selector(text: str) -> Selector:
    """Read a selector from its text; raise ValueError with what to write."""
    conditions = []
    for part in filter(str.strip, text.split(";")):
        match = _CONDITION.fullmatch(part)
        if match is None:
            example = "write attribute=value, such as fresh_or_frozen=frozen"
            raise ValueError(f"cannot read {part.strip()!r}; {example}")
        conditions.append(_condition(*match.groups()))
    return Selector(tuple(conditions))


def _condition(attribute: str, compare: str, values_text: str) -> Condition:
    values = tuple(value.strip() for value in values_text.split("|"))
    if not all(values):
        raise ValueError(f"an empty value in {attribute}{compare}{values_text}")
    if attribute in NUMBER_ATTRIBUTES:
        if len(values) > 1:
            raise ValueError(f"{attribute} takes one number")
        lean_of(values[0])
    elif attribute in WORD_ATTRIBUTES:
        if compare not in ("=", "!="):
            raise ValueError(f"{attribute} is compared with = or !=, not {compare}")
    else:
        known = [*WORD_ATTRIBUTES, *NUMBER_ATTRIBUTES]
        hint = did_you_mean(attribute, known)
        hint = f"; {hint[0].lower()}{hint[1:]}" if hint else ""
        raise ValueError(f"unknown attribute {attribute!r}; known: {', '.join(known)}{hint}")
    return Condition(attribute, compare, values)
