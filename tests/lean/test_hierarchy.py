"""The hierarchy against published examples, limits that must hold, and simulation."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest
from scipy.optimize import brentq

from blend.lean.hierarchy import Fit, Groups, half_normal_steps

# Yield of dyestuff, six batches of five. Davies and Goldsmith 1972, section 6.4; data as lme4's
# Dyestuff (read); the fit below as printed in lme4's documentation (Bates 2010; from memory).
DYESTUFF = np.array(
    [
        [1545, 1440, 1440, 1520, 1580],
        [1540, 1555, 1490, 1560, 1495],
        [1595, 1550, 1605, 1510, 1560],
        [1445, 1440, 1595, 1465, 1545],
        [1595, 1630, 1515, 1635, 1625],
        [1520, 1455, 1450, 1480, 1445],
    ],
    dtype=float,
)
NO_SPREAD = np.zeros(1)


def preparations(between, within) -> Fit:
    """Each preparation as a lot of its batch, measured without error."""
    groups = Groups(DYESTUFF.ravel(), np.full(30, 1e-9), np.repeat(np.arange(6), 5))
    return Fit(groups, np.atleast_1d(between), np.atleast_1d(within))


def test_restricted_likelihood_peaks_at_the_published_components():
    """Batch 1764.05, residual 2451.25: REML of the dyestuff."""
    fit = preparations(np.sqrt(np.arange(1700, 1830, 0.5)), np.sqrt(np.arange(2400, 2500, 0.5)))
    between, within = np.unravel_index(fit.log_likelihood.argmax(), fit.log_likelihood.shape)
    assert fit.between[between] ** 2 == pytest.approx(1764.05, abs=0.5)
    assert fit.within[within] ** 2 == pytest.approx(2451.25, abs=0.5)


def test_restricted_likelihood_has_the_published_value():
    """REML criterion at convergence 319.6543, which has 2π once for each degree of freedom."""
    fit = preparations(1764.05**0.5, 2451.25**0.5)
    criterion = -2 * float(fit.log_likelihood[0, 0]) + 29 * np.log(2 * np.pi)
    assert criterion == pytest.approx(319.6543, abs=1e-4)


def test_batches_are_shrunk_as_published():
    """Mean 1527.5, standard error 19.383, and the six batch effects (conditional modes)."""
    fit = Fit(
        Groups(DYESTUFF.mean(1), np.full(6, 2451.25 / 5), np.arange(6)),
        np.array([1764.05**0.5]),
        NO_SPREAD,
    )
    mean = fit.mean()
    assert (mean.mean, mean.deviation) == (pytest.approx(1527.5), pytest.approx(19.383, abs=5e-4))
    effects = [fit.bias(batch).mean - mean.mean for batch in range(6)]
    published = [-17.6068514, 0.3912634, 28.5622256, -23.0845385, 56.7331877, -44.9952868]
    assert effects == pytest.approx(published, abs=1e-5)


# Coaching in eight schools. Rubin 1981; Gelman et al., Bayesian Data Analysis, 5.5 (memory).
SCHOOLS = np.array([28, 8, -3, 7, -1, 1, 18, 12], dtype=float)
SCHOOLS_SE = np.array([15, 10, 16, 11, 9, 11, 10, 18], dtype=float)


def schools(spreads=None) -> Fit:
    """With a flat prior on the spread, as published."""
    spreads = np.linspace(0, 200, 4001) if spreads is None else spreads
    return Fit(Groups(SCHOOLS, SCHOOLS_SE**2, np.arange(8)), spreads, NO_SPREAD)


def median(fit: Fit, school: int) -> float:
    means, variances = fit._bias(school)
    normals = [NormalDist(m, v**0.5) for m, v in zip(means[:, 0], variances[:, 0], strict=True)]
    weights = fit.weights[:, 0]

    def below(effect: float) -> float:
        return sum(w * n.cdf(effect) for w, n in zip(weights, normals, strict=True)) - 0.5

    return brentq(below, -30, 60)


def test_eight_schools_medians_as_published():
    """Table 5.3, medians of 200 draws, rounded to whole points: 10 8 7 8 5 6 10 8."""
    fit = schools(np.linspace(0, 60, 301))
    medians = [median(fit, school) for school in range(8)]
    assert medians == pytest.approx([10, 8, 7, 8, 5, 6, 10, 8], abs=1.0)


def test_eight_schools_classical_pooling():
    """Complete pooling, section 5.5: mean 7.7, standard error 4.1."""
    pooled = schools(NO_SPREAD).mean()
    assert pooled.mean == pytest.approx(7.7, abs=0.05)
    assert pooled.deviation == pytest.approx(4.1, abs=0.05)


def test_a_school_never_seen_is_less_sure_than_any_seen():
    fit = schools()
    assert fit.bias(None).deviation > max(fit.bias(school).deviation for school in range(8))


# Limits ----------------------------------------------------------------------------------------


def small(difference, variance, supplier) -> Groups:
    return Groups(np.array(difference), np.array(variance), np.array(supplier))


PRIOR = half_normal_steps(0.02, 40)


def test_many_exact_lots_leave_nothing_to_history():
    groups = small([0.01] * 3 + [0.05], [1e-4] * 3 + [1e-12], [0] * 4)
    lot = Fit(groups, PRIOR, PRIOR).lot(0, (0.05, 1e-12))
    assert lot.mean == pytest.approx(0.05, abs=1e-5)
    assert lot.deviation < 1e-5


def test_a_useless_test_leaves_all_to_history():
    groups = small([0.010, 0.012, 0.011, 0.5], [1e-5] * 3 + [1e6], [0] * 4)
    fit = Fit(groups, PRIOR, PRIOR)
    tested, untested = fit.lot(0, (0.5, 1e6)), fit.lot(0, None)
    assert tested.mean == pytest.approx(untested.mean, abs=1e-6)
    assert tested.deviation == pytest.approx(untested.deviation, abs=1e-6)
    assert fit.own_weight(1e6) < 1e-6


def test_few_tests_shrink_further_than_many():
    """Two suppliers with the same mean difference, one of them on two lots only."""
    groups = small([0.03] * 14 + [0.0] * 12, [4e-4] * 26, [0] * 12 + [1] * 2 + [2] * 12)
    fit = Fit(groups, PRIOR, PRIOR)
    many, few = fit.bias(0), fit.bias(1)
    assert 0 < few.mean < many.mean < 0.03
    assert few.deviation > many.deviation


def test_leaving_a_lot_out_is_fitting_without_it():
    """With the spreads pinned, the prediction without a lot is that of a log without it."""
    difference, variance, supplier = [0.01, 0.02, 0.04, -0.01, 0.0], [1e-4] * 5, [0, 0, 0, 1, 1]
    between, within = np.array([0.012]), np.array([0.008])
    whole = Fit(small(difference, variance, supplier), between, within)
    for lot in range(5):
        rest = [each for each in range(5) if each != lot]
        without = Fit(
            small(*([of[each] for each in rest] for of in (difference, variance, supplier))),
            between,
            within,
        )
        put = without.lot(supplier[lot], None)
        deviation = (put.deviation**2 + variance[lot]) ** 0.5
        assert whole.contradiction(lot) == pytest.approx((difference[lot] - put.mean) / deviation)


def test_a_supplier_of_one_lot_is_predicted_as_one_never_tested():
    between, within = np.array([0.012]), np.array([0.008])
    whole = Fit(small([0.01, 0.02, 0.05], [1e-4] * 3, [0, 0, 1]), between, within)
    put = Fit(small([0.01, 0.02], [1e-4] * 2, [0, 0]), between, within).lot(None, None)
    expected = (0.05 - put.mean) / (put.deviation**2 + 1e-4) ** 0.5
    assert whole.contradiction(2) == pytest.approx(expected)


def test_a_single_tested_lot_has_nothing_to_contradict_it():
    assert Fit(small([0.05], [1e-4], [0]), PRIOR, PRIOR).contradiction(0) is None


# Simulation --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("suppliers", "lots", "between", "within"),
    [(6, 8, 0.010, 0.008), (12, 5, 0.015, 0.004), (4, 3, 0.008, 0.010)],
)
def test_intervals_hold_the_truth_as_often_as_they_say(suppliers, lots, between, within):
    """95% intervals of tested lots, untested lots and unknown suppliers, seeded; 600 plants of
    each kind, whose truth is drawn from the model, its spreads fixed and unknown to the fit."""
    generator = np.random.default_rng(20260302)
    held = {"tested": [], "untested": [], "unknown": [], "bias": []}
    for _ in range(600):
        supplier = np.repeat(np.arange(suppliers), lots)
        bias = generator.normal(0.004, between, suppliers)
        truth = bias[supplier] + generator.normal(0, within, len(supplier))
        variance = generator.choice([1e-4, 4e-4], len(supplier))
        seen = truth + generator.normal(0, variance**0.5)
        fit = Fit(Groups(seen, variance, supplier), PRIOR, PRIOR)

        def note(kind: str, mixture, true: float) -> None:
            held[kind].append(abs(mixture.mean - true) <= 1.96 * mixture.deviation)

        note("tested", fit.lot(0, (seen[0], variance[0])), truth[0])
        note("untested", fit.lot(0, None), bias[0] + generator.normal(0, within))
        stranger = generator.normal(0.004, between)
        note("unknown", fit.lot(None, None), stranger + generator.normal(0, within))
        note("bias", fit.bias(0), bias[0])
    shares = {kind: float(np.mean(each)) for kind, each in held.items()}
    assert all(0.93 <= share <= 0.985 for share in shares.values()), shares
    # Tested lots are those that are blended: there the coverage is close.
    assert 0.93 <= shares["tested"] <= 0.97, shares
