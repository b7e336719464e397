"""A case as a programme: the layout's choices, then family after family."""

from __future__ import annotations

from blend.core.families import LINEAR, WHOLE
from blend.core.layout import Layout, lay_out
from blend.core.programme import Columns, Programme, Rows
from blend.domain.case import Case


def build_programme(case: Case, *, whole: bool = False) -> Programme:
    """State the case as sparse arrays.

    The linear programme takes containers, counts and batches as divisible; `whole` adds
    the families that need whole numbers.
    """
    return programme_of(lay_out(case), whole=whole)


def programme_of(layout: Layout, *, whole: bool = False) -> Programme:
    columns, rows = Columns(), Rows()
    for family in LINEAR + (WHOLE if whole else ()):
        family.add(layout, columns, rows)
    return Programme.of(layout, columns, rows)
