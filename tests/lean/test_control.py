"""Control charts against published factors and worked examples."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.domain.evidence import BatchTest
from blend.lean.control import (
    FACTORS,
    INDIVIDUALS,
    LimitsFrom,
    Signal,
    chart_batches,
    chart_individuals,
    chart_means,
    control_products,
    ewma,
    ewma_limits,
    runs,
)

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: twenty values, weight 0.3, start 50
# (data and printed averages read in a public check of the handbook's example).
HANDBOOK = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
HANDBOOK += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
AVERAGES = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
AVERAGES += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]


def test_moving_averages_of_the_handbook():
    assert [round(each, 2) for each in ewma(HANDBOOK, 50, 0.3)] == AVERAGES


def test_drift_limits_of_the_handbook():
    """s = 2.0539: 52.5884 and 47.4115, printed with a factor rounded to 0.4201; no signal."""
    limits = ewma_limits(50, 2.0539, 0.3)
    assert (limits.upper, limits.lower) == pytest.approx((52.5884, 47.4115), abs=5e-4)
    assert all(map(limits.holds, AVERAGES))


def test_individuals_of_the_handbook():
    """6.3.2.2, flow rate of ten batches: mean 50.81, mean moving range 1.8778, limits 55.8041
    and 45.8159 (from memory), there with 3 / 1.128 unrounded."""
    chart = chart_individuals(HANDBOOK[10:])
    assert chart.level.limits.center == pytest.approx(50.81)
    assert chart.spread.limits.center == pytest.approx(1.8778, abs=5e-5)
    ends = (chart.level.limits.upper, chart.level.limits.lower)
    assert ends == pytest.approx((55.8041, 45.8159), abs=1e-3)
    assert chart.spread.limits.upper == pytest.approx(3.267 * 1.8778, abs=1e-3)


@pytest.mark.parametrize("size", FACTORS)
def test_factors_agree_with_each_other(size):
    """A2 = 3 / (d2 sqrt(n)) and D3 + D4 = 2 where D3 is above zero, to the last digit printed."""
    factors = FACTORS[size]
    assert factors.a2 == pytest.approx(3 / (factors.d2 * size**0.5), abs=1e-3)
    assert factors.d3 == pytest.approx(max(0, 2 - factors.d4), abs=1e-3)


# Computed table in the vignette Shewhart Constants of Cano et al., Six Sigma with R: read.
COMPUTED = {
    2: (1.1284, 1.8800, 0.0000, 3.2665),
    3: (1.6926, 1.0233, 0.0000, 2.5746),
    4: (2.0588, 0.7286, 0.0000, 2.2821),
    5: (2.3259, 0.5768, 0.0000, 2.1145),
    6: (2.5344, 0.4832, 0.0000, 2.0038),
    7: (2.7044, 0.4193, 0.0757, 1.9243),
    8: (2.8472, 0.3725, 0.1362, 1.8638),
    9: (2.9700, 0.3367, 0.1840, 1.8160),
    10: (3.0775, 0.3083, 0.2230, 1.7770),
}


@pytest.mark.parametrize("size", COMPUTED)
def test_factors_as_published(size):
    factors = FACTORS[size]
    held = (factors.d2, factors.a2, factors.d3, factors.d4)
    assert held == pytest.approx(COMPUTED[size], abs=1e-3)


def test_factor_of_individuals():
    assert pytest.approx(3 / FACTORS[2].d2, abs=5e-3) == INDIVIDUALS


def test_the_range_factor_is_the_mean_range_of_normal_samples():
    generator = np.random.default_rng(5)
    ranges = np.ptp(generator.normal(size=(200_000, 5)), axis=1)
    assert ranges.mean() == pytest.approx(FACTORS[5].d2, abs=0.01)


# Charts of batches -------------------------------------------------------------------------------


def batches(offs, readings=1, within=0.0, product_id="GB80", pounds=1000.0) -> list[BatchTest]:
    """Batches off an 80% target by `offs`, readings spread evenly by `within` each way."""
    spread = np.linspace(-within, within, readings) if readings > 1 else [0.0]
    return [
        BatchTest(
            f"{product_id}-{number}",
            product_id,
            date(2026, 1, 1) + timedelta(days=number),
            0.80,
            tuple(0.80 + off + float(each) for each in spread),
            pounds,
        )
        for number, off in enumerate(offs)
    ]


STEADY = [0.002, -0.002, 0.001, -0.003, 0.003] * 4


def test_a_steady_product_gives_no_signal():
    (control,) = control_products(batches(STEADY))
    assert control.signalled == ()


def test_a_batch_far_off_is_beyond_the_limits():
    (control,) = control_products(batches([*STEADY, 0.03]))
    assert [each.place for each in control.signalled] == [20]
    assert Signal.BEYOND in control.signalled[0].signals


def test_a_slow_drift_is_signalled_before_any_batch_is_beyond_the_limits():
    drifting = [*STEADY, *(0.0004 * step + STEADY[step] for step in range(1, 20))]
    (control,) = control_products(batches(drifting))
    began = next(each.place for each in control.signalled if Signal.DRIFT in each.signals)
    assert began >= 20
    assert not any(
        Signal.BEYOND in each.signals and each.place < began for each in control.signalled
    )


@pytest.mark.parametrize("limits_from", LimitsFrom)
def test_a_drift_cannot_widen_limits_that_are_set(limits_from):
    def limits(offs):
        log = batches(offs, readings=3, within=0.001)
        chart = control_products(log, limits_from=limits_from)[0].chart
        return chart.level.limits, chart.spread.limits

    assert limits(STEADY) == limits([*STEADY, 0.02, 0.03, 0.05])


def test_a_run_needs_eight_on_one_side():
    assert runs([1] * 7, 0) == ()
    assert runs([1] * 8, 0) == (7,)
    assert runs([1] * 4 + [0] + [1] * 7, 0) == ()
    assert runs([-1] * 3 + [1] * 3 + [-1] * 9, 0) == (13, 14)


def test_limits_between_batches_allow_for_batches_that_differ():
    """Readings that agree within a batch say nothing of how far batches differ."""
    log = batches(STEADY, readings=3, within=0.0005)
    (between,) = control_products(log)
    (within,) = control_products(log, limits_from=LimitsFrom.WITHIN)
    assert between.signalled == ()
    assert Signal.BEYOND in within.signalled[0].signals
    assert between.chart.spread == within.chart.spread
    assert (between.chart.readings, within.chart.readings) == (3, 3)


def test_chart_of_batches_joins_both_charts():
    samples = [(0.1, 0.3), (0.2, 0.5), (0.4, 0.4)]
    joined = chart_batches(samples)
    assert joined.level == chart_individuals([0.2, 0.35, 0.4]).level
    assert joined.spread == chart_means(samples).spread


def test_uneven_readings_are_charted_as_single_values():
    log = batches(STEADY, readings=2, within=0.001)
    log[3] = replace(log[3], readings=(0.8,))
    (control,) = control_products(log, limits_from=LimitsFrom.WITHIN)
    assert control.chart.readings == 1


def test_one_batch_has_no_chart_but_is_counted():
    (control,) = control_products(batches([0.01]))
    assert control.chart is None and control.signalled == ()
    assert control.given_away.leaner_lb == pytest.approx(10.0)


def test_a_moved_target_is_no_signal():
    log = batches(STEADY + STEADY)
    moved = log[:20] + [
        replace(
            each,
            target_lean=0.82,
            readings=tuple(reading + 0.02 for reading in each.readings),
        )
        for each in log[20:]
    ]
    assert control_products(moved)[0].signalled == control_products(log)[0].signalled == ()


@given(st.lists(st.floats(-0.05, 0.05), min_size=1, max_size=30), st.floats(100, 5000))
def test_lean_given_away_balances(offs, pounds):
    (control,) = control_products(batches(offs, pounds=pounds))
    away = control.given_away
    assert away.leaner_lb >= 0 and away.fatter_lb >= 0
    assert away.net_lb == pytest.approx(sum(offs) * pounds, abs=1e-6)
    assert away.pounds_lb == pytest.approx(pounds * len(offs))
