"""Stores to test with: an SQLite file, and a PostgreSQL server of the tests' own."""

from __future__ import annotations

import itertools
import subprocess
import tempfile
from pathlib import Path

import pytest

from blend.store import Store

SCRIPT = Path(__file__).with_name("postgres.sh")
_NO_SERVER = 77
_names = (f"market_{number}" for number in itertools.count())


@pytest.fixture(scope="session")
def postgres():
    """The URL of a server, started once; tests that need it are skipped where there is none."""
    pytest.importorskip("psycopg", reason="psycopg is not installed: pip install '.[postgres]'")
    folder = tempfile.mkdtemp(prefix="blend-", dir="/tmp")  # A socket's path must be short.
    started = subprocess.run([SCRIPT, "start", folder], capture_output=True, text=True, check=False)
    if started.returncode == _NO_SERVER:
        pytest.skip(started.stderr.strip().splitlines()[-1])
    assert started.returncode == 0, started.stderr
    yield started.stdout.strip()
    subprocess.run([SCRIPT, "stop", folder], check=True)


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
