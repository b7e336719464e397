"""Writes everything once, so that a process forked after it has everything loaded.

Not pictures: their engine starts threads, which a fork does not take along.
"""

from pathlib import Path
from tempfile import TemporaryDirectory

from tests.attack.killing import ADDING, REPLACING, draw_picture

for deed in {*REPLACING, *ADDING} - {draw_picture}:
    with TemporaryDirectory() as folder:
        for number in (0, 1):
            deed(Path(folder), number)
