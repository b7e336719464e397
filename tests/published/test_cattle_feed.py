"""Cattle feed with a probability on protein: Hock and Schittkowski, Test Examples for Nonlinear
Programming Codes (1981), problem 73; the data also in the docstring of scipy's `shgo`."""

from __future__ import annotations

import numpy as np
import pytest

from blend.model.arrays import Model
from blend.model.cone import Cone
from blend.model.solver import WarmLinear
from blend.model.tangents import ConicLinear
from tests.solvers import plain_model

COST = np.array([24.55, 26.75, 39.0, 40.5])
FAT = np.array([2.3, 5.6, 11.1, 1.3])
PROTEIN = np.array([12.0, 11.9, 41.8, 52.1])
PROTEIN_SD = np.sqrt([0.28, 0.19, 20.5, 0.62])
QUANTILE = 1.645
EVERY = np.arange(4)


def feed(protein: np.ndarray | None = None) -> Model:
    """A ton of feed with enough fat, and enough protein where given without a probability."""
    rows = [FAT, np.ones(4)] + ([] if protein is None else [protein])
    minimum, maximum = [5.0, 1.0, 21.0][: len(rows)], [np.inf, 1.0, np.inf][: len(rows)]
    return plain_model(COST, np.array(rows), minimum, maximum, np.zeros(4), np.full(4, np.inf))


@pytest.mark.parametrize("uses_library", [False, True])
def test_cattle_feed_with_a_probability_on_protein(uses_library):
    cone = Cone(EVERY, PROTEIN, 21.0, QUANTILE, EVERY, PROTEIN_SD)
    answer = ConicLinear(feed(), [cone], uses_library).solve()
    assert answer.objective == pytest.approx(29.894378, abs=1e-6)
    assert answer.bound == pytest.approx(29.894378, abs=1e-5)
    assert answer.x == pytest.approx([0.635522, 0, 0.312702, 0.051777], abs=1e-5)


def test_cattle_feed_on_means_only():
    cone = Cone(EVERY, PROTEIN, 21.0, 0.0, EVERY, PROTEIN_SD)
    answer = ConicLinear(feed(), [cone], uses_library=False).solve()
    # Published optimum of the means-only feed: recomputed, not printed in the source.
    assert answer.objective == pytest.approx(28.9426, abs=1e-4)


def test_a_margin_on_each_ingredient_costs_more_than_the_cone():
    """The margin 1.645 sd taken off each ingredient ignores that errors cancel (recomputed)."""
    answer = WarmLinear(feed(PROTEIN - QUANTILE * PROTEIN_SD)).solve()
    assert answer.objective == pytest.approx(30.1249, abs=1e-4)
