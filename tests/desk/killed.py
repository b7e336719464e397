"""A desk in a process that is killed: forked from one that has all imported, so that it serves
within milliseconds."""

from __future__ import annotations

import multiprocessing
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

from blend.desk.app import serve
from blend.desk.desk import Desk

PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["tests.desk.killed"])


def run(folder: Path, port: int, told: Connection) -> None:
    serve(Desk(folder), host="127.0.0.1", port=port, ready=told.send)


def started(folder: Path, port: int = 0) -> tuple[BaseProcess, str]:
    """The process and the address that lets in."""
    heard, told = PROCESSES.Pipe(duplex=False)
    process = PROCESSES.Process(target=run, args=(folder, port, told), daemon=True)
    process.start()
    told.close()
    return process, heard.recv()
