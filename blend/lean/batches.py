"""The question `control`: tested batches against target over time, and lean given away."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from math import nan
from typing import Any

from blend.domain.case import Case
from blend.domain.evidence import BatchTest
from blend.errors import InputRefused, Problem, refusal
from blend.lean.control import (
    BASELINE,
    EWMA_WEIGHT,
    EWMA_WIDTH,
    RUN,
    LimitsFrom,
    ProductControl,
    Series,
    Signal,
    control_products,
)
from blend.lean.value import LeanValue, lean_value
from blend.output import charts, screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, counted, day, money, register
from blend.output.frames import DataFrame
from blend.units import POINTS_PER_SHARE

_P = POINTS_PER_SHARE
_MAX_SIGNALS = 10

register(
    {
        "batch_id": Format("Batch"),
        "set_by_batches": Format("Set by", "batches", 0),
        "made_lb": Format("Made", "lb", 0, is_summed=True),
        "off_target_points": Format("Off target", "points", 2, is_signed=True),
        "given_away_lb": Format("Lean given away", "lb", 0, is_summed=True),
        "lean_short_lb": Format("Lean short", "lb", 0, is_summed=True),
        "net_lb": Format("Net", "lb", 0, is_summed=True),
        "net_usd": Format("Net", "$", 0, is_summed=True),
        "moving_average_points": Format("Moving average", "points", 2, is_signed=True),
    }
)


def control(
    case: Case,
    batches: Iterable[BatchTest],
    *,
    baseline: int = BASELINE,
    limits_from: LimitsFrom = LimitsFrom.BETWEEN,
    usd_per_lean_lb: float | None = None,
) -> ControlAnswer:
    """Control charts of every product of the log, and the lean given away.

    The first `baseline` batches, at least two, set the limits.
    """
    controls = control_products(batches, baseline, limits_from)
    return ControlAnswer(case, controls, lean_value(case, usd_per_lean_lb))


@dataclass(frozen=True)
class ControlAnswer(Answer):
    """Products over time. Limits are of the process, not of the label."""

    case: Case
    controls: tuple[ProductControl, ...]
    value: LeanValue

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        """`products`: off target and lean given away. `limits`: of the control charts.
        `signals`: batches that stand out. `batches`: every batch against its target."""

        return {
            "products": DataFrame([self._product(each) for each in self.controls]),
            "limits": DataFrame([row for each in self.controls for row in self._limits(each)]),
            "signals": DataFrame(
                [row for each in self.controls for row in self._signals(each)],
                columns=[
                    "product", "batch_id", "made_on", "target_percent", "tested_percent",
                    "moving_average_points", "signal",
                ],
            ),
            "batches": DataFrame(
                {
                    "product": self.name(each),
                    "batch_id": batch.batch_id,
                    "made_on": batch.made_on,
                    "target_percent": batch.target_lean * _P,
                    "tested_percent": batch.tested_lean * _P,
                    "off_target_points": batch.off_target_share * _P,
                    "made_lb": batch.pounds_lb,
                }
                for each in self.controls
                for batch in each.batches
            ),
        }  # fmt: skip

    def name(self, of: ProductControl) -> str:
        """The product's name, or its id where it is not on today's sheet."""
        names = {product.product_id: product.name for product in self.case.products}
        return names.get(of.product_id, of.product_id)

    def _product(self, each: ProductControl) -> dict[str, object]:
        lean = each.given_away
        return {
            "product": self.name(each),
            "batches": len(each.batches),
            "made_lb": lean.pounds_lb,
            "off_target_points": each.mean_off_target_share * _P,
            "given_away_lb": lean.leaner_lb,
            "lean_short_lb": lean.fatter_lb,
            "net_lb": lean.net_lb,
            "net_usd": lean.net_lb * (self.value.usd_per_lean_lb or nan),
        }

    def _limits(self, each: ProductControl) -> list[dict[str, object]]:
        if each.chart is None or each.drift is None:
            return []
        series = {"level": each.chart.level, "drift": each.drift, "spread": each.chart.spread}
        return [
            {
                "product": self.name(each),
                "chart": name,
                "center_points": one.limits.center * _P,
                "low_points": one.limits.lower * _P,
                "high_points": one.limits.upper * _P,
                "set_by_batches": each.baseline,
            }
            for name, one in series.items()
        ]

    def _signals(self, each: ProductControl) -> list[tuple[object, ...]]:
        averages = () if each.drift is None else each.drift.values
        return [
            (
                self.name(each),
                batch.batch_id,
                batch.made_on,
                batch.target_lean * _P,
                batch.tested_lean * _P,
                averages[signalled.place] * _P,
                ", ".join(signalled.signals),
            )
            for signalled in each.signalled
            for batch in [each.batches[signalled.place]]
        ]

    @property
    def figures(self) -> Mapping[str, Any]:
        lean = [each.given_away for each in self.controls]
        net_lb = sum(each.net_lb for each in lean)
        usd = self.value.usd_per_lean_lb
        return {
            "batches": sum(len(each.batches) for each in self.controls),
            "given_away_lb": sum(each.leaner_lb for each in lean),
            "lean_short_lb": sum(each.fatter_lb for each in lean),
            "net_lb": net_lb,
            "net_usd": None if usd is None else net_lb * usd,
            "usd_per_lean_lb": usd,
        }

    def screen(self, sections: Collection[str] = ()) -> str:
        days = [batch.made_on for each in self.controls for batch in each.batches]
        lean, batches = self.figures, counted(self.figures["batches"], "batch", "batches")
        worth = "" if lean["net_usd"] is None else f", {money(lean['net_usd'])}"
        title = f"{batches} tested against target, {day(min(days))} to {day(max(days))}"
        title = screen.strong(screen.wrapped(title))
        said = (
            f"Lean given away {lean['given_away_lb']:,.0f} lb, short"
            f" {lean['lean_short_lb']:,.0f} lb: net {lean['net_lb']:,.0f} lb{worth} at"
            f" {self.value.words}. Chance puts batches on both sides; the net is what a better aim"
            " would save."
        )
        now = [
            f"{self.name(each)} stands out now: batch {batch.batch_id}, {day(batch.made_on)},"
            f" {batch.off_target_share * _P:+.2f} points: {', '.join(each.signalled[-1].signals)}."
            for each in self.controls
            for batch in each.batches[-1:]
            if each.signalled and each.signalled[-1].place == len(each.batches) - 1
        ]
        label = "Limits are of the process: a batch inside them can still be too fat for its label."
        return screen.blocks(
            [
                "\n".join([title, *map(screen.wrapped, [said, *now])]),
                screen.table(self.tables["products"]),
                self._stands_out(_MAX_SIGNALS),
                screen.watch([label]),
            ],
            sections,
            {"signals": self._stands_out, "limits": self._all_limits},
        )

    def _stands_out(self, count: int | None = None) -> str:
        signals = self.tables["signals"].sort_values(["made_on", "batch_id"], ascending=False)
        if signals.empty:
            return "Every product is running like its first batches."
        shown = signals if count is None else signals.head(count)
        return screen.table(
            shown.drop(columns=["target_percent"]),
            title="Batches that stand out, latest first",
            note="Look for a cause at the first signal of a product; later ones often share it."
            f" Run of {RUN}: batches in a row on one side of the center.",
        )

    def _all_limits(self) -> str:
        return screen.table(
            self.tables["limits"],
            title="Control limits of tested less target",
            note="Published factors (ASTM MNL 7): batch to batch, 2.66 mean moving ranges; within"
            f" batches, A2 mean ranges. Drift: a moving average with weight {EWMA_WEIGHT:g},"
            f" {EWMA_WIDTH:g} of its standard deviations (NIST/SEMATECH e-Handbook, 6.3.2.4).",
        )

    def chart(self) -> Spec:
        """One product: level, drift and spread with their limits.

        Raises InputRefused where there are several products, or one batch.
        """
        if len(self.controls) > 1:
            ids = " or ".join(each.product_id for each in self.controls)
            several = Problem(
                "--chart", None, None, "A chart shows one product", "", f"Enter --product {ids}."
            )
            raise InputRefused([several])
        (of,) = self.controls
        if of.chart is None or of.drift is None:
            raise refusal("--chart", None, "One batch makes no chart", "")
        readings = of.chart.readings
        kind = "moving range of two" if readings == 1 else f"range of {readings} tests"
        run = {each.place for each in of.signalled if Signal.RUN in each.signals}
        days = [batch.made_on for batch in of.batches]
        panels = [
            _panel(of.chart.level, "tested less target, points", of, 200, run),
            _panel(of.drift, "moving average", of, 120),
            _panel(of.chart.spread, kind, of, 120),
        ]
        span = f"{day(min(days))} to {day(max(days))}"
        subtitle = f"{span}. The first {of.baseline} batches set the limits (dashed)."
        title = f"Lean against target: {self.name(of)}"
        return charts.chart(title, [], {"vconcat": panels}, subtitle=subtitle)


def _panel(
    series: Series, title: str, of: ProductControl, height_px: int, run: Collection[int] = ()
) -> Spec:
    limits, first = series.limits, len(of.batches) - len(series.values)
    what = ["within limits", "run on one side", "beyond its limits"]
    rows = [
        {
            "batch": first + place + 1,
            "points": value * _P,
            "the batch is": what[2 if not limits.holds(value) else place in run],
        }
        for place, value in enumerate(series.values)
    ]
    lines = [{"at": limits.center * _P, "dash": "center"}]
    lines += [{"at": end * _P, "dash": "limit"} for end in (limits.lower, limits.upper)]
    x = charts.amount("batch", "batch", scale={"nice": False})
    y = charts.amount("points", title)
    at = y | {"field": "at"}
    dashes = {"domain": ["center", "limit"], "range": [[1, 0], [5, 3]]}
    dash = charts.name("dash", legend=None, scale=dashes)
    colors = {"domain": what, "range": [charts.GRAY, charts.BLUE, charts.ORANGE]}
    color = charts.name("the batch is", scale=colors)
    text = {"type": "text", "align": "left", "dx": 4}
    return {
        "width": charts.WIDTH_PX,
        "height": height_px,
        "data": {"values": rows},
        "layer": [
            charts.layer({"type": "line", "color": charts.GRAY, "strokeWidth": 1}, x=x, y=y),
            charts.layer({"type": "point", "filled": True, "size": 45}, x=x, y=y, color=color),
            charts.layer({"type": "rule", "color": charts.GRAY}, y=at, strokeDash=dash)
            | {"data": {"values": lines}},
            charts.layer(text, y=at, x={"value": charts.WIDTH_PX},
                         text={"field": "at", "format": ".2f"})
            | {"data": {"values": lines}},
            charts.layer({"type": "rule", "color": charts.GRAY, "strokeDash": [1, 3]},
                         x={"datum": of.baseline + 0.5, "type": "quantitative", "title": "batch"}),
        ],
    }  # fmt: skip
