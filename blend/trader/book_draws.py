"""Joint draws of prices, exchange and freight: what the book, held as it is, makes in each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from typing import Any

import numpy as np

from blend.errors import did_you_mean, refusal
from blend.output import screen
from blend.output.answer import Spec
from blend.output.formats import Format, counted, money, register
from blend.output.frames import DataFrame
from blend.trader.replanned import COLUMNS
from blend.trader.risk import Array, AtRisk, Joint, Moves, historical_risk

register(
    {
        "moves_with": Format("With"),
        "correlation_given": Format("Given", "", 2),
        "correlation_used": Format("Used", "", 2),
        "draw": Format("Draw", "", 0),
        "book_is": Format("The book"),
        "held_usd": Format("Held", "$", 0, is_signed=True),
        "plan_kept_usd": Format("Plan kept", "$", 0, is_signed=True),
        "replanned_usd": Format("Re-planned", "$", 0, is_signed=True),
        "mean_profit_usd": Format("Mean", "$", 0, is_signed=True),
        "value_at_risk_usd": Format("At risk", "$", 0),
        "value_at_risk_error_usd": Format("±", "$", 0),
        "expected_shortfall_usd": Format("Shortfall", "$", 0),
        "expected_shortfall_error_usd": Format("± ", "$", 0),
    }
)


@dataclass(frozen=True)
class Drawn:
    """The draws and what the book makes in them. Tables: `measures`, `draws`, `correlations`."""

    names: tuple[str, ...]
    values: Array
    """Prices and rates today."""
    moves: Moves
    weeks: int
    confidence: float
    held_usd: Array
    given: Mapping[frozenset[str], float] = field(default_factory=dict)
    """Correlations by hand, by pairs of names."""
    kept_usd: Array | None = None
    """With today's plan carried out at the drawn prices."""
    replanned_usd: Array | None = None
    """With the best plan at the drawn prices."""

    @property
    def tables(self) -> Mapping[str, DataFrame]:

        prices = DataFrame(self.values * self.moves.factors, columns=list(self.names))
        prices.insert(0, "draw", np.arange(1, len(prices) + 1))
        for name, usd in zip(("held_usd", *COLUMNS), self.ways.values(), strict=False):
            prices[name] = usd
        return {
            "measures": DataFrame([self._measure(way, usd) for way, usd in self.ways.items()]),
            "draws": prices,
            "correlations": DataFrame(
                correlation_rows(self.names, self.moves.correlation, self.given)
            ),
        }

    @property
    def ways(self) -> Mapping[str, Array]:
        """What the book makes in each draw, by what is done with it."""
        found = {"held as it is": self.held_usd}
        if self.kept_usd is not None and self.replanned_usd is not None:
            found |= {"today's plan kept": self.kept_usd, "re-planned": self.replanned_usd}
        return found

    def chart(self, subtitle: str) -> Spec:
        """How likely the book is to make less than any amount."""
        from blend.output.charts import amount, chart, layer, name

        percents = np.linspace(0.5, 99.5, 199)
        rows = [
            {"way": way, "usd": float(at), "percent": float(percent)}
            for way, usd in self.ways.items()
            for percent, at in zip(percents, np.percentile(usd, percents), strict=True)
        ]
        tail = 100 * (1 - self.confidence)
        limit = [{"percent": tail, "words": f"{tail:g}%"}]
        x = amount("usd", "Profit, change from today, $", axis={"format": "$,.0f"})
        y = amount("percent", "Draws that make less, %", scale={"domain": [0, 100]})
        legend = {"title": None, "orient": "top-left"}
        line = layer("line", "draws", x=x, y=y, color=name("way", legend=legend))
        tip = [name("way", "The book"), amount("usd", "Profit, $", format="+,.0f"),
               amount("percent", "Draws that make less, %", format=".1f")]  # fmt: skip
        hover = layer({"type": "point", "opacity": 0}, "draws", x=x, y=y, tooltip=tip)
        rule = layer({"type": "rule", "strokeDash": [6, 4]}, "tail", y=y)
        words = {"type": "text", "align": "right", "baseline": "bottom", "dy": -3, "x": "width"}
        note = layer(words, "tail", y=y, text={"field": "words"})
        drawn = f"{counted(len(self.held_usd), 'draw')} over {counted(self.weeks, 'week')}"
        return chart(
            "What the book may make",
            {"draws": rows, "tail": limit},
            [line, hover, rule, note],
            subtitle=f"{subtitle}; {drawn}",
        )

    @cached_property
    def at_risk(self) -> AtRisk:
        return historical_risk(self.held_usd.tolist(), self.confidence)

    def _measure(self, way: str, usd: Array) -> dict[str, Any]:
        found = historical_risk(usd.tolist(), self.confidence)
        return {
            "book_is": way,
            "mean_profit_usd": float(usd.mean()),
            "value_at_risk_usd": found.value_at_risk_usd,
            "value_at_risk_error_usd": found.standard_error_usd,
            "expected_shortfall_usd": found.expected_shortfall_usd,
            "expected_shortfall_error_usd": found.shortfall_error_usd,
        }

    def text(self) -> str:
        """The section of the screen."""
        how = {
            Joint.BOOTSTRAP: "whole past weeks",
            Joint.COVARIANCE: "lognormal moves, robust covariance of past weeks",
        }[self.moves.joint]
        drawn = counted(len(self.held_usd), "draw")
        return screen.table(
            self.tables["measures"],
            title=f"{drawn} over {counted(self.weeks, 'week')}: {how}",
            note=f"At {self.confidence:.0%}. ± is the error of drawing alone; what another history "
            f"would give is above.{self._reacting()}",
        )

    def _reacting(self) -> str:
        """What planning again is worth, with the error of drawing."""
        if self.kept_usd is None or self.replanned_usd is None:
            return ""

        def mean(usd: Array) -> str:
            error = float(usd.std(ddof=1)) / math.sqrt(len(usd))
            return f"{money(float(usd.mean()))} (±{money(error)})"

        return (
            f" Reacting, planning again instead of keeping today's plan, is worth "
            f"{mean(self.replanned_usd - self.kept_usd)} on average; over the book held as it is "
            f"{mean(self.replanned_usd - self.held_usd)}. All are changes from today. Bids and "
            "offers still good by then keep their price, others move with their quotation; loads "
            "may be split."
        )

    def warnings(self) -> list[str]:
        return repair_words(self.moves.repaired_by)

    def correlations_text(self) -> str:
        return correlations_text(self.tables["correlations"])


def correlation_rows(
    names: Sequence[str], used: Array, given: Mapping[frozenset[str], float]
) -> list[dict[str, Any]]:
    """A row for each pair: the correlation given by hand, if one was, and the one used."""
    return [
        {
            "at_risk_series": one,
            "moves_with": other,
            "correlation_given": given.get(frozenset((one, other))),
            "correlation_used": float(value),
        }
        for (one, other), value in zip(
            combinations(names, 2), used[np.triu_indices(len(names), 1)], strict=True
        )
    ]


def correlations_text(frame: DataFrame) -> str:
    columns = list(frame.columns)
    if len(frame) and frame["correlation_given"].isna().all():
        columns.remove("correlation_given")
    return screen.table(frame, columns, title="Correlations of moves behind the draws")


def repair_words(repaired_by: float) -> list[str]:
    if not repaired_by:
        return []
    return [
        "The correlations given fit no joint distribution: the nearest positive definite matrix "
        f"is used, with entries up to {repaired_by:.3f} away (--correlations-used)."
    ]


def with_given(
    fitted: Array,
    names: Sequence[str],
    given: Mapping[frozenset[str], float],
    required: str = "an item, currency or lane that the book is exposed to",
) -> Array:
    """The fitted correlations with those given in their place, by pairs of names."""
    found = fitted.copy()
    for pair, value in given.items():
        for name in pair:
            if name not in names:
                hint = did_you_mean(name, names) or f"They are {', '.join(names)}."
                raise refusal("correlations", "one, other", name, required, hint)
        first, second = (names.index(name) for name in pair)
        found[first, second] = found[second, first] = value
    return found
