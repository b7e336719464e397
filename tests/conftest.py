"""What all tests share: no deadline for one example, since a busy machine is no fault.

Where CI is set every run draws the same examples, so that a change is judged by itself; elsewhere
each run draws new ones.
"""

import os

from hypothesis import settings

settings.register_profile("blend", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "blend")
