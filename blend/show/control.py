"""Fat control as tables."""

from __future__ import annotations

from collections.abc import Iterable

from blend.domain.case import Case
from blend.lean.control import (
    EWMA_WEIGHT,
    EWMA_WIDTH,
    Limits,
    LimitsFrom,
    ProductControl,
)
from blend.show.amounts import number_words
from blend.show.shown import Format, ShownColumn, ShownTable, shown_table
from blend.units import POINTS_PER_SHARE

_POINTS = POINTS_PER_SHARE
_LIMITS_FROM = {LimitsFrom.BETWEEN: "batch to batch", LimitsFrom.WITHIN: "within batches"}


def product_words(case: Case, product_id: str) -> str:
    """The product's name, or its id where it is not on today's sheet."""
    names = {product.product_id: product.name for product in case.products}
    return names.get(product_id, product_id)


def control_tables(
    case: Case,
    controls: Iterable[ProductControl],
    usd_per_lean_lb: float | None,
    value_words: str,
) -> tuple[ShownTable, ...]:
    """Products with lean given away, their limits, and the batches that stand out."""
    controls = tuple(controls)
    return (
        given_away_table(case, controls, usd_per_lean_lb, value_words),
        limits_table(case, controls),
        signals_table(case, controls),
    )


def given_away_table(
    case: Case,
    controls: tuple[ProductControl, ...],
    usd_per_lean_lb: float | None,
    value_words: str,
) -> ShownTable:
    columns = (
        ShownColumn("Product"),
        ShownColumn("Batches", "", Format.WHOLE),
        ShownColumn("Made", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Off target", "points", Format.HUNDREDTHS),
        ShownColumn("Lean given away", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Lean short", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Net", "lb", Format.WHOLE, is_summed=True),
        ShownColumn("Net", "USD", Format.WHOLE, is_summed=True),
    )
    rows = [
        (
            product_words(case, each.product_id),
            len(each.batches),
            each.given_away.pounds_lb,
            each.mean_off_target_share * _POINTS,
            each.given_away.leaner_lb,
            each.given_away.fatter_lb,
            each.given_away.net_lb,
            None if usd_per_lean_lb is None else each.given_away.net_lb * usd_per_lean_lb,
        )
        for each in controls
    ]
    return shown_table(
        "Tested against target",
        columns,
        rows,
        "Off target: mean of tested lean less target. Given away: lean beyond the target in"
        " batches that tested leaner; short: lean lacking in those that tested fatter. Chance puts"
        " batches on both sides, so the net is what a better aim would save. A pound of lean is"
        f" worth {value_words}.",
    )


def limits_table(case: Case, controls: tuple[ProductControl, ...]) -> ShownTable:
    columns = (
        ShownColumn("Product"),
        ShownColumn("Limits from"),
        ShownColumn("Set by", "batches", Format.WHOLE),
        ShownColumn("Center", "points", Format.HUNDREDTHS),
        ShownColumn("Limits", "points", Format.READING),
        ShownColumn("Drift limits", "points", Format.READING),
        ShownColumn("Spread limits", "points", Format.READING),
        ShownColumn("Standard deviation", "points", Format.HUNDREDTHS),
    )
    rows = []
    for each in controls:
        if each.chart is None or each.drift is None:
            continue
        rows.append(
            (
                product_words(case, each.product_id),
                _LIMITS_FROM[each.chart.limits_from],
                each.baseline,
                each.chart.level.limits.center * _POINTS,
                _reach(each.chart.level.limits),
                _reach(each.drift.limits),
                _reach(each.chart.spread.limits),
                each.chart.deviation * _POINTS,
            )
        )
    return shown_table(
        "Control limits of tested less target",
        columns,
        rows,
        "By the published factors (ASTM MNL 7): from batch to batch ± 2.66 mean moving ranges of"
        " batches, within batches ± A2 mean ranges of readings. Drift: the moving average that"
        f" gives the newest batch a weight of {number_words(EWMA_WEIGHT)}, held against"
        f" {number_words(EWMA_WIDTH)} of its standard deviations (NIST/SEMATECH e-Handbook,"
        " 6.3.2.4). Limits are of the process, not of the"
        " order: a batch within them can still be too fat for its label.",
    )


def _reach(limits: Limits) -> str:
    ends = (number_words(end * _POINTS, min_decimals=2) for end in (limits.lower, limits.upper))
    return " to ".join(ends)


def signals_table(case: Case, controls: tuple[ProductControl, ...]) -> ShownTable:
    columns = (
        ShownColumn("Product"),
        ShownColumn("Batch"),
        ShownColumn("Made on"),
        ShownColumn("Target", "%", Format.TENTHS),
        ShownColumn("Tested", "%", Format.HUNDREDTHS),
        ShownColumn("Moving average", "points off", Format.HUNDREDTHS),
        ShownColumn("Signal"),
    )
    rows = []
    for each in controls:
        for signalled in each.signalled:
            batch = each.batches[signalled.place]
            assert each.drift is not None
            rows.append(
                (
                    product_words(case, each.product_id),
                    batch.batch_id,
                    batch.made_on,
                    batch.target_lean * _POINTS,
                    batch.tested_lean * _POINTS,
                    each.drift.values[signalled.place] * _POINTS,
                    ", ".join(signalled.signals),
                )
            )
    note = (
        "Look for a cause at the first signal of a product; those that follow often share it."
        if rows
        else "None: every product runs as its first batches did."
    )
    return shown_table("Batches that stand out", columns, rows, note)
