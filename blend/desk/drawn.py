"""Charts of answers as files of the desk."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from starlette.responses import Response

from blend.desk.asked import refused
from blend.desk.pages import written

ENDINGS = ("svg", "png", "pdf")


def chart_file(name: str, ending: str, make: Callable[[], dict[str, Any]]) -> Response:
    """The chart that `make` specifies, to look at or take away; InputRefused for another ending."""
    from blend.output.charts import save

    if ending not in ENDINGS:
        raise refused("picture", ending, " or ".join(ENDINGS))
    return written(f"{name}.{ending}", lambda path: save(make(), path))
