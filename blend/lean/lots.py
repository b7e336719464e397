"""The question `lean`: what lots really test, and whose statements are too lean."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import nan

from blend.domain.case import Case
from blend.domain.evidence import LeanMethod, LeanTest
from blend.domain.uncertainty import ASSUMES_INDEPENDENT
from blend.lean.estimate import CONTRADICTS_FROM, LeanEstimates, LotEstimate, estimate_lots
from blend.lean.value import LeanValue, lean_value
from blend.output import charts, screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, counted, day, register
from blend.output.frames import DataFrame
from blend.units import POINTS_PER_SHARE

_P = POINTS_PER_SHARE
_MAX_LOTS = 6
_LABEL = (
    "An estimate clears no label: a fat or lean claim needs the tests that the regulation and the"
    " inspector ask for."
)

register(
    {
        "tests": Format("Tests", "", 0),
        "lots": Format("Lots", "", 0),
        "overstated_points": Format("Over- stated", "points", 2, is_signed=True),
        "taken_lb": Format("Taken", "lb", 0, is_summed=True),
        "lost_usd": Format("Cost you", "$", 0, is_summed=True),
        "off_by_std_errors": Format("Off by", "std. errors", 1, is_signed=True),
        "own_tests_weight_percent": Format("Weight of own tests", "%", 0),
    }
)


def lean(
    case: Case,
    tests: Sequence[LeanTest],
    methods: Mapping[str, LeanMethod],
    usd_per_lean_lb: float | None = None,
) -> LeanAnswer:
    """Estimate every lot's lean and score every supplier; `tests` are at least one.

    Money uses `usd_per_lean_lb`, or the slope of today's prices where it is None.
    """
    estimates = estimate_lots(case, tests, methods)
    return LeanAnswer(case, tuple(tests), methods, estimates, lean_value(case, usd_per_lean_lb))


@dataclass(frozen=True)
class LeanAnswer(Answer):
    """Estimates and scores. Every interval is 95% and assumes independent errors."""

    case: Case
    tests: tuple[LeanTest, ...]
    methods: Mapping[str, LeanMethod]
    estimates: LeanEstimates
    value: LeanValue

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        """`lots`: stated, tested and estimated lean. `suppliers`: by how much each overstates.
        `methods`: the errors of the test methods, with their sources."""

        return {
            "lots": DataFrame([self._lot(each) for each in self.estimates.lots]),
            "suppliers": DataFrame(
                {
                    "supplier": each.supplier,
                    "lots": each.lots,
                    "tests": each.tests,
                    "overstated_points": each.bias_share * _P,
                    "low_points": each.min_bias_share * _P,
                    "high_points": each.max_bias_share * _P,
                    "lot_spread_points": _or_nan(each.lot_spread_share),
                    "taken_lb": each.taken_lb,
                    "lost_usd": each.lost_usd(self.value.usd_per_lean_lb or nan),
                }
                for each in self.estimates.suppliers
            ),
            "methods": DataFrame(
                {
                    "test_method": method.title,
                    "tests": sum(test.method == name for test in self.tests),
                    "test_error_points": method.method_sd_share * _P,
                    "sample_error_points": method.sampling_sd_share * _P,
                    "test_error_source": f"{method.verified}: {method.source}",
                    "sample_error_source": f"{method.sampling_verified}: {method.sampling_source}",
                }
                for name, method in sorted(self.methods.items())
                if any(test.method == name for test in self.tests)
            ),
        }

    def _lot(self, each: LotEstimate) -> dict[str, object]:
        return {
            "lot_id": each.lot_id,
            "item": self.case.lot(each.lot_id).item,
            "supplier": each.supplier,
            "stated_percent": each.stated_lean * _P,
            "tested_percent": _or_nan(each.tested_lean),
            "tests": each.tests,
            "estimate_percent": each.lean * _P,
            "std_error_points": each.standard_error_share * _P,
            "low_percent": each.min_lean * _P,
            "high_percent": each.max_lean * _P,
            "own_tests_weight_percent": each.own_weight * _P,
            "off_by_std_errors": nan if each.contradiction is None else each.contradiction,
        }

    @property
    def figures(self) -> Mapping[str, object]:
        parts = self.estimates.components
        return {
            "usd_per_lean_lb": self.value.usd_per_lean_lb,
            "overstated_points": parts.mean_bias.share * _P,
            "overstated_std_error_points": parts.mean_bias.standard_error_share * _P,
            "between_suppliers_points": parts.between_suppliers.share * _P,
            "between_lots_points": parts.between_lots.share * _P,
        }

    def screen(self, sections: Collection[str] = ()) -> str:
        title = f"Lean of {counted(len(self.estimates.lots), 'lot')}"
        title += f" from statements, {counted(len(self.tests), 'test')} and supplier history,"
        title += f" {day(self.case.settings.plan_on)}"
        closing = [screen.watch([_LABEL]), "blend plan FOLDER --lean estimated plans with these."]
        return screen.blocks(
            [
                f"{screen.strong(screen.wrapped(title))}\n{screen.wrapped(self._spread)}",
                "\n".join(map(screen.wrapped, self.contradicted)),
                self._suppliers(),
                self._far_off(),
                "\n".join(closing),
            ],
            sections,
            {"lots": self._lots, "methods": self._methods},
        )

    @property
    def _spread(self) -> str:
        parts = self.estimates.components
        return (
            f"Statements run {parts.mean_bias.share * _P:.2f} points too lean on average (std."
            f" error {parts.mean_bias.standard_error_share * _P:.2f}). Suppliers differ by"
            f" {parts.between_suppliers.share * _P:.2f} points, lots of one supplier by"
            f" {parts.between_lots.share * _P:.2f}."
        )

    @property
    def contradicted(self) -> list[str]:
        """The lots whose own tests contradict what they are stated as, and what to do."""
        lines = []
        for each in self.estimates.contradicted:
            off = each.contradiction or 0.0
            do = "hold it, test again, then claim" if off > 0 else "test again: it is leaner"
            lines.append(
                f"{each.lot_id} {self.case.lot(each.lot_id).item}, {each.supplier}: stated"
                f" {each.stated_lean * _P:.1f}, tests {(each.tested_lean or 0) * _P:.1f},"
                f" {abs(off):.1f} std. errors off: {do}."
            )
        if not lines:
            return [f"No lot's tests are more than {CONTRADICTS_FROM:g} std. errors off."]
        return [*lines, f"(By chance alone, 1 lot in 370; {ASSUMES_INDEPENDENT}.)"]

    def _suppliers(self) -> str:
        columns = ["supplier", "lots", "tests", "overstated_points", "low_points", "high_points"]
        return screen.table(
            self.tables["suppliers"],
            [*columns, "taken_lb", "lost_usd"],
            title="By how much suppliers overstate",
            note=f"Low, high: 95%, {ASSUMES_INDEPENDENT}; on both sides of zero, the tests do not"
            f" settle it. Cost: what they overstate of the pounds taken, at {self.value.words}.",
        )

    def _far_off(self) -> str:
        lots = self.tables["lots"]
        off = (lots["stated_percent"] - lots["estimate_percent"]).abs()
        furthest = lots.loc[off.sort_values(ascending=False, kind="stable").index[:_MAX_LOTS]]
        columns = ["lot_id", "item", "supplier", "stated_percent", "tested_percent"]
        return screen.table(
            furthest,
            [*columns, "estimate_percent", "low_percent", "high_percent"],
            title="Lots furthest from their statement (--lots lists all)",
        )

    def _lots(self) -> str:
        lots = self.tables["lots"].drop(columns=["supplier", "off_by_std_errors"])
        return screen.table(
            lots,
            title="Every lot",
            note=f"Low, high: 95%, {ASSUMES_INDEPENDENT}. The weight its own tests do not have is"
            " its supplier's history.",
        )

    def _methods(self) -> str:
        frame = self.tables["methods"]
        numbers = ["test_method", "tests", "test_error_points", "sample_error_points"]
        errors = screen.table(frame, numbers, title="Errors of the test methods")
        sources = [
            screen.listed(
                frame, "test_method", f"{which}_error_source", title=f"Source, {which} error"
            )
            for which in ("test", "sample")
        ]
        return "\n".join([errors, *sources])

    def chart(self) -> Spec:
        """Every lot's estimate less its statement, with its interval, by supplier."""
        bias = {each.supplier.casefold(): each for each in self.estimates.suppliers}
        order = [*bias, *{each.supplier.casefold() for each in self.estimates.lots} - bias.keys()]
        rows = []
        for each in sorted(
            self.estimates.lots,
            key=lambda lot: (order.index(lot.supplier.casefold()), lot.stated_lean, lot.lot_id),
        ):
            score = bias.get(each.supplier.casefold())
            stated, tested = each.stated_lean, each.tested_lean
            what = "tested" if each.tests else "not tested"
            rows.append(
                {
                    "lot": f"{each.supplier or 'no supplier'}  {each.lot_id}  {stated * _P:.1f}",
                    "off": (each.lean - stated) * _P,
                    "low": (each.min_lean - stated) * _P,
                    "high": (each.max_lean - stated) * _P,
                    "tested": None if tested is None else (tested - stated) * _P,
                    "from": None if score is None else -score.max_bias_share * _P,
                    "to": None if score is None else -score.min_bias_share * _P,
                    "lot is": "contradicted by its tests" if each.is_contradicted else what,
                }
            )
        title = f"estimated less stated, lean points; bars 95%, {ASSUMES_INDEPENDENT}"
        x, y = charts.amount("off", title), charts.name("lot", axis={"labelLimit": 300})
        colors = {
            "domain": ["not tested", "tested", "contradicted by its tests"],
            "range": [charts.GRAY, charts.BLUE, charts.ORANGE],
        }
        color = charts.name("lot is", scale=colors)
        band = {"type": "bar", "color": charts.GRAY, "opacity": 0.2}
        ring = {"type": "point", "color": charts.GRAY, "size": 50}
        zero = {"type": "rule", "color": charts.GRAY}
        return charts.chart(
            "Lean as estimated, against lean as stated",
            rows,
            [
                charts.layer(band, x=x | {"field": "from"}, x2={"field": "to"}, y=y),
                charts.layer(zero, x={"datum": 0, "type": "quantitative", "title": title}),
                charts.layer(
                    "rule", x=x | {"field": "low"}, x2={"field": "high"}, y=y, color=color
                ),
                charts.layer(ring, x=x | {"field": "tested"}, y=y),
                charts.layer({"type": "point", "filled": True}, x=x, y=y, color=color),
            ],
            subtitle="Shaded: the supplier's own error, 95%. Ring: the lot's own tests.",
            height_px=17 * len(rows) + 20,
        )


def _or_nan(share: float | None) -> float:
    return nan if share is None else share * _P
