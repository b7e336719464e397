"""Concave gains next to linear costs, as piecewise linear steps refined around the optimum.

The area under a straight demand line is a parabola. It is divided into steps around the last
volume, finer and finer, until a step determines the price to `_PRICE_USD_PER_LB`. By
measurement (8 items and 4 products up to 100 and 20) the solver's own quadratic program will
not do: its regularisation is as large as the curvature of a demand of a million pounds, so it
stops short of the optimum by 0.02 to 0.2%, and on the largest it takes ten times as long.
Tangents instead of steps come to be so nearly parallel that the solver gives up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from blend.errors import SolverTrouble
from blend.model.arrays import Model
from blend.model.solver import Answer, Outcome, WarmLinear

_PRICE_USD_PER_LB = 2e-6
"""How finely a step determines a price: to 0.0002 USD/cwt."""
_STEPS = 8
"""In one stretch."""
_NEAR_END = 1 / 16
"""A column that lies in the last part of its stretch runs against its end."""
_MAX_ROUNDS = 200


@dataclass(frozen=True)
class Parabolas:
    """Gains of some columns, USD: first × x - fall × x² / 2 each, fall above zero; x in lb."""

    columns: np.ndarray
    first: np.ndarray
    fall: np.ndarray


class WarmConcave:
    """A program whose cost is lessened by concave gains, kept warm between small changes.

    Each gain is divided into steps over an interval around the last value of its column: columns
    of equal width, each earning the gain's slope at its middle. The interval is narrowed while
    the column stays inside it, and widened where the column reaches an end.
    """

    def __init__(self, model: Model, gains: Parabolas) -> None:
        self.gains = gains
        self._count, self._rows = len(model.cost), len(model.requirements)
        self.linear = WarmLinear(_with_steps(model, gains.columns))
        peak = gains.first / gains.fall
        self._first = np.zeros(len(peak))
        """Where each stretch begins."""
        self._width = 2.0 * peak
        self._widest = self._width
        self._min_width = np.minimum(_STEPS * _PRICE_USD_PER_LB / gains.fall, self._widest)
        self._drawn_in = np.full(len(peak), 2.0 / _STEPS)

    def solve(self) -> Answer:
        """The optimum; the duals are those of the program's own rows and columns."""
        for _ in range(_MAX_ROUNDS):
            self._set_steps()
            answer = self._solved()
            if answer.outcome is Outcome.INFEASIBLE and self._first.any():
                self._widen()
                continue
            if answer.outcome is not Outcome.OPTIMAL:
                raise SolverTrouble(f"the market program is {answer.outcome}")
            if self._settle(answer.x[self.gains.columns]):
                return self._own(answer)
        raise SolverTrouble(f"the market's volumes did not settle in {_MAX_ROUNDS} rounds")

    def _solved(self) -> Answer:
        """Warm; or cold, where steps of nearly one gain leave the warm solver in doubt."""
        try:
            return self.linear.solve()
        except SolverTrouble:
            self.linear = WarmLinear(
                replace(
                    self.linear.model,
                    cost=self.linear.cost,
                    lower=self.linear.lower,
                    upper=self.linear.upper,
                    row_lower=self.linear.row_lower,
                    row_upper=self.linear.row_upper,
                )
            )
            return self.linear.solve()

    def _own(self, answer: Answer) -> Answer:
        return replace(
            answer,
            x=answer.x[: self._count],
            row_dual=answer.row_dual[: self._rows],
            column_dual=answer.column_dual[: self._count],
        )

    def _set_steps(self) -> None:
        width = self._width / _STEPS
        middle = self._first[:, None] + width[:, None] * (np.arange(_STEPS) + 0.5)
        slope = self.gains.first[:, None] - self.gains.fall[:, None] * middle
        steps = self._count + np.arange(slope.size)
        self.linear.set_cost(steps, -slope.ravel())
        self.linear.set_columns_bounds(steps, 0.0, np.repeat(width, _STEPS))
        for index, first in enumerate(self._first.tolist()):
            self.linear.set_row_bounds(self._rows + index, first, first)

    def _settle(self, x: np.ndarray) -> bool:
        """Whether every column is inside its interval, at its finest; if not, move the interval."""
        within = (x - self._first) / self._width
        at_end = ((within < _NEAR_END) & (self._first > 0)) | (within > 1 - _NEAR_END)
        if not at_end.any() and (self._width <= self._min_width).all():
            return True
        self._drawn_in = np.where(at_end, 0.5, self._drawn_in)
        narrower = np.maximum(self._width * self._drawn_in, self._min_width)
        self._width = np.where(at_end, np.minimum(2 * self._width, self._widest), narrower)
        self._first = np.maximum(0.0, x - self._width / 2)
        return False

    def _widen(self) -> None:
        """Widen every interval to both sides, as no solution is inside all of them."""
        wider = np.minimum(2 * self._width, self._widest)
        middle = self._first + self._width / 2
        self._first = np.where(wider >= self._widest, 0.0, np.maximum(0.0, middle - wider / 2))
        self._width = wider


def _with_steps(model: Model, columns: np.ndarray) -> Model:
    """The program with steps for some of its columns: their sum, from where the interval begins,
    is the column. Bounds and gains of the steps are set later."""
    count = len(columns)
    steps = len(model.cost) + np.arange(count * _STEPS)
    own_rows = len(model.row_lower) + np.arange(count)
    return model.extended(
        len(steps),
        [
            (own_rows, columns, np.ones(count)),
            (np.repeat(own_rows, _STEPS), steps, np.full(len(steps), -1.0)),
        ],
        upper=0.0,
        row_lower=np.zeros(count),
        row_upper=np.zeros(count),
    )
