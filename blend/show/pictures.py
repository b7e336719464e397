"""How our pictures look: black and gray, one accent, no frame; made to be read on paper.

Matplotlib draws them; it is imported only where one is drawn.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from blend.errors import FileTrouble
from blend.files import check_place, write_bytes
from blend.show.amounts import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#1A1A1A"
GRAY = "#6B6B6B"
PALE = "#D8D5D0"
ACCENT = "#7A2E2A"
SECOND = "#2F5D6B"
PAPER = "#FFFFFF"
WIDE_INCHES = (9.0, 5.6)
_DOTS_PER_INCH = 150
FORMATS = (".png", ".svg", ".pdf")


def figure(
    title: str, subtitle: str = "", *, inches: tuple[float, float] = WIDE_INCHES
) -> tuple[Figure, Axes]:
    """An empty picture with its title above and one pair of axes; raises as `canvas` does."""
    made = canvas(title, inches=inches)
    axes = made.add_subplot()
    dress(axes, subtitle)
    return made, axes


def canvas(title: str, *, inches: tuple[float, float] = WIDE_INCHES) -> Figure:
    """A picture with its title and nothing else yet."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    made = Figure(figsize=inches, dpi=_DOTS_PER_INCH, facecolor=PAPER, layout="constrained")
    FigureCanvasAgg(made)
    made.suptitle(plain(title), x=0.012, ha="left", fontsize=14, fontweight="bold", color=INK)
    return made


def dress(axes: Axes, subtitle: str = "") -> None:
    """Give axes the look of the house."""
    axes.set_title(plain(subtitle), loc="left", fontsize=9, color=GRAY, pad=10)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(GRAY)
    axes.tick_params(colors=GRAY, labelsize=9)
    axes.grid(color=PALE, linewidth=0.6)
    axes.set_axisbelow(True)


def label_axes(axes: Axes, x: str, y: str) -> None:
    axes.set_xlabel(plain(x), fontsize=10, color=INK)
    axes.set_ylabel(plain(y), fontsize=10, color=INK)


def plain(text: str) -> str:
    """A text that is drawn as it stands: a `$` begins no formula."""
    return printable(text).replace("$", r"\$")


def spaced(places: Sequence[float], min_apart: float) -> list[float]:
    """Places moved apart so that labels do not lie on each other, in the order given.

    Groups that are too close are spread evenly about their own middle.
    """
    order = sorted(range(len(places)), key=places.__getitem__)
    groups: list[list[int]] = []
    for index in order:
        groups.append([index])
        while len(groups) > 1 and _gap(groups[-2], groups[-1], places, min_apart) < min_apart:
            last = groups.pop()
            groups[-1] += last
    moved = list(places)
    for group in groups:
        first = _middle(group, places) - min_apart * (len(group) - 1) / 2
        for step, index in enumerate(group):
            moved[index] = first + step * min_apart
    return moved


def _middle(group: list[int], places: Sequence[float]) -> float:
    return sum(places[index] for index in group) / len(group)


def _gap(before: list[int], after: list[int], places: Sequence[float], apart: float) -> float:
    """Between the last label of one spread group and the first of the next."""
    last = _middle(before, places) + apart * (len(before) - 1) / 2
    return _middle(after, places) - apart * (len(after) - 1) / 2 - last


def check_path(path: Path) -> None:
    """Raise FileTrouble if a picture cannot be written there, before any work goes into it."""
    if path.suffix.lower() not in FORMATS:
        raise FileTrouble(f"{path}: pictures end in {', '.join(FORMATS)}")
    check_place(path)


def save(made: Figure, path: str | Path) -> None:
    """Write a picture in the format of its ending, whole or not at all; raise FileTrouble."""
    path = Path(path)
    check_path(path)
    drawn = io.BytesIO()
    made.savefig(drawn, format=path.suffix[1:].lower(), metadata=_no_date(path))
    write_bytes(path, drawn.getvalue())


def _no_date(path: Path) -> dict[str, None]:
    """So that the same picture is the same file."""
    return {} if path.suffix.lower() == ".png" else {_DATE_KEY[path.suffix.lower()]: None}


_DATE_KEY = {".svg": "Date", ".pdf": "CreationDate"}
