"""The question `simulate`: how often the batches of a plan would test out of spec."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

from blend.domain.case import Case
from blend.domain.plan import BatchRun
from blend.domain.uncertainty import (
    ALLOWS_FOR_SUPPLIERS,
    ChanceConstraint,
    LeanUncertainty,
    Sides,
    errors_words,
)
from blend.grinder.draws import DRAWS, SimulatedRun, Simulation, draw_batches
from blend.output import charts, screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, register
from blend.output.frames import DataFrame
from blend.units import POINTS_PER_SHARE

_P = POINTS_PER_SHARE
_LIMITS = {Sides.BELOW: "min lean", Sides.ABOVE: "max lean"}
_OUT = {Sides.BELOW: "too fat", Sides.ABOVE: "too lean"}
_PLANS = ("with confidence", "on average")

register(
    {
        "limit_percent": Format("At", "%", 1),
        "mean_percent": Format("Mean lean", "%", 1),
        "allowed_percent": Format("You allow", "%", 1),
        "days_out_percent": Format("Days with one out", "%", 1),
        "out_on_average_percent": Format("Out, plan on average", "%", 1),
    }
)


def simulate(
    case: Case,
    runs: Iterable[BatchRun],
    average_runs: Iterable[BatchRun],
    uncertainty: Mapping[str, LeanUncertainty],
    chance_constraints: Iterable[ChanceConstraint],
    *,
    draws: int = DRAWS,
    seed: int = 1,
) -> SimulateAnswer:
    """Draw the batches of the plan with confidence, and of the one that holds spec on average."""
    asked = tuple(chance_constraints)
    confident, average = (
        draw_batches(case, each, uncertainty, asked, draws=draws, seed=seed)
        for each in (runs, average_runs)
    )
    return SimulateAnswer(case, confident, average, errors_words(uncertainty.values()))


@dataclass(frozen=True)
class SimulateAnswer(Answer):
    """Shares of drawn batches out of spec."""

    case: Case
    confident: Simulation
    average: Simulation
    errors: str
    """What the draws assume of errors."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        """`out`: by plan, recipe and limit, how often drawn batches test out of spec."""

        return {
            "out": DataFrame(
                {
                    "plan": plan,
                    "product": self.name(run),
                    "limit": _LIMITS[out.side],
                    "limit_percent": out.limit_share * _P,
                    "mean_percent": run.mean_share * _P,
                    "std_dev_points": run.sd_share * _P,
                    "out_percent": out.share * _P,
                    "low_percent": out.min_share * _P,
                    "high_percent": out.max_share * _P,
                    "allowed_percent": out.chance_share * _P,
                    "days_out_percent": out.day_share * _P,
                }
                for plan, drawn in zip(_PLANS, (self.confident, self.average), strict=True)
                for run in drawn.runs
                for out in run.out
            )
        }

    def name(self, run: SimulatedRun) -> str:
        name = self.case.product(run.product_id).name
        return f"{name}, recipe {run.run}" if run.run > 1 else name

    @property
    def figures(self) -> Mapping[str, Any]:
        return {"draws": self.confident.draws, "seed": self.confident.seed}

    def screen(self, sections: Collection[str] = ()) -> str:
        out, keys = self.tables["out"], ["product", "limit"]
        confident, average = (out[out["plan"] == plan] for plan in _PLANS)
        on_average = average[[*keys, "out_percent"]].rename(
            columns={"out_percent": "out_on_average_percent"}
        )
        compared = confident.merge(on_average, how="left", on=keys)
        title = f"Batches that would test out of spec, {self.confident.draws:,} simulated days"
        note = (
            f"Low, high: 95% (Wilson). The simulation {self.errors}{self._not_shown}. The error of"
            " a lot is in all batches of its day, so bad batches come together."
            f" Seed {self.confident.seed}."
        )
        columns = [
            "product", "limit", "limit_percent", "out_percent", "low_percent", "high_percent",
            "allowed_percent", "days_out_percent", "out_on_average_percent",
        ]  # fmt: skip
        return screen.blocks(
            [screen.table(compared, columns, title=title, note=note), screen.watch(CAUTIONS)],
            sections,
            {"plans": self._plans},
        )

    @property
    def _not_shown(self) -> str:
        is_shown = self.errors == ALLOWS_FOR_SUPPLIERS
        return "" if is_shown else ", so it does not show a bias that a supplier's lots share"

    def _plans(self) -> str:
        columns = ["plan", "product", "limit", "mean_percent", "std_dev_points", "out_percent"]
        return screen.table(self.tables["out"], columns, title="Both plans")

    def chart(self) -> Spec:
        """Tested fat of both plans' batches by product, against the limits."""
        rows = []
        for plan, drawn in zip(_PLANS, (self.confident, self.average), strict=True):
            for run in drawn.runs:
                out = ", ".join(f"{each.share:.1%} {_OUT[each.side]}" for each in run.out)
                limits = [(1 - each.limit_share) * _P for each in run.out]
                edges = list(pairwise(run.fat_edges))
                rows += [
                    {
                        "product": self.name(run),
                        "out": f"{self.name(run)}: {out}",
                        "fat": (low + high) / 2 * _P,
                        "density": count / sum(run.fat_counts) / (high - low),
                        "plan": plan,
                        "min": min(limits),
                        "max": max(limits),
                    }
                    for (low, high), count in zip(edges, run.fat_counts, strict=True)
                ]
        # Panels are headed by what the plan with confidence gives.
        heads = {each["product"]: each["out"] for each in rows if each["plan"] == _PLANS[0]}
        rows = [each | {"out": heads[each["product"]]} for each in rows if each["product"] in heads]
        title = "fat, %"
        x = charts.amount("fat", title, scale={"zero": False})
        y = charts.amount("density", axis=None)
        colors = {"domain": list(_PLANS), "range": [charts.BLUE, charts.GRAY]}
        limit = {"type": "rule", "color": charts.ORANGE}
        ends = [x | {"field": end, "aggregate": end} for end in ("min", "max")]
        panel = {
            "width": 230,
            "height": 130,
            "layer": [
                charts.layer({"type": "line", "interpolate": "step"}, x=x, y=y,
                             color=charts.name("plan", scale=colors)),
                *(charts.layer(limit, x=end) for end in ends),
            ],
        }  # fmt: skip
        return charts.chart(
            "Tested fat of planned batches, simulated",
            rows,
            {"facet": charts.name("out"), "columns": 3, "spec": panel},
            subtitle=f"{self.confident.draws:,} days; {self.errors}. Orange: the limits.",
            resolve={"scale": {"x": "independent"}},
        )


CAUTIONS = (
    "These odds are only as good as lean_spread.csv: keep it up with your own tests. Lots of one"
    " untested supplier may share a bias, and then more batches are out.",
    "Your own sampling, the regulation and the inspector decide.",
)
