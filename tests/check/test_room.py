"""The check shares no code with the model and the solver that it checks."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import blend.check


def test_the_check_loads_neither_model_nor_solver():
    modules = sorted(
        f"blend.check.{file.stem}"
        for file in Path(blend.check.__file__).parent.glob("*.py")
        if file.stem != "__init__"
    )
    code = (
        f"import sys, {', '.join(modules)}\n"
        "foreign = {'scipy', 'highspy', 'pulp'} & set(sys.modules)\n"
        "foreign |= {each for each in sys.modules if each.startswith('blend.model.')\n"
        "            and not each.startswith(('blend.model.rules', 'blend.model.constraints'))}\n"
        "sys.exit(', '.join(sorted(foreign)) or 0)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (run.returncode, run.stderr) == (0, "")
