"""Joint errors against a published mixed model, and against what they are made to cover."""

from __future__ import annotations

import numpy as np
import pytest

from blend.lean.hierarchy import Fit, Groups, half_normal_steps
from blend.lean.joint import joint_errors

DYESTUFF = [
    [1545, 1440, 1440, 1520, 1580],
    [1540, 1555, 1490, 1560, 1495],
    [1595, 1550, 1605, 1510, 1560],
    [1445, 1440, 1595, 1465, 1545],
    [1595, 1630, 1515, 1635, 1625],
    [1520, 1455, 1450, 1480, 1445],
]
"""Yield of dyestuff by batch (O. L. Davies), as published in the test data of several packages."""
BETWEEN, WITHIN = 1764.05, 2451.25
"""Published REML variances."""


@pytest.fixture(name="dyestuff")
def fit_of_dyestuff() -> Fit:
    """The published variances, known: preparations are lots, batches are suppliers."""
    readings = np.array(DYESTUFF, float).ravel()
    groups = Groups(readings, np.full(30, 1e-9), np.repeat(np.arange(6), 5))
    return Fit(groups, np.array([BETWEEN**0.5]), np.array([WITHIN**0.5]))


def test_predictions_and_their_covariance_are_those_of_the_mixed_model(dyestuff):
    biases = [dyestuff.bias(number).mean - 1527.5 for number in range(6)]
    assert biases == pytest.approx([-17.607, 0.391, 28.562, -23.085, 56.733, -44.995], abs=2e-3)
    covariance = joint_errors(dyestuff, [0], [None]).covariance
    assert np.diag(covariance) == pytest.approx([401.403] * 6, abs=2e-3)
    assert covariance[0, 1] == pytest.approx(17.769, abs=2e-3)


def covariance(joint):
    """(lots, lots): of the lots' errors."""
    return joint.factors @ joint.factors.T + np.diag(joint.own_sd**2)


def mix_sd(joint, weights):
    return np.sqrt(weights @ covariance(joint) @ np.asarray(weights))


def independent_sd(joint, weights):
    """The same as if lots' errors had nothing in common."""
    return np.sqrt(np.diag(covariance(joint)) @ np.square(weights))


@pytest.mark.parametrize(
    ("suppliers", "sd"),
    [
        ([0, 0, 0, 0], 31.85),  # four new preparations of one batch seen before
        (["new"] * 4, 52.47),  # four lots of one supplier never seen
        (["a", "b", "c", "d"], 37.81),  # one lot each of four never seen
    ],
)
def test_error_of_a_mix_is_that_of_the_mixed_model(dyestuff, suppliers, sd):
    joint = joint_errors(dyestuff, suppliers, [None] * 4)
    assert mix_sd(joint, [0.25] * 4) == pytest.approx(sd, abs=0.01)
    assert independent_sd(joint, [0.25] * 4) < mix_sd(joint, [0.25] * 4)


def test_each_lots_own_error_is_that_of_the_hierarchy():
    rng = np.random.default_rng(3)
    groups = Groups(rng.normal(0.005, 0.01, 12), np.full(12, 1e-5), np.repeat(np.arange(4), 3))
    fit = Fit(groups, half_normal_steps(0.02, 20), half_normal_steps(0.02, 20))
    suppliers, tested = [0, 0, 1, "new"], [None, (0.01, 1e-5), None, None]
    joint = joint_errors(fit, suppliers, tested)
    deviations = [
        fit.lot(None if isinstance(each, str) else each, own).deviation
        for each, own in zip(suppliers, tested, strict=True)
    ]
    assert np.sqrt(np.diag(covariance(joint))) == pytest.approx(deviations, rel=1e-6)


def test_planted_worlds_hold_their_stated_confidence():
    """400 worlds with biased suppliers: a mix of one supplier's lots is within its 95% interval
    as often as stated by joint errors, and clearly less often by independent ones."""
    rng = np.random.default_rng(11)
    steps = half_normal_steps(0.02, 16)
    joint_hits = independent_hits = 0
    for _ in range(400):
        spread, lot_spread = abs(rng.normal(0, 0.02, 2))
        biases = rng.normal(0.003, spread, 6)
        supplier = np.repeat(np.arange(5), 4)
        truth = biases[supplier] + rng.normal(0, lot_spread, 20)
        variance = np.full(20, 0.007**2)
        fit = Fit(Groups(truth + rng.normal(0, 0.007, 20), variance, supplier), steps, steps)
        who = [0, 0, 0, "new", "new", "new"]
        joint = joint_errors(fit, who, [None] * 6)
        bias = np.array([biases[0]] * 3 + [biases[5]] * 3)
        mix = rng.dirichlet(np.ones(6))
        mean = mix @ np.array([fit.lot(0, None).mean] * 3 + [fit.lot(None, None).mean] * 3)
        off = abs(mix @ (bias + rng.normal(0, lot_spread, 6)) - mean)
        joint_hits += off <= 1.96 * mix_sd(joint, mix)
        independent_hits += off <= 1.96 * independent_sd(joint, mix)
    assert 0.94 <= joint_hits / 400 <= 0.98
    assert independent_hits / 400 < 0.92
