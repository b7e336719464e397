"""Attacks take minutes, even as samples: `python -m pytest -m slow tests/attack`."""

from __future__ import annotations

from pathlib import Path

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The ordinary run holds what is quick of them."""
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents and item.get_closest_marker("slow"):
            item.add_marker(pytest.mark.long)
