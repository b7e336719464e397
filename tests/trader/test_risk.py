"""Risk figures against textbook cases and general-purpose libraries."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as statsmodels
from scipy.stats import linregress

from blend.trader.risk import (
    Joint,
    TooShort,
    covariance_risk,
    hedge,
    historical_risk,
    joint_moves,
    nearest_correlation,
    robust_covariance,
)


def test_covariance_risk_of_two_positions():
    """The classic case of two positions, 10m at 2% and 5m at 1% a day, correlation .3 (from
    memory, recomputed)."""
    cross = 0.3 * 0.02 * 0.01
    covariance = [[0.02**2, cross], [cross, 0.01**2]]
    day = covariance_risk([10e6, 5e6], covariance)
    assert (day.sd_usd, day.value_at_risk_usd) == pytest.approx((220_227, 512_325), rel=2e-6)
    assert day.components_usd == pytest.approx((454_226, 58_099), rel=2e-5)
    ten = covariance_risk([10e6, 5e6], covariance, periods=10)
    assert ten.value_at_risk_usd == pytest.approx(1_620_114, rel=2e-6)
    assert ten.alone_usd == pytest.approx((1_471_312, 367_828), rel=2e-6)
    assert ten.diversification_usd == pytest.approx(219_026, rel=2e-5)


PROFITS = [-42, -31, -27, -25, -19, -14, -11, -8, -5, -3, 0, 2, 4, 7, 9, 12, 16, 21, 28, 35]


def test_historical_risk_names_its_rule_and_refuses_a_tail_it_cannot_see():
    found = historical_risk(PROFITS, 0.95)
    assert found.value_at_risk_usd == 42
    assert found.expected_shortfall_usd == pytest.approx(42.0)
    assert found.standard_error_usd > 0 and "number 1" in found.method
    with pytest.raises(TooShort, match="100 periods"):
        historical_risk(PROFITS, 0.99)


@pytest.mark.parametrize(
    ("worst", "value", "shortfall"), [((18, 16, 14, 12), 14, 16), ((16, 14, 10, 7), 10, 40 / 3)]
)
def test_the_tenth_of_thirty_returns_begins_with_the_third_worst(worst, value, shortfall):
    """Two published quiz questions on 30 ordered returns at 90% (leetquiz.com, FRM part 1, Q. 58;
    m.pinggu.org thread 3487215, whose shortfall leaves out the value at risk itself)."""
    profits = [*(-each for each in worst), *range(-4, 22)]
    found = historical_risk(profits, 0.9)
    assert (found.value_at_risk_usd, found.observations) == (value, 30)
    assert found.expected_shortfall_usd == pytest.approx(shortfall)


def test_losses_that_repeat_fill_the_tail_and_no_more():
    """12% of 20 losses 200 times over: all of 42 and 31, and 0.4 of 27."""
    found = historical_risk(PROFITS * 200, 0.88)
    assert found.value_at_risk_usd == pytest.approx(27)
    assert found.expected_shortfall_usd == pytest.approx((42 + 31 + 0.4 * 27) / 2.4)


FUTURES = [.021, .035, -.046, .001, .044, -.029, -.026, -.029, .048, -.006, -.036, -.011, .019,
           -.027, .029]  # fmt: skip
SPOT = [.029, .020, -.044, .008, .026, -.019, -.010, -.007, .043, .011, -.036, -.018, .009, -.032,
        .023]  # fmt: skip


def test_hedge_ratio_of_a_textbook_case():
    """Jet fuel hedged with heating oil, 15 months, correlation .928 and deviations .0313 and .0263
    (a textbook's table, read at solutioninn.com, question 4764895, and financetrain.com,
    minimum-variance-hedge-ratio)."""
    assert np.corrcoef(SPOT, FUTURES)[0, 1] == pytest.approx(0.928, abs=5e-4)
    assert np.std(FUTURES, ddof=1) == pytest.approx(0.0313, abs=5e-5)
    assert np.std(SPOT, ddof=1) == pytest.approx(0.0263, abs=5e-5)
    found = hedge(SPOT, [FUTURES])
    assert found.ratio[0] == pytest.approx(0.777651, abs=1e-6)
    assert found.explained == pytest.approx(0.861875, abs=1e-6)
    assert found.ratio[0] * 2_000_000 / 42_000 == pytest.approx(37.03, abs=0.005)
    assert found.standard_error[0] == pytest.approx(linregress(FUTURES, SPOT).stderr)


def test_two_instruments_hedge_no_worse_than_one_and_as_statsmodels_fits_them():
    rng = np.random.default_rng(1)
    other = rng.normal(0, 0.02, 15)
    found = hedge(SPOT, [FUTURES, other])
    fit = statsmodels.OLS(SPOT, statsmodels.add_constant(np.column_stack([FUTURES, other]))).fit()
    assert found.ratio == pytest.approx(fit.params[1:])
    assert found.standard_error == pytest.approx(fit.bse[1:])
    assert found.explained == pytest.approx(fit.rsquared)
    assert hedge(SPOT, [FUTURES, other]).explained >= hedge(SPOT, [FUTURES]).explained
    with pytest.raises(TooShort):
        hedge(SPOT[:3], [FUTURES[:3], other[:3]])


def test_a_broken_correlation_matrix_is_repaired_and_a_sound_one_left_alone():
    """Higham 2002: the nearest to the matrix of ones but for two zeros has .7607 and .1573. The
    second is the printed result of the example program of g02aac, NAG Library (support.nag.com).
    """
    found, moved = nearest_correlation([[1, 1, 0], [1, 1, 1], [0, 1, 1]])
    assert found[0] == pytest.approx([1, 0.7607, 0.1573], abs=1e-4)
    assert moved == pytest.approx(0.2393, abs=1e-4) and np.linalg.eigvalsh(found).min() > -1e-8
    tridiagonal = 2 * np.eye(4) - np.eye(4, k=1) - np.eye(4, k=-1)
    found, _ = nearest_correlation(tridiagonal)
    assert found[0] == pytest.approx([1, -0.80841, 0.19159, 0.10678], abs=1e-5)
    assert found[1, 2] == pytest.approx(-0.65623, abs=1e-5)
    sound, moved = nearest_correlation([[1, 0.5], [0.5, 1]])
    assert moved == 0 and sound[0, 1] == 0.5


def test_drawn_moves_keep_what_moved_together():
    rng = np.random.default_rng(2)
    common = rng.normal(0, 0.02, 300)
    own = rng.normal(0, 0.006, (300, 2))
    changes = common[:, None] + own
    for joint in Joint:
        drawn = np.log(joint_moves(changes, 4, 4_000, joint).factors)
        assert np.corrcoef(drawn.T)[0, 1] == pytest.approx(np.corrcoef(changes.T)[0, 1], abs=0.04)
        assert drawn.std(0) == pytest.approx(2 * changes.std(0), rel=0.12)


def test_correlations_given_are_used_and_repaired_where_they_fit_nothing():
    changes = np.random.default_rng(3).normal(0, 0.02, (200, 3))
    given = np.array([[1, 0.9, -0.9], [0.9, 1, 0.9], [-0.9, 0.9, 1]])
    moves = joint_moves(changes, 1, 20_000, Joint.COVARIANCE, correlated=lambda fitted: given)
    assert moves.repaired_by > 0.1 and np.linalg.eigvalsh(moves.correlation).min() > 0
    drawn = np.corrcoef(np.log(moves.factors).T)
    assert drawn == pytest.approx(moves.correlation, abs=0.02)


def test_a_few_wild_days_do_not_move_the_robust_covariance():
    rng = np.random.default_rng(4)
    changes = rng.multivariate_normal([0, 0], [[1, 0.6], [0.6, 1]], 600)
    wild = changes.copy()
    wild[:10] = [50, -50]
    assert robust_covariance(wild) == pytest.approx(np.array([[1, 0.6], [0.6, 1]]), abs=0.15)
    assert abs(np.cov(wild.T)[0, 1]) > 10
