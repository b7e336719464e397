"""Optima kept while a curve is traced, so that the curve can be proved outside the solver."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from blend.domain.certificates import Certificate, CurveCertificate
from blend.domain.prices import DualPrices
from blend.model.arrays import Model
from blend.model.certificates import certificate
from blend.model.solver import Answer
from blend.trader.envelope import Line


@dataclass
class Kept:
    """Every optimum that a curve was traced from: where, its tangent, and the solver's answer."""

    model: Model
    found: list[tuple[float, Line, Answer]] = field(default_factory=list)
    fewest: DualPrices | None = None

    def keep(self, place: float, line: Line, answer: Answer) -> Line:
        self.found.append((place, line, answer))
        return line

    def certificate(self, lines: Sequence[Line], ends: Sequence[float]) -> CurveCertificate:
        """One optimum for each line, and for each end that which lies nearest to it."""
        of_line = {id(line): answer for _, line, answer in self.found}
        steps = tuple(self._certificate(of_line[id(line)]) for line in lines)
        at_ends = [
            self._certificate(min(self.found, key=lambda each: abs(each[0] - end))[2])
            if math.isfinite(end)
            else steps[-1]
            for end in ends
        ]
        return CurveCertificate(steps, tuple(at_ends), self.fewest)

    def _certificate(self, answer: Answer) -> Certificate:
        return certificate(self.model, answer)
