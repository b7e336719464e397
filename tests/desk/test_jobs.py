"""Long work: one at a time for one question, ended when superseded, reported when it fails; and
the desk ends when asked."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from starlette.routing import Route

from blend.desk import pages
from blend.desk.app import serve
from blend.desk.desk import Desk
from blend.desk.jobs import Jobs
from blend.desk.pages import file_response, in_time, view, working_or
from blend.errors import FileTrouble
from tests.desk.conftest import DEMO, demo_folder
from tests.desk.killed import PROCESSES
from tests.desk.test_journal import type_in


@pytest.fixture
def jobs():
    made = Jobs()
    yield made
    made.close(5)


@pytest.fixture
def desk(tmp_path):
    opened = Desk(demo_folder(tmp_path))
    yield opened
    opened.close(5)


def until_stopped(job) -> str:
    while not job.is_stopped():
        time.sleep(0.005)
    return "stopped"


def test_what_was_asked_before_is_answered_from_before(jobs):
    ran = []
    for _ in range(3):
        job = jobs.ask("key", "counting", lambda job: ran.append(1) or len(ran))
        assert job.result() == 1
    assert jobs.ask("other", "counting", lambda job: "other").result() == "other"


@pytest.mark.parametrize("can_stop", [True, False])
def test_only_work_that_can_stop_offers_to(client, monkeypatch, can_stop):
    end = threading.Event()

    def slow(desk, request, form):
        job = desk.ask("slow", can_stop, about="Slow", work=lambda job: end.wait(10),
                       can_stop=can_stop)  # fmt: skip
        return working_or(desk, request, job, lambda done: None, title="Slow")

    route = Route("/slow", view(slow))
    monkeypatch.setattr(client.app.router, "routes", [route, *client.app.router.routes])
    try:
        assert ("Stop with the best so far" in client.get("/slow").text) == can_stop
        assert ("Stopping" in client.get("/slow?stop=1").text) == can_stop
    finally:
        end.set()


def test_a_file_is_waited_for_so_long_and_then_has_a_link(client, monkeypatch):
    end = threading.Event()

    def file(desk, request, form):
        job = desk.ask("file", about="Counting sheep", work=lambda job: end.wait(10))
        return file_response("sheep.csv", str(in_time(request, job)).encode())

    route = Route("/sheep", view(file))
    monkeypatch.setattr(client.app.router, "routes", [route, *client.app.router.routes])
    monkeypatch.setattr(pages, "FILE_SECONDS", 0.05)
    looks_again = {"desk-part": "true"}
    try:
        answer = client.get("/sheep")
        assert answer.status_code == 503 and "Counting sheep" in answer.text
        assert answer.headers["retry-after"] == "5"
        look = client.get("/sheep", headers=looks_again)
        assert look.status_code == 200 and "Counting sheep" in look.text
    finally:
        end.set()
    ready = client.get("/sheep", headers=looks_again)
    assert 'href="/sheep"' in ready.text and "data-look" not in ready.text
    assert client.get("/sheep").text == "True"


def test_an_error_within_work_becomes_a_page(client, monkeypatch):
    from blend.desk import grinder_plan

    def fails(*given, **named):
        raise FileTrouble("the disk is full")

    monkeypatch.setattr(Desk, "case", fails)
    answer = client.get("/grinder/plan?run=yes")
    assert answer.status_code == 409
    assert "the disk is full" in answer.text
    assert grinder_plan


def test_an_edit_ends_the_work_on_what_was_before(desk):
    older = desk.ask("search", about="searching", work=until_stopped)
    assert desk.ask("search", about="searching", work=until_stopped) is older
    assert not older.wait(0.05)
    type_in(desk, "199")
    assert older.is_superseded and older.result() == "stopped"
    younger = desk.ask("search", about="searching", work=lambda job: "fresh")
    assert younger is not older and younger.result() == "fresh"
    done = younger
    desk.undo()
    assert not done.is_superseded, "what is done is only left behind"


def test_work_that_waits_for_its_turn_is_not_begun_when_superseded(desk):
    ran = []
    running = [desk.ask("search", n, about="x", work=until_stopped) for n in range(2)]
    waiting = [desk.ask("later", n, about="x", work=ran.append) for n in range(5)]
    type_in(desk, "199")
    assert [job.result() for job in running] == ["stopped"] * 2
    assert all(job.wait(5) for job in waiting)
    assert not ran
    with pytest.raises(FileTrouble, match="have changed since"):
        waiting[0].result()


def test_work_that_hangs_on_nothing_typed_goes_on(desk):
    job = desk.jobs.ask("market", "reading", until_stopped)
    type_in(desk, "199")
    assert not job.is_superseded and not job.is_stopped()
    job.stop()
    assert job.result() == "stopped"


def test_an_answer_begun_before_an_edit_is_not_taken_for_one_after_it(desk):
    """A page reads the case, another window edits, the page asks for work on what it read."""
    with desk.as_of_now():
        case = desk.case()
        type_in(desk, "199")
        old = desk.ask("search", about="x", work=lambda job: case)
        assert old.result() is case
    with desk.as_of_now():
        now = desk.case()
        assert desk.ask("search", about="x", work=lambda job: now).result() is now is not case


def test_taking_the_folder_brings_no_old_answers_back(desk):
    first = desk.ask("search", about="x", work=lambda job: "first")
    assert first.result() == "first"
    desk.take_folder()
    assert desk.ask("search", about="x", work=lambda job: "second").result() == "second"


def test_closing_tells_whether_all_has_ended(tmp_path):
    jobs = Jobs()
    jobs.ask("polite", "x", until_stopped)
    assert jobs.close(5)
    jobs, over = Jobs(), threading.Event()
    jobs.ask("deaf", "x", lambda job: over.wait(20))
    assert not jobs.close(0.05)
    over.set()


# The command -------------------------------------------------------------------------------------


def search_and_serve(folder: Path, told, deaf: bool) -> None:
    signal.signal(signal.SIGINT, signal.default_int_handler)
    desk = Desk(folder)
    desk.ask("search", about="x", work=(lambda job: time.sleep(60)) if deaf else until_stopped)
    serve(desk, host="127.0.0.1", port=0, ready=told.send)
    os._exit(77 if deaf else 0)


@pytest.mark.parametrize("deaf", [False, True])
def test_the_desk_ends_while_a_search_runs(tmp_path, deaf):
    """Also a search that does not look whether it is stopped."""
    heard, told = PROCESSES.Pipe(duplex=False)
    process = PROCESSES.Process(target=search_and_serve, args=(demo_folder(tmp_path), told, deaf))
    process.start()
    assert "key=" in heard.recv()
    time.sleep(0.5)
    began = time.monotonic()
    os.kill(process.pid, signal.SIGINT)
    process.join(20)
    assert process.exitcode == 0
    assert time.monotonic() - began < 10, "a second or two on a machine that is not busy"


def started(*words: str) -> subprocess.Popen:
    return subprocess.Popen(
        [
            sys.executable,
            "-c",
            "from blend.cli import main; main()",
            "desk",
            *words,
            "--no-browser",
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


@pytest.mark.slow
def test_ctrl_c_ends_the_command_cleanly(tmp_path):
    process = started(str(demo_folder(tmp_path)), "--port", "0")
    assert process.stdout.readline().startswith("Desk: http://127.0.0.1:")
    time.sleep(1)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=30)
    assert process.returncode in (0, 130)
    assert "Traceback" not in err and "Error" not in err


@pytest.mark.slow
def test_a_port_in_use_is_told(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        _, err = (process := started(str(demo_folder(tmp_path)), "--port", port)).communicate()
    assert process.returncode == 1
    assert f"127.0.0.1 port {port}" in err and "name another --port" in err
    assert "Traceback" not in err


def test_hosts_that_cannot_be_had_are_told(desk):
    for host in ("192.0.2.1", "no.such.host.invalid", "..", "x" * 300, "[::g]"):
        with pytest.raises(FileTrouble, match="name another --port"):
            serve(desk, host=host, port=0, ready=print)


def test_the_demo_is_left_as_it_was():
    assert not (DEMO / ".blend_desk").exists()


def test_what_work_raises_is_told_where_its_result_is_asked_for(jobs):
    def fails(job):
        raise FileTrouble("no such store")

    job = jobs.ask("key", "failing", fails)
    assert job.wait(5)
    with pytest.raises(FileTrouble, match="no such store"):
        job.result()
