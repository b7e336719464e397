"""The proof shares nothing with what it proves."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import blend.check


def test_the_proof_loads_neither_core_nor_solver():
    modules = sorted(
        f"blend.check.{file.stem}"
        for file in Path(blend.check.__file__).parent.glob("*.py")
        if file.stem != "__init__"
    )
    code = (
        f"import sys, {', '.join(modules)}\n"
        "foreign = {'numpy', 'scipy', 'highspy', 'pulp', 'blend.model'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(foreign)) or 0)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (run.returncode, run.stderr) == (0, "")
