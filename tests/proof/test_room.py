"""The proof shares nothing with what it proves."""

from __future__ import annotations

import subprocess
import sys


def test_the_proof_loads_neither_core_nor_solver():
    code = (
        "import sys, blend.proof.check, blend.proof.bound\n"
        "foreign = {'numpy', 'scipy', 'highspy', 'pulp', 'blend.core'} & set(sys.modules)\n"
        "sys.exit(', '.join(sorted(foreign)) or 0)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (run.returncode, run.stderr) == (0, "")
