"""Stores to test with: an SQLite file, and a PostgreSQL server of the tests' own.

PostgreSQL is used where its programs are found, or where BLEND_TEST_POSTGRES gives a URL; nothing
is installed. The server listens on a socket in a temporary folder only, does not wait for the
disk, and dies with the process that started it.
"""

from __future__ import annotations

import glob
import itertools
import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import pytest

from blend.store import Store

_FOLDERS = (
    "/usr/lib/postgresql/*/bin",
    "/usr/local/pgsql/bin",
    "/opt/homebrew/opt/postgresql*/bin",
)
_names = (f"market_{number}" for number in itertools.count())


@pytest.fixture(scope="session")
def postgres():
    """The URL of a server; tests that need it are skipped where there is none."""
    pytest.importorskip("psycopg", reason="psycopg is not installed: pip install '.[postgres]'")
    if url := os.environ.get("BLEND_TEST_POSTGRES"):
        yield url
        return
    programs = _programs()
    if programs is None:
        pytest.skip("no PostgreSQL programs here, and BLEND_TEST_POSTGRES gives no URL")
    folder = Path(tempfile.mkdtemp(prefix="blend-", dir="/tmp"))  # a socket's path must be short
    as_owner = _as_owner(folder)
    subprocess.run(
        [*as_owner, programs / "initdb", "-D", folder / "data", "-U", "blend", "-A", "trust",
         "-E", "UTF8", "--no-locale", "--no-sync"],
        check=True, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    options = ["-c", "listen_addresses=", "-c", "fsync=off", "-k", folder]
    with subprocess.Popen(
        [*as_owner, programs / "postgres", "-D", folder / "data", *options],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    ) as server:  # fmt: skip
        try:
            url = f"postgresql://blend@/postgres?host={folder}"
            _wait_for(url)
            yield url
        finally:
            server.terminate()
            shutil.rmtree(folder, ignore_errors=True)


def _programs() -> Path | None:
    found = [Path(each) for pattern in _FOLDERS for each in sorted(glob.glob(pattern))]
    found += [Path(each).parent for each in (shutil.which("initdb"),) if each]
    return next((each for each in reversed(found) if (each / "initdb").exists()), None)


def _as_owner(folder: Path) -> list[str]:
    """The server refuses to run as root, and should not outlive the tests."""
    if not shutil.which("setpriv"):
        return []
    if os.getuid() != 0:
        return ["setpriv", "--pdeathsig", "QUIT", "--"]
    shutil.chown(folder, "postgres")
    return ["setpriv", "--reuid=postgres", "--regid=postgres", "--init-groups",
            "--pdeathsig", "QUIT", "--"]  # fmt: skip


def _wait_for(url: str) -> None:
    import psycopg

    for _ in range(200):
        try:
            psycopg.connect(url).close()
            return
        except psycopg.OperationalError:
            time.sleep(0.05)
    raise TimeoutError("the PostgreSQL server of the tests did not start")


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request, tmp_path):
    """The address of a store that is not made yet, on either engine."""
    if request.param == "sqlite":
        return str(tmp_path / "market.db")
    return new_schema(request.getfixturevalue("postgres"))


@pytest.fixture
def store(where):
    with Store.create(where) as store:
        yield store


def new_schema(server: str) -> str:
    """A store's own schema, which is far cheaper than a database of its own."""
    import psycopg

    name = next(_names)
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"CREATE SCHEMA {name}")
    return f"{server}&options=-csearch_path%3D{name}"
