"""The demand benchmark compares like with like, and says what it scaled."""

from __future__ import annotations

import pytest

from tests.bench.demand import bench_demand


def test_all_ways_agree_and_what_is_scaled_is_said():
    exact, without_limit, warm, plain = bench_demand(lots=30, products=4, points=100, sample=3)
    assert exact.times_exact == 1.0
    assert {exact.solved, without_limit.solved} == {exact.points}
    assert warm.solved < warm.points
    assert plain.solved == 3 < plain.points
    assert plain.times_exact == pytest.approx(plain.seconds / exact.seconds)
    *_, every = bench_demand(lots=12, products=2, points=5, all_points=True)
    assert every.solved == every.points == 5


@pytest.mark.slow
def test_the_exact_curve_is_far_faster_than_stating_the_model_anew():
    *_, plain = bench_demand(sample=3)
    assert plain.times_exact > 500
