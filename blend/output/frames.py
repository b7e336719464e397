"""DataFrames made of rows, with pandas imported only when one is made."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pandas import DataFrame


def frame(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> DataFrame:
    """Rows under these column names; columns without a number keep their type."""
    from pandas import DataFrame

    return DataFrame(list(rows), columns=list(columns))
