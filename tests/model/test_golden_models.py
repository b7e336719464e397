"""Every row and column of two small models, held in LP files (`python -m tests.model.golden`)."""

from __future__ import annotations

import pytest

from blend.domain.requirements import ConstraintClass
from blend.model.build import build_model
from tests.model.golden import HERE, MODELS, lp_text


@pytest.mark.parametrize("name", MODELS)
def test_every_row_and_column_is_as_it_was_read_and_approved(name):
    assert lp_text(MODELS[name]) == (HERE / f"{name}.lp").read_text()


def test_no_constraint_class_is_left_out():
    by_pairs = {ConstraintClass.MUST_NOT_USE, ConstraintClass.MAY_HOLD}
    requirements = build_model(MODELS["per_batch"], whole=True).requirements
    assert {each.constraint_class for each in requirements} == set(ConstraintClass) - by_pairs
