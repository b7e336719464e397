"""Searches in whole numbers that many tests need: each is made once by a process and kept."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from unittest.mock import patch

import blend.grinder.plan as planning
import blend.grinder.whole_break_even as whole_break_even
import blend.trader.breakeven as breakeven
from blend.domain.case import Case
from blend.model.solve import LinearPlan
from blend.model.solver import Outcome
from blend.model.whole import WholePlan

_PLENTY_S = 500.0
_search = planning.plan_whole
_kept: dict[Case, WholePlan] = {}


def _plan_whole(case: Case, linear: LinearPlan, *given: object) -> WholePlan:
    """The same plan for the same case, with so much time that a busy machine finds no other one; a
    search that was cut short is not kept."""
    case = replace(case, settings=replace(case.settings, time_limit_s=_PLENTY_S))
    if case in _kept:
        return _kept[case]
    found = _search(case, linear, *given)
    if found.outcome is Outcome.OPTIMAL and not found.was_interrupted:
        _kept[case] = found
    return found


@contextmanager
def searches_kept() -> Iterator[None]:
    """Of all plans that are made in this block; to plan again, too, there is plenty of time."""
    with (
        patch.object(planning, "plan_whole", _plan_whole),
        patch.object(breakeven, "plan_whole", _plan_whole),
        patch.object(whole_break_even, "_EACH_TIME_S", _PLENTY_S),
    ):
        yield
