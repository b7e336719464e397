"""Bounds of many columns moved at once are those moved one by one, left-out columns too."""

from __future__ import annotations

import numpy as np
import pytest

from blend.model.aggregated import restricted_master
from blend.model.build import build_model
from blend.model.solver import WarmLinear
from tests.bench.instances import make_instance


@pytest.mark.parametrize("only_part", [False, True])
def test_many_bounds_at_once_are_many_bounds_one_by_one(only_part):
    model = build_model(make_instance(30, 8, 1))
    sets = model.sets
    dealt = (model.use, sets, np.arange(1, len(sets.pair_lot), 2))
    begin = restricted_master(len(model.cost), [dealt]) if only_part else None
    together, one_by_one = WarmLinear(model, begin), WarmLinear(model, begin)
    before = together.solve().objective
    one_by_one.solve()
    uses = np.arange(model.use.start, model.use.stop)
    takes = np.arange(model.take.start, model.take.stop)
    columns = np.concatenate((takes[3:20], uses[:40]))
    maximum = np.concatenate((0.9 * model.upper[takes[3:20]], np.full(40, 1_500.0)))
    together.set_columns_bounds(columns, 0.0, maximum)
    for column, upper in zip(columns.tolist(), maximum.tolist(), strict=True):
        one_by_one.set_column_bounds(column, 0.0, upper)
    answers = together.solve(), one_by_one.solve()
    assert answers[0].objective > before
    assert answers[0].objective == answers[1].objective
    assert np.array_equal(answers[0].x, answers[1].x)
