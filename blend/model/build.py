"""A case as a program: the layout's choices, then family after family."""

from __future__ import annotations

from blend.domain.case import Case
from blend.model.arrays import Columns, Model, Rows
from blend.model.constraint_classes import LINEAR, WHOLE
from blend.model.sets import IndexSets, lay_out


def build_model(case: Case, *, whole: bool = False) -> Model:
    """State the case as sparse arrays.

    The linear program takes containers, counts and batches as divisible; `whole` adds
    the families that need whole numbers.
    """
    return model_of(lay_out(case), whole=whole)


def model_of(sets: IndexSets, *, whole: bool = False) -> Model:
    columns, rows = Columns(), Rows()
    for constraint_class in LINEAR + (WHOLE if whole else ()):
        constraint_class.add(sets, columns, rows)
    return Model.of(sets, columns, rows)
