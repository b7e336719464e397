"""A case ready to plan, read from its tables; temperature rules get the heat of its lots."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from blend.domain.case import Case

if TYPE_CHECKING:
    from blend.tables.read import CaseRead
    from blend.tables.tables import Source


def read(source: Source) -> Case:
    """The case in a folder or a workbook, ready to plan. Its cautions are Python warnings.

    Raises InputRefused with every problem of every table, FileTrouble for what cannot be opened.
    """
    import warnings

    found = read_ready_case(source)
    for each in found.warnings:
        warnings.warn(str(each), stacklevel=2)
    return found.case


def read_ready_case(source: Source) -> CaseRead:
    """The case of `source` and its cautions; raises as `read_case` does."""
    from blend.tables.read import read_case

    read = read_case(source)
    return replace(read, case=with_temperature(source, read.case))


def with_temperature(source: Source, case: Case) -> Case:
    """The case with its temperature rules ready, from the temperatures of its lots."""
    from blend.grinder.temperature import case_with_temperature, has_temperature_rule

    if not has_temperature_rule(case):
        return case
    from blend.tables.evidence import read_temperatures
    from blend.tables.heat import packaged_heat

    return case_with_temperature(case, read_temperatures(source, case), packaged_heat())
