"""A linear constraint that a user adds to a case, in pounds of lots and products."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Pounds(StrEnum):
    """What a term counts, by the name of its variables in the model."""

    USE = "use"
    """Pounds of a lot put into a product, as weighed: use[lot,product]."""
    TAKE = "take"
    """Pounds of a lot bought or pulled: take[lot]."""
    FINISHED = "finished"
    """Finished pounds of a product: finished[product]."""
    SHORT = "short"
    """Pounds short of a product's order: short[product]."""


@dataclass(frozen=True, slots=True)
class Term:
    """A coefficient times pounds."""

    coefficient: float
    pounds: Pounds
    lot_id: str = ""
    product_id: str = ""

    @property
    def variable(self) -> str:
        return f"{self.pounds}[{','.join(filter(None, (self.lot_id, self.product_id)))}]"


@dataclass(frozen=True, slots=True)
class LinearConstraint:
    """`minimum` <= sum of terms <= `maximum`; a limit that is None is not set."""

    name: str
    terms: tuple[Term, ...]
    minimum: float | None = None
    maximum: float | None = None

    def __post_init__(self) -> None:
        """Terms of the same pounds are added up."""
        coefficients: dict[tuple[Pounds, str, str], float] = {}
        for term in self.terms:
            key = term.pounds, term.lot_id, term.product_id
            coefficients[key] = coefficients.get(key, 0.0) + term.coefficient
        terms = tuple(Term(number, *key) for key, number in coefficients.items())
        object.__setattr__(self, "terms", terms)

    def __str__(self) -> str:
        """As in an LP file: 2 use[I90-1,GB80] - take[B50-1] <= 500."""
        text = ""
        for term in self.terms:
            size = abs(term.coefficient)
            sign = "-" if term.coefficient < 0 else "+" if text else ""
            number = "" if size == 1 else f"{size:.12g} "
            text += f" {sign} {number}{term.variable}" if text else f"{sign}{number}{term.variable}"
        if self.minimum == self.maximum and self.minimum is not None:
            return f"{text} = {self.minimum:.12g}"
        above = "" if self.maximum is None else f" <= {self.maximum:.12g}"
        if self.minimum is None:
            return f"{text}{above}"
        return (
            f"{self.minimum:.12g} <= {text}{above}" if above else f"{text} >= {self.minimum:.12g}"
        )
