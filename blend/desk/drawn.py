"""Pictures of `blend.show` as files of the desk."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from starlette.responses import Response

from blend.desk.asked import refused
from blend.desk.pages import written

ENDINGS = ("svg", "png", "pdf")
_ONE_AT_A_TIME = threading.Lock()
"""Matplotlib keeps fonts and formulas in one place for all, and is not made for several threads."""


def picture_file(name: str, ending: str, make: Callable[[], object]) -> Response:
    """What `make` draws, to look at or take away.

    Raises InputRefused for another ending than `ENDINGS`.
    """
    from blend.show.pictures import save

    if ending not in ENDINGS:
        raise refused("picture", ending, " or ".join(ENDINGS))
    with _ONE_AT_A_TIME:
        return written(f"{name}.{ending}", lambda path: save(make(), path))


def chart_file(name: str, ending: str, make: Callable[[], dict[str, Any]]) -> Response:
    """The chart that `make` specifies, to look at or take away; refuses as `picture_file`."""
    from blend.output.charts import save

    if ending not in ENDINGS:
        raise refused("picture", ending, " or ".join(ENDINGS))
    return written(f"{name}.{ending}", lambda path: save(make(), path))
