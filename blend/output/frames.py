"""DataFrames, with pandas imported only when one is made."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pandas import DataFrame as DataFrame
else:

    def DataFrame(*rows, **options):
        """A pandas.DataFrame."""
        import pandas

        return pandas.DataFrame(*rows, **options)


def frame(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> DataFrame:
    """Rows under these column names; columns without a number keep their type."""
    return DataFrame(list(rows), columns=list(columns))
