"""Writes everything once, so that a process forked after it has everything loaded."""

from pathlib import Path
from tempfile import TemporaryDirectory

from tests.attack.killing import ADDING, REPLACING

for deed in (*REPLACING, *ADDING):
    with TemporaryDirectory() as folder:
        for number in (0, 1):
            deed(Path(folder), number)
