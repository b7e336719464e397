"""Scores of calls against published and hand-worked numbers."""

from __future__ import annotations

import pytest

from blend.reporter.scoring import brier, brier_of_calls, hit_rate


@pytest.mark.parametrize(
    ("hits", "calls", "base", "p_value"),
    [  # the first is the example in scipy's documentation of binomtest
        (3, 15, 0.1, 0.184061),
        (8, 10, 0.5, 0.0547),
        (9, 10, 0.5, 0.0107),
        (14, 20, 0.5, 0.0577),
        (14, 20, 0.6, 0.250),
    ],
)
def test_hits_against_the_base_rate(hits, calls, base, p_value):
    assert hit_rate(hits, calls, base).p_value == pytest.approx(p_value, abs=6e-4)


def test_eight_of_ten_is_not_called_skill():
    assert not hit_rate(8, 10, 0.5).is_skill and hit_rate(9, 10, 0.5).is_skill


def test_clopper_pearson_interval_of_scipys_example():
    made = hit_rate(7, 50, 0.5)
    assert (made.low, made.high) == pytest.approx((0.0581917, 0.267396), abs=1e-6)


WILKS_STATED = [0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1]
WILKS_OBSERVED = [0.006, 0.019, 0.059, 0.15, 0.277, 0.377, 0.511, 0.587, 0.723, 0.779, 0.934, 0.933]
WILKS_WEIGHTS = [
    0.4112, 0.0671, 0.1833, 0.0986, 0.0616, 0.0366, 0.0303, 0.0275, 0.0245, 0.022, 0.017, 0.0203,
]  # fmt: skip


def test_brier_score_of_wilks_table_7_3():
    """D. S. Wilks, table 7.3, as in the data of the R package verification."""
    made = brier(WILKS_STATED, WILKS_OBSERVED, WILKS_WEIGHTS)
    found = made.reliability, made.resolution, made.uncertainty, made.score, made.skill
    assert found == pytest.approx((0.000828, 0.062787, 0.135420, 0.073461, 0.45753), abs=2e-5)


def test_weights_that_do_not_sum_to_one_are_refused():
    """The table as misprinted on the page, .245 and .203."""
    with pytest.raises(ValueError, match=r"1\.4"):
        brier(WILKS_STATED, WILKS_OBSERVED, [*WILKS_WEIGHTS[:8], 0.245, 0.022, 0.017, 0.203])


def test_brier_score_by_hand():
    made = brier_of_calls([0.9] * 5 + [0.6] * 5, [True] * 4 + [False] + [True] * 3 + [False] * 2)
    assert made.score == pytest.approx(0.205)
    parts = made.reliability, made.resolution, made.uncertainty
    assert parts == pytest.approx((0.005, 0.010, 0.210))
    assert made.skill == pytest.approx(0.0238, abs=5e-5)
