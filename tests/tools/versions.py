"""Run the tests on the lowest and on the newest versions that pyproject.toml allows.

    python -m tests.tools.versions [--python PYTHON]... [PYTEST OPTIONS]

Each Python named (else the one running) gets two new environments in a temporary folder, made by
uv: one with the lower bound of every dependency and extra, one with the newest release of each.
Golden screens are left out: another version of the solver may choose another of two plans alike.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
GOLDEN = ["tests/golden/test_golden.py", "tests/golden/test_documents.py"]
RESOLUTIONS = {"lowest": "lowest-direct", "newest": "highest"}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--python", action="append", help="a Python to test on; may be repeated")
    parser.add_argument("--only", choices=RESOLUTIONS, help="only the lowest or only the newest")
    asked, pytest_options = parser.parse_known_args()
    failed = []
    for python in asked.python or [sys.executable]:
        for name in [asked.only] if asked.only else RESOLUTIONS:
            print(f"{python}, {name} versions", flush=True)
            if tested(python, RESOLUTIONS[name], pytest_options):
                failed.append(f"{python}, {name} versions")
    sys.exit(f"Failed: {'; '.join(failed)}" if failed else 0)


def tested(python: str, resolution: str, pytest_options: list[str]) -> int:
    """The exit code of the tests in a new environment."""
    with tempfile.TemporaryDirectory() as folder:
        venv = Path(folder) / "venv"
        here = venv / ("Scripts" if os.name == "nt" else "bin") / "python"
        uv("venv", "--quiet", "--python", python, str(venv))
        uv("pip", "install", "--python", str(here), "--resolution", resolution,
           "--editable", f"{ROOT}[dev]")  # fmt: skip
        ignored = [f"--ignore={path}" for path in GOLDEN]
        command = [str(here), "-m", "pytest", "-q", *ignored, *pytest_options]
        return subprocess.run(command, cwd=ROOT).returncode


def uv(*arguments: str) -> None:
    subprocess.run([sys.executable, "-m", "uv", *arguments], check=True)


if __name__ == "__main__":
    main()
