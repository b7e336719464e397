"""Estimates of lots and scores of suppliers as tables."""

from __future__ import annotations

from collections.abc import Mapping

from blend.domain.case import Case
from blend.domain.evidence import LeanMethod, LeanTest
from blend.domain.uncertainty import ASSUMES_INDEPENDENT
from blend.lean.estimate import (
    CONTRADICTS_FROM,
    LeanEstimates,
    LotEstimate,
    SupplierScore,
)
from blend.lean.value import PriceLine
from blend.show.amounts import count_of, number_words
from blend.show.shown import Format, ShownColumn, ShownTable, shown_table
from blend.units import POINTS_PER_SHARE

_POINTS = POINTS_PER_SHARE
_CAUTION = (
    "An estimate clears no label: a fat or lean statement rests on the tests that current"
    " regulation and the inspector ask for."
)


def lean_tables(
    case: Case,
    estimates: LeanEstimates,
    usd_per_lean_lb: float | None,
    value_words: str,
) -> tuple[ShownTable, ...]:
    """Estimates, supplier scores, and the lots whose tests contradict their statement."""
    return (
        estimates_table(case, estimates),
        suppliers_table(estimates, usd_per_lean_lb, value_words),
        contradicted_table(case, estimates),
    )


def estimates_table(case: Case, estimates: LeanEstimates) -> ShownTable:
    columns = (
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Supplier"),
        ShownColumn("Stated", "%", Format.TENTHS),
        ShownColumn("Tested", "%", Format.HUNDREDTHS),
        ShownColumn("Tests", "", Format.WHOLE),
        ShownColumn("Estimate", "%", Format.HUNDREDTHS),
        ShownColumn("Standard error", "points", Format.HUNDREDTHS),
        ShownColumn("95 in 100", "%", Format.READING),
        ShownColumn("Own tests count", "%", Format.WHOLE),
    )
    rows = [
        (
            each.lot_id,
            case.lot(each.lot_id).item,
            each.supplier,
            each.stated_lean * _POINTS,
            None if each.tested_lean is None else each.tested_lean * _POINTS,
            each.tests or None,
            each.lean * _POINTS,
            each.standard_error_share * _POINTS,
            f"{each.min_lean * _POINTS:.1f} to {each.max_lean * _POINTS:.1f}",
            each.own_weight * 100 if each.tests else None,
        )
        for each in estimates.lots
    ]
    return shown_table(
        "Lean of lots, from statements, tests and history",
        columns,
        rows,
        f"95 in 100: {ASSUMES_INDEPENDENT}. What own tests do not count is history."
        f" {_spreads(estimates)} {_CAUTION}",
    )


def _spreads(estimates: LeanEstimates) -> str:
    parts = estimates.components

    def points(share: float) -> str:
        return number_words(share * _POINTS, min_decimals=2)

    return (
        f"On the whole statements are {points(parts.mean_bias.share)} points too lean, give or"
        f" take {points(parts.mean_bias.standard_error_share)}; suppliers spread by"
        f" {points(parts.between_suppliers.share)}"
        f" (± {points(parts.between_suppliers.standard_error_share)}) points around that, lots"
        f" of one supplier by {points(parts.between_lots.share)}"
        f" (± {points(parts.between_lots.standard_error_share)})."
    )


def suppliers_table(
    estimates: LeanEstimates, usd_per_lean_lb: float | None, value_words: str
) -> ShownTable:
    """Suppliers, the most overstating first; money where a pound of lean has a value."""
    columns = (
        ShownColumn("Supplier"),
        ShownColumn("Lots", "", Format.WHOLE),
        ShownColumn("Tests", "", Format.WHOLE),
        ShownColumn("Overstates by", "points", Format.HUNDREDTHS),
        ShownColumn("Least", "points", Format.HUNDREDTHS),
        ShownColumn("Most", "points", Format.HUNDREDTHS),
        ShownColumn("Lots spread by", "points", Format.HUNDREDTHS),
        ShownColumn("Taken", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Lost to it", "USD", Format.WHOLE, is_summed=True),
    )
    rows = [
        (
            each.supplier,
            each.lots,
            each.tests,
            each.bias_share * _POINTS,
            each.min_bias_share * _POINTS,
            each.max_bias_share * _POINTS,
            None if each.lot_spread_share is None else each.lot_spread_share * _POINTS,
            each.taken_lb,
            _lost(each, usd_per_lean_lb),
        )
        for each in estimates.suppliers
    ]
    return shown_table(
        "Suppliers",
        columns,
        rows,
        f"Least and most: 95 in 100, {ASSUMES_INDEPENDENT}."
        " Below zero a supplier gives more lean than it states. Where least and most lie on"
        " both sides of zero, its tests do not tell which. A supplier with few tests is drawn"
        " towards the others. Lost: pounds taken of tested lots, times what is overstated, times"
        f" the value of a pound of lean, {value_words}.",
    )


def _lost(score: SupplierScore, usd_per_lean_lb: float | None) -> float | None:
    return None if usd_per_lean_lb is None else score.lost_usd(usd_per_lean_lb)


def value_words(usd_per_lean_lb: float | None, line: PriceLine | None) -> str:
    """How a pound of lean came by its value."""
    if usd_per_lean_lb is None:
        return "which today's prices leave open: name it with --lean-value"
    value = f"{number_words(usd_per_lean_lb, min_decimals=2)} USD"
    if line is None:
        return f"{value} as named"
    lots = count_of(line.lots, f"{line.species} lot")
    return f"{value}: the slope of delivered prices over stated lean, {lots}"


def contradicted_table(case: Case, estimates: LeanEstimates) -> ShownTable:
    columns = (
        ShownColumn("Lot"),
        ShownColumn("Item"),
        ShownColumn("Supplier"),
        ShownColumn("Stated", "%", Format.TENTHS),
        ShownColumn("Tested", "%", Format.HUNDREDTHS),
        ShownColumn("Off by", "deviations", Format.TENTHS),
        ShownColumn("What to do"),
    )
    rows = [
        (
            each.lot_id,
            case.lot(each.lot_id).item,
            each.supplier,
            each.stated_lean * _POINTS,
            _points_of(each),
            each.contradiction,
            "hold it and test again; claim if it stays"
            if (each.contradiction or 0) > 0
            else "test again: it is leaner than stated",
        )
        for each in estimates.contradicted
    ]
    return shown_table(
        "Lots whose tests contradict their statement",
        columns,
        rows,
        f"{'None: no' if not rows else 'A'} lot's tests lie more than"
        f" {number_words(CONTRADICTS_FROM)} standard deviations from what its statement, its"
        " supplier's bias and all errors let expect. Its own tests have no part in that"
        " expectation; by chance one lot in 370 is named"
        f" ({ASSUMES_INDEPENDENT}).",
    )


def _points_of(estimate: LotEstimate) -> float | None:
    share = estimate.tested_lean
    return None if share is None else share * _POINTS


def methods_table(tests: tuple[LeanTest, ...], methods: Mapping[str, LeanMethod]) -> ShownTable:
    """The errors that the estimates rest on, of the methods that tests name."""
    columns = (
        ShownColumn("Method"),
        ShownColumn("Error of a test", "points", Format.HUNDREDTHS),
        ShownColumn("Error of a sample", "points", Format.HUNDREDTHS),
        ShownColumn("Tests", "", Format.WHOLE),
        ShownColumn("Source of the first"),
        ShownColumn("Source of the second"),
    )
    rows = [
        (
            method.title,
            method.method_sd_share * _POINTS,
            method.sampling_sd_share * _POINTS,
            sum(test.method == name for test in tests),
            f"{method.verified}: {method.source}",
            f"{method.sampling_verified}: {method.sampling_source}",
        )
        for name, method in sorted(methods.items())
        if any(test.method == name for test in tests)
    ]
    return shown_table("How surely it was tested", columns, rows)
