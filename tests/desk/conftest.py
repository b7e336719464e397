"""A desk to test with: in this process, served on a port, and in a browser."""

from __future__ import annotations

import atexit
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from blend.cli import main
from blend.desk.app import LOOPBACK, desk_app, listen, server_of
from blend.desk.desk import Desk

DEMO = Path(__file__).parents[2] / "demo_data"
KEY = "the-key-of-a-test"
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
STORE_FROM = "2026-09-01"
FLAGS = [
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


DAYS = (
    "test_editing_by_keyboard_pasting_dragging_and_undoing",
    "test_the_trader_s_day",
    "test_the_reporters_day",
)
"""One day of each person in the browser, in the ordinary run."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A browser takes seconds to start: whatever else uses one is slow."""
    here = Path(__file__).parent
    for item in items:
        uses_one = here in item.path.parents and "browser" in getattr(item, "fixturenames", ())
        if uses_one and item.name.split("[")[0] not in DAYS:
            item.add_marker(pytest.mark.slow)


# Folders -----------------------------------------------------------------------------------------


@cache
def filled_store() -> Path:
    """A store of the demo's last months, with which a page takes a tenth of the time; made once by
    each process that tests; to copy, not to use."""
    folder = Path(tempfile.mkdtemp(prefix="blend-store-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    store, history = folder / "desk.db", folder / "history"
    shutil.copytree(DEMO / "history", history)
    header, *rows = (history / "canvass.csv").read_text("utf-8").splitlines(keepends=True)
    recent = [row for row in rows if row.split(",")[2] >= STORE_FROM]
    (history / "canvass.csv").write_text("".join([header, *recent]), "utf-8")
    words = ["canvass", "import", str(history), "--store", str(store)]
    main(words, standalone_mode=False)
    return store


def demo_folder(tmp_path: Any) -> Path:
    """A copy of demo_data to edit, in a place of its own; a factory of such places will do."""
    make = getattr(tmp_path, "mktemp", None)
    parent = make("desk") if make else Path(tempfile.mkdtemp(prefix="desk-", dir=tmp_path))
    folder = parent / "plant"
    shutil.copytree(DEMO, folder)
    return folder


def desk_options(folder: Path, *, with_store: bool = True) -> dict[str, Any]:
    """What a desk on a copy of demo_data is opened with, its store next to it."""
    options: dict[str, Any] = {
        "market": folder / "history" / "market",
        "before": folder / "week_before",
    }
    if with_store:
        store = folder.parent / "desk.db"
        if not store.exists():
            shutil.copy(filled_store(), store)
        options["store"] = str(store)
    return options


# A served desk -----------------------------------------------------------------------------------


@dataclass
class Served:
    """A desk on a port. `desk` is None where it runs in a process of its own, `process` where it
    does not."""

    folder: Path
    origin: str
    first_key: str = ""
    desk: Desk | None = None
    process: subprocess.Popen[str] | None = None
    _server: Any = None
    _thread: threading.Thread | None = None
    session: str = KEY

    @property
    def address(self) -> str:
        """Lets a browser in, once."""
        opening = None if self._server is None else self._server.config.app.state.opening
        return f"{self.origin}/?key={self.first_key if opening is None else opening.new()}"

    @property
    def port(self) -> int:
        return int(self.origin.rsplit(":", 1)[1])

    @property
    def headers(self) -> dict[str, str]:
        """What a browser's own page sends with each request, for clients without a browser."""
        return {"origin": self.origin, "cookie": f"desk_{self.port}={self.session}"}

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.communicate()
        if self._server is not None:
            self._server.should_exit = self._server.force_exit = True
            self._thread.join(10)
            assert not self._thread.is_alive(), "the server does not end"
        if self.desk is not None:
            self.desk.close()


def start_desk(
    tmp_path: Any,
    *,
    folder: Path | None = None,
    port: int = 0,
    own_process: bool = False,
    key: str = KEY,
    **options: Any,
) -> Served:
    """Serve a desk on a copy of demo_data (or on `folder` as it is); the caller stops it.

    `own_process` runs `blend desk` itself, to be killed; otherwise a thread serves it. `options`
    go to the desk in the place of a filled store, the demo's market and the week before
    (store=None: none).
    """
    folder = folder or demo_folder(tmp_path)
    chosen = desk_options(folder, with_store="store" not in options) | options
    if own_process:
        return _in_process(folder, port, chosen)
    desk = Desk(folder, **chosen)
    listening = listen("127.0.0.1", port)
    port = listening.getsockname()[1]
    server = server_of(desk, key=key, names=LOOPBACK, port=port)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    until = time.monotonic() + 10
    while not server.started:
        assert thread.is_alive() and time.monotonic() < until, "the server does not start"
        time.sleep(0.01)
    origin = f"http://127.0.0.1:{port}"
    return Served(folder, origin, "", desk, None, server, thread, key)


def _in_process(folder: Path, port: int, options: dict[str, Any]) -> Served:
    words = ["desk", str(folder), "--no-browser", "--port", str(port)]
    for name, given in options.items():
        words += [f"--{name}", str(given)] if given is not None else []
    process = subprocess.Popen(
        [sys.executable, "-c", "from blend.cli import main; main()", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    atexit.register(process.kill)  # an interrupted run leaves no server behind
    line = process.stdout.readline()
    if not line.startswith("Desk: "):
        process.kill()
        raise AssertionError(line + process.stderr.read())
    origin, key = line.removeprefix("Desk: ").strip().split("/?key=")
    return Served(folder, origin, key, None, process)


@pytest.fixture
def served(tmp_path) -> Iterator[Served]:
    """A served desk of this test's own."""
    made = start_desk(tmp_path)
    yield made
    made.stop()


@pytest.fixture
def desk_address(served) -> str:
    """The address that lets in to a served desk of this test's own."""
    return served.address


@pytest.fixture
def client(tmp_path) -> Iterator[TestClient]:
    """A client in this process, let in; `client.app.state.desk` is its desk."""
    folder = demo_folder(tmp_path)
    desk = Desk(folder, **desk_options(folder))
    yield client_of(desk)
    desk.close()


def client_of(desk: Desk, **options: Any) -> TestClient:
    """A client of a desk, let in, that says what a browser says of its own pages."""
    app = desk_app(desk, key=KEY, hosts=("testserver",))
    return TestClient(
        app, cookies={"desk": KEY}, headers={"origin": "http://testserver"}, **options
    )


# A browser ---------------------------------------------------------------------------------------


def browser_path() -> str | None:
    named = os.environ.get("BLEND_CHROMIUM")
    return named or next((path for each in BROWSERS if (path := shutil.which(each))), None)


@pytest.fixture(scope="session")
def browser():
    """A browser to test in; tests that need it are skipped where there is none."""
    reason = "playwright is not installed: pip install '.[test]'"
    api = pytest.importorskip("playwright.sync_api", reason=reason)
    path = browser_path()
    if path is None:
        pytest.skip("no Chromium: install one, or name it in BLEND_CHROMIUM")
    # in its own sandbox Chromium does not run as root
    as_root = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    with api.sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=FLAGS + as_root)
        yield opened
        opened.close()


def watched(page) -> list[str]:
    """What goes wrong on a page from now on: errors of its scripts, and what its console says."""
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on(
        "console",
        lambda said: faults.append(said.text) if said.type in ("error", "warning") else None,
    )
    return faults


_COUNT = """for (const type of ["keydown", "pointerdown"]) addEventListener(type, ({repeat}) => {
    if (!repeat) sessionStorage[type] = Number(sessionStorage[type] ?? 0) + 1;
}, true);"""


def counted(page) -> None:
    """Count keys and clicks from now on, across pages."""
    page.add_init_script(_COUNT)
    page.reload()


def keys_and_clicks(page) -> tuple[int, int]:
    """Since the last time this was asked."""
    return tuple(
        page.evaluate(
            """() => ["keydown", "pointerdown"].map((type) => {
                const count = Number(sessionStorage[type] ?? 0);
                delete sessionStorage[type];
                return count;
            })"""
        )
    )


_SETTLED = """() => document.readyState === 'complete'
    && (document.body.dataset.ready || !document.querySelector('#status'))
    && !document.querySelector(`body[data-busy], #connection:not([hidden]), .working,
    [data-loading], [data-sending]`)"""


def settled(page) -> None:
    """Wait until the page is there whole, everything typed is answered, and long work is done."""
    page.wait_for_function(_SETTLED, timeout=120_000)


@pytest.fixture
def browser_page(browser, desk_address):
    """A page of a served desk, let in; the test fails where a script or the console reports
    trouble."""
    context = browser.new_context(viewport={"width": 1400, "height": 900})
    page = context.new_page()
    page.set_default_timeout(15_000)
    faults = watched(page)
    page.goto(desk_address)
    yield page
    context.close()
    assert not faults, faults
