"""What a question returns: tables as DataFrames, a few single figures, and how both are shown."""

from __future__ import annotations

import json
import math
from abc import ABC, abstractmethod
from collections.abc import Collection, Mapping
from datetime import date, datetime
from enum import Enum
from pathlib import Path
from typing import Any

from blend.files import write_bytes
from blend.output.formats import format_of, in_shown_units
from blend.output.frames import DataFrame

Spec = dict[str, Any]
"""A chart: a Vega-Lite specification with its data."""


class Answer(ABC):
    """One question answered. Notebook, command and page use the same object.

    `tables` names every frame there is, the main one first; columns carry their units in their
    names, and `blend.output.formats` says how each is shown. `figures` are the single numbers.
    """

    @property
    @abstractmethod
    def tables(self) -> Mapping[str, DataFrame]:
        """Every table of the answer by name, the main one first."""

    @property
    def figures(self) -> Mapping[str, Any]:
        """Single figures by name, with the unit in the name."""
        return {}

    @abstractmethod
    def screen(self, sections: Collection[str] = ()) -> str:
        """The first screen, at most 40 lines of 80 columns, and the sections asked for after it;
        "all" asks for every section."""

    def chart(self) -> Spec:
        """The picture of the answer. NotImplementedError where a picture would not help."""
        raise NotImplementedError

    def to_json(self) -> str:
        """Figures and tables with the heading and unit of each column."""
        tables = {
            name: {
                "columns": [
                    {
                        "name": column,
                        "heading": format_of(column).heading,
                        "unit": format_of(column).unit,
                    }
                    for column in frame.columns
                ],
                "rows": [
                    dict(zip(frame.columns, map(_plain, row), strict=True))
                    for row in frame.itertuples(index=False, name=None)
                ],
            }
            for name, frame in zip(
                self.tables, map(in_shown_units, self.tables.values()), strict=True
            )
        }
        figures = {name: _plain(value) for name, value in self.figures.items()}
        return json.dumps({"figures": figures, "tables": tables}, indent=1, ensure_ascii=False)

    def to_csv(self, path: Path, table: str | None = None) -> None:
        """Write one table, the main one unless another is named, whole or not at all."""
        frame = in_shown_units(self.tables[table or next(iter(self.tables))])
        text = frame.to_csv(
            index=False, lineterminator="\n", date_format="%Y-%m-%d", float_format="%.12g"
        )
        write_bytes(path, text.encode("utf-8-sig"))

    def save_chart(self, path: Path) -> None:
        """Save the picture as .png, .svg or .pdf, by the file's ending."""
        from blend.output.charts import save

        save(self.chart(), path)


def _plain(value: Any) -> Any:
    """A value as JSON takes it: no NaN, dates as ISO text."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, date | datetime):
        return value.isoformat()
    if hasattr(value, "item"):
        return _plain(value.item())
    return value
