"""The fewest steps of a change that free a plan, against a plain count."""

from __future__ import annotations

from types import SimpleNamespace

from hypothesis import given
from hypothesis import strategies as st

from blend.domain.requirements import ConstraintClass, Requirement
from blend.model.infeasible import _fewest, _step_size

LEAN = Requirement(ConstraintClass.LEAN_MIN, "GB80")
SIZE = _step_size(LEAN)


class FreedFrom:
    """An infeasible subset that a limit loosened by this many steps, or more, resolves."""

    def __init__(self, steps: int) -> None:
        self.steps = steps

    def change(self, requirement: Requirement, by: float, *, at_cost: bool) -> SimpleNamespace:
        assert requirement is LEAN and not at_cost
        return SimpleNamespace(x=[1.0] if by > (self.steps - 0.5) * SIZE else [])


@given(st.integers(1, 60), st.integers(0, 40))
def test_fewer_steps_than_the_minimum_pounds_may_do(needed, more):
    assert _fewest(FreedFrom(needed), LEAN, needed + more) == needed


@given(st.integers(2, 60))
def test_one_more_where_the_solver_left_the_last_bit_open(needed):
    assert _fewest(FreedFrom(needed), LEAN, needed - 1) == needed
