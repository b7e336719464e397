"""What all tests share: no deadline for one example, since a busy machine is no fault.

Where CI is set every run draws the same examples, so that a change is judged by itself; elsewhere
each run draws new ones.
"""

import os
from collections.abc import Iterator

import pytest
from hypothesis import settings

settings.register_profile("blend", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "blend")


@pytest.fixture(scope="module")
def searches_kept() -> Iterator[None]:
    """A plan of the demo in whole numbers takes seconds: it is searched for once."""
    from tests.tools.kept import searches_kept

    with searches_kept():
        yield
