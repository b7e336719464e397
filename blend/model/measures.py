"""What rows are measured in and what their shadow prices are quoted per, by constraint class."""

from __future__ import annotations

from blend.domain.analyses import ANALYSES
from blend.domain.plan import Step
from blend.domain.requirements import ConstraintClass
from blend.model.rules import limit_of
from blend.model.rules.definition import Measure

_BUILT_IN = {
    ConstraintClass.VOLUME_MIN: (Measure.POUNDS, Step.CWT),
    ConstraintClass.VOLUME_MAX: (Measure.POUNDS, Step.CWT),
    ConstraintClass.SUPPLY: (Measure.POUNDS, Step.CWT),
    ConstraintClass.ADDED: (Measure.POUNDS, Step.CWT),
    **{
        constraint_class: (Measure.SHARE, Step.LEAN_POINT)
        for analysis in ANALYSES
        for constraint_class in (analysis.min_class, analysis.max_class)
    },
}


def measure_of(constraint_class: str) -> Measure:
    limit = limit_of(constraint_class)
    if limit is not None:
        return limit.measure
    return _BUILT_IN.get(constraint_class, (Measure.NONE, Step.CWT))[0]


def step_of(constraint_class: str) -> Step:
    limit = limit_of(constraint_class)
    if limit is not None:
        return limit.step
    return _BUILT_IN.get(constraint_class, (Measure.NONE, Step.CWT))[1]
