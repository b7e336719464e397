"""DataFrames as tables: what pandas reads from a sheet, under the checks and messages of files."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from blend.domain.case import Case
from blend.domain.columns import Table
from blend.tables.cells import Cell
from blend.tables.columns import TABLES
from blend.tables.layout import RawTable, arranged
from blend.tables.read import read_case
from blend.tables.tables import Overlaid, raw_table

if TYPE_CHECKING:
    from pandas import DataFrame


def frames_in_hand(
    frames: Mapping[str, DataFrame], tables: Mapping[str, Table] = TABLES
) -> Overlaid:
    """DataFrames by table as a source for any reader; raise TypeError for an unknown table.

    Rows are numbered as in the sheet that pandas read: its header is row 1.
    """
    unknown = sorted(set(frames) - set(tables))
    if unknown:
        raise TypeError(f"no table named {', '.join(unknown)}; there are {', '.join(tables)}")
    return Overlaid(None, {name: _raw(tables[name], frame) for name, frame in frames.items()})


def _raw(table: Table, frame: DataFrame) -> RawTable:
    header = tuple(None if str(each).startswith("Unnamed: ") else str(each) for each in frame)
    return arranged(raw_table(table.name, _rows(header, frame), ends_early=True), table)


def _rows(header: tuple[Cell, ...], frame: DataFrame) -> Iterator[tuple[Cell, ...]]:
    yield header
    for values in frame.itertuples(index=False, name=None):
        yield tuple(map(_cell, values))


def _cell(value: Any) -> Cell:
    """A plain Python value; whatever pandas takes for missing is blank."""
    from pandas import Timestamp, isna

    if value is None or (not isinstance(value, list | tuple | set) and isna(value)):
        return None
    if isinstance(value, Timestamp):
        return value.to_pydatetime()
    cell: Cell = value.item() if hasattr(value, "item") else value
    return cell


def case_from_frames(
    frames: Mapping[str, DataFrame | None], settings: Mapping[str, Any] | DataFrame
) -> Case:
    """The case of DataFrames; cautions come as Python warnings. Raise InputRefused with all
    problems."""
    from pandas import DataFrame

    if not isinstance(settings, DataFrame):
        rows = {"setting": list(settings), "value": list(settings.values())}
        settings = DataFrame(rows, dtype=object)
    given = {name: frame for name, frame in frames.items() if frame is not None}
    read = read_case(frames_in_hand(given | {"settings": settings}))
    for caution in read.warnings:
        warnings.warn(str(caution), stacklevel=3)
    return read.case
