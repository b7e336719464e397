"""Lean classes and their colors: fat pale, lean dark."""

from __future__ import annotations

LEAN_CLASSES = (
    (0.0, 0.40, "below 40", "#F1E6D6"),
    (0.40, 0.60, "40 to 59", "#E6CDB6"),
    (0.60, 0.70, "60 to 69", "#D8A793"),
    (0.70, 0.80, "70 to 79", "#C48071"),
    (0.80, 0.88, "80 to 87", "#A95852"),
    (0.88, 0.93, "88 to 92", "#7A2E2A"),
    (0.93, 1.01, "93 and leaner", "#4A1817"),
)
"""Lean from, lean below, name and color of each class."""
DARK_FROM = 0.80
"""From here on a number on the class's color is written light."""


def lean_class(lean: float) -> str:
    """The name of the class that a lot of this lean belongs to."""
    return next(name for minimum, below, name, _ in LEAN_CLASSES if minimum <= lean < below)
