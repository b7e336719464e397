"""The README's picture of the desk: `python -m tests.tools.desk_picture [FILE]`.

Serves a copy of the demo to headless Chromium and saves what a wide screen shows.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.desk.conftest import BROWSERS, DEMO, FLAGS

TARGET = DEMO / "desk.png"
WIDTH_PX, HEIGHT_PX = 1360, 860


def picture(target: Path = TARGET, page: str = "/grinder") -> None:
    """Save a picture of a page of the desk."""
    with tempfile.TemporaryDirectory() as folder:
        plant = Path(folder) / "demo_data"
        shutil.copytree(DEMO, plant)
        command = [sys.executable, "-c", "from blend.cli import main; main()", "desk", str(plant),
                   "--port", "0", "--no-browser"]  # fmt: skip
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as desk:
            try:
                assert desk.stdout is not None
                address = re.search(r"https?://\S+", desk.stdout.readline())
                assert address, "the desk did not start"
                _save(address[0], page, target)
            finally:
                desk.terminate()


def _save(address: str, page: str, target: Path) -> None:
    browser = next(found for each in BROWSERS if (found := shutil.which(each)))
    flags = [*FLAGS, "--no-sandbox"]
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=browser, args=flags)
        view = opened.new_page(viewport={"width": WIDTH_PX, "height": HEIGHT_PX})
        view.goto(address)
        if page != "/grinder":
            view.goto(re.sub(r"(https?://[^/]+).*", rf"\1{page}", address))
        view.wait_for_load_state("networkidle")
        view.wait_for_timeout(1_500)
        view.screenshot(path=target)
        opened.close()


if __name__ == "__main__":
    picture(Path(sys.argv[1]) if sys.argv[1:] else TARGET, *(sys.argv[2:3]))
