"""The README and the guide show what the commands print today, and the README's Python runs."""

from __future__ import annotations

import re

import pytest

from tests.golden.documents import DOCUMENTS, current, in_a_copy_of_the_demo
from tests.golden.runner import ROOT

MAX_README_WORDS = 950
pytestmark = pytest.mark.usefixtures("searches_kept")


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda each: each.name)
def test_blocks_are_current(document):
    assert document.read_text("utf-8") == current(document), "python -m tests.golden.documents"


def test_the_readme_is_read_in_four_minutes():
    prose = re.sub(r"```.*?```", "", (ROOT / "README.md").read_text("utf-8"), flags=re.DOTALL)
    assert len(prose.split()) <= MAX_README_WORDS


def test_the_readmes_python_runs():
    text = (ROOT / "README.md").read_text("utf-8")
    (block,) = re.findall(r"^```python\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    with in_a_copy_of_the_demo():
        exec(block, {})
