"""Coverage-guided fuzzing of every page of the desk, run by hand, for as long as you let it.

    python tests/attack/fuzz_pages.py -atheris_runs=10000 [-max_total_time=600] [CORPUS]
    python tests/attack/fuzz_pages.py FILE      repeats one input, and needs no `atheris`

It needs `atheris`. An input is up to `MAX_REQUESTS` requests, `BETWEEN` them; the bytes of
each are the draws of `tests/desk/requests.py`, in their order, and past their end each is the
plainest. After every input the desk is put back as it was. Without a CORPUS folder it begins from
what the pages themselves send. An input that fails is printed with its requests.
"""

from __future__ import annotations

import logging
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import wait
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch
from weakref import WeakSet

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

INSTRUMENTED = ["blend", "starlette", "python_multipart"]
PLAIN = [
    ".".join(path.relative_to(ROOT).with_suffix("").parts)
    for room in ("model", "check", "lean")
    for path in (ROOT / "blend" / room).rglob("*.py")
]
"""Loops over numbers, which would take most of the time; no text of a request is read there."""
NAMED = [each for each in sys.argv[1:] if not each.startswith("-")]
IS_GUIDED = __name__ == "__main__" and not (NAMED and Path(NAMED[0]).is_file())

if IS_GUIDED:
    import atheris

with atheris.instrument_imports(INSTRUMENTED, PLAIN) if IS_GUIDED else nullcontext():
    from blend.desk import trader_days
    from blend.desk.desk import WORK_FOLDER, Desk
    from blend.desk.jobs import Job
    from blend.desk.reporter_store import days_of
    from blend.trader.scenarios import ScenarioJob, ScenarioResults, run_scenarios
    from tests.desk.conftest import client_of
    from tests.desk.requests import NASTY, Draws, Requests, Sent
    from tests.desk.sound import pictures_left_out, small_place, sound_requests
    from tests.desk.test_attack import trouble_of

LONGEST_INPUT = 512
MAX_REQUESTS = 4
BETWEEN = b"||"
MAX_SCENARIOS = 20


class DrawsOfBytes(Draws):
    """Draws that are read off bytes: who changes a byte changes a draw. Past their end each is
    the plainest."""

    def __init__(self, data: bytes) -> None:
        super().__init__(0)
        self._left = data

    def random(self) -> float:
        return self._number(1, 255) / 256

    def getrandbits(self, k: int) -> int:
        return self._number(-(-k // 8)) % 2**k

    def _randbelow(self, n: int) -> int:
        """The base class draws all whole numbers by it."""
        return self._number(-(-max(1, (n - 1).bit_length()) // 8)) % n

    def sample(self, population: Sequence[Any], k: int) -> list[Any]:
        """The base class draws again what it has drawn before: past the end, for ever."""
        left = list(population)
        return [left.pop(self._randbelow(len(left))) for _ in range(k)]

    def text(self) -> str:
        """One of NASTY, or what stands in the bytes themselves."""
        place = self._number(1)
        if place < 128:
            return NASTY[place % len(NASTY)]
        size = self._number(1) % 64
        text, self._left = self._left[:size], self._left[size:]
        return text.decode("utf-8", "replace")

    def _number(self, size: int, otherwise: int = 0) -> int:
        taken, self._left = self._left[:size], self._left[size:]
        return int.from_bytes(taken, "little") if len(taken) == size else otherwise


Stamps = dict[Path, tuple[int, int]]
"""When each file was written, and its size."""


class SmallDesk:
    """A desk on a small plant in memory, the same again for every input."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.folder = folder
        self.answered: list[tuple[int, Sent]] = []
        """The last input's requests, and the statuses of their answers."""
        self._options = small_place(folder)
        self._begin()
        self._client = client_of(self.desk, follow_redirects=False)
        self._client.event_hooks = {"response": [lambda answer: self._got(answer.status_code)]}
        self._client.__enter__()  # one loop for all requests
        self.grammar = Requests(self._client.app)
        self._ask_first()
        self._end()
        self._kept = {path: path.read_bytes() for path in self._files()}
        self._begin()

    def _ask_first(self) -> None:
        """So that there is something to undo, and a note that was begun."""
        cell = {"row": "0", "column": "price", "text": "199"}
        note = {"day": "2025-09-30", "version": "1", "title": "Day's note", "since": ""}
        for path, fields in (("/tables/lots/cell", cell), ("/reporter/note/make", note)):
            answer = self._client.post(path, data=fields)
            assert answer.status_code in (200, 303), answer.text

    def _got(self, status: int) -> None:
        self._status = status

    # From input to input -------------------------------------------------------------------------

    def _begin(self) -> None:
        self.desk = Desk(**self._options)
        if hasattr(self, "_client"):
            self._client.app.state.desk = self.desk
        self._stood = self._standing()

    def _end(self) -> None:
        self.desk.close()

    def _standing(self) -> tuple[Any, ...]:
        """What shows whether anything changed since."""
        desk = self.desk
        of_desk = desk.book.book_id, desk.book.revision, dict(desk.journal.drafts)
        return *of_desk, desk.where_store, desk.is_changed_behind, self._stamps()

    def _stamps(self) -> Stamps:
        stats = ((path, path.stat()) for path in self._files())
        return {path: (stat.st_mtime_ns, stat.st_size) for path, stat in stats}

    def _files(self) -> list[Path]:
        walked = os.walk(self.folder)
        return [Path(folder, name) for folder, _, names in walked for name in names]

    def _put_back(self) -> None:
        standing = self._standing()
        if standing == self._stood:
            return
        self._end()
        touched = _apart(standing[-1], self._stood[-1])
        if not all(WORK_FOLDER in path.parts for path in touched):
            # what is remembered of a store goes by its place, where another will be
            days_of.cache_clear()
        for path in self._files():
            if path not in self._kept:
                path.unlink()
        for path, data in self._kept.items():
            if not path.is_file() or path.read_bytes() != data:
                path.write_bytes(data)
        self._begin()

    # One input -----------------------------------------------------------------------------------

    def requests(self, data: bytes) -> Iterator[tuple[Sent, bool]]:
        """Each request, made when the one before was answered as it hangs on the tables, and
        whether who sends it looks again only when long work is done."""
        for part in data.split(BETWEEN, MAX_REQUESTS - 1):
            draws = DrawsOfBytes(part)
            yield self.grammar.any(self.desk, draws), draws.random() >= 0.2

    def troubles(self, data: bytes) -> list[str]:
        """What is wrong with the answers to an input, and what it touched that it had not asked
        for; nothing where all is well."""
        self.answered.clear()
        troubles, asked_for, before = [], False, self._stamps()
        with short_work() as pace, _heard() as said, _touched_outside(self.folder) as touched:
            for sent, pace.is_patient in self.requests(data):
                self._status = 500
                trouble = trouble_of(self._client, self.desk, sent)
                self.answered.append((self._status, sent))
                troubles += [f"{trouble}: {sent}"] if trouble else []
                asked_for |= sent.url.startswith(("/save", "/reporter/store"))
            wait([job.future for job in self.desk.jobs._jobs.values()])
        troubles += [f"said: {each}" for each in said] + [f"touched: {each}" for each in touched]
        changed = _apart(before, self._stamps())
        if not asked_for:
            troubles += [f"changed: {path}" for path in changed if not self._may_change(path)]
        self._put_back()
        return troubles

    def _may_change(self, path: Path) -> bool:
        """What the desk keeps at any time: what is typed, and the store."""
        return WORK_FOLDER in path.parts or "desk.db" in path.name

    def sound(self) -> list[bytes]:
        """As inputs what the pages send, in the order in which it is found."""
        inputs, known = [], Counter[int]()
        for place, _ in sound_requests():
            inputs.append(bytes((place, 255, known[place])))
            known[place] += 1
        return inputs

    def close(self) -> None:
        self._client.__exit__()
        self._end()


def _apart(before: Stamps, after: Stamps) -> set[Path]:
    return {path for path in before.keys() | after if before.get(path) != after.get(path)}


# What an execution runs in -----------------------------------------------------------------------


@dataclass
class Pace:
    is_patient: bool = True


@contextmanager
def short_work() -> Iterator[Pace]:
    """Whether work is done by the time that a page is made hangs on the machine's load, so that
    it is waited for; an impatient client first hears that it is not done. Pictures are
    not drawn, and of scenarios a few: each takes seconds."""
    pace, seen = Pace(), WeakSet()

    def waited(job: Job, seconds: float) -> bool:
        wait([job.future])
        is_first = job not in seen
        seen.add(job)
        return pace.is_patient or not is_first

    def few(job: ScenarioJob, **how: Any) -> ScenarioResults:
        return run_scenarios(replace(job, draws=min(job.draws, MAX_SCENARIOS)), **how)

    with (
        pictures_left_out(),
        patch.object(Job, "wait", waited),
        patch.object(trader_days, "run_scenarios", few),
    ):
        yield pace


@contextmanager
def _heard() -> Iterator[list[str]]:
    """Errors that are logged within."""
    said: list[str] = []

    class Listener(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said.append(record.getMessage())

    listener = Listener(logging.ERROR)
    logging.getLogger().addHandler(listener)
    try:
        yield said
    finally:
        logging.getLogger().removeHandler(listener)


@contextmanager
def _touched_outside(folder: Path) -> Iterator[set[str]]:
    """What is written, renamed or removed within by Python itself, but for what is in `folder`;
    what is temporary goes there too."""
    global _watched
    touched: set[str] = set()
    temporary = folder / "temporary"
    temporary.mkdir(exist_ok=True)
    with patch.object(tempfile, "tempdir", str(temporary)):
        _watched = str(folder), touched
        try:
            yield touched
        finally:
            _watched = None


_watched: tuple[str, set[str]] | None = None
_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT
_MOVES = {"os.rename": 2, "os.remove": 1, "os.rmdir": 1, "os.mkdir": 1}
"""How many of its arguments are paths; the last, of each, is a folder that they are relative to."""


def _watch(call: str, about: tuple[Any, ...]) -> None:
    if _watched is None or (call != "open" and call not in _MOVES):
        return
    if call == "open":
        paths = about[:1] if about[2] & _WRITES else ()
    else:
        paths = about[: _MOVES[call]] if about[-1] < 0 else ()
    folder, touched = _watched
    for path in paths:
        if not isinstance(path, int) and not os.path.abspath(os.fsdecode(path)).startswith(folder):
            touched.add(f"{call} {path}")


sys.addaudithook(_watch)


# By hand -----------------------------------------------------------------------------------------


def report_of(desk: SmallDesk, data: bytes) -> str:
    """An input, what was sent and answered, and what is wrong with that."""
    troubles = desk.troubles(data)
    answered = [f"{status} {sent}" for status, sent in desk.answered]
    return "\n".join([repr(data), *answered, *(troubles or ["all is well"])])


def write_corpus(desk: SmallDesk, folder: Path) -> None:
    """What the pages send: each request alone, and after those that were found before it."""
    inputs = desk.sound()
    for number, data in enumerate(inputs):
        before = inputs[max(0, number - MAX_REQUESTS + 1) : number]
        (folder / f"{number:03}").write_bytes(data)
        (folder / f"{number:03}_after").write_bytes(BETWEEN.join([*before, data]))


def main() -> None:
    memory = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with tempfile.TemporaryDirectory(prefix="fuzz_", dir=memory) as folder:
        desk = SmallDesk(Path(folder) / "desk")
        if IS_GUIDED:
            guided(desk, Path(folder) / "corpus")
        for name in NAMED:
            print(report_of(desk, Path(name).read_bytes()))


def guided(desk: SmallDesk, corpus: Path) -> None:
    def run_once(data: bytes) -> None:
        if desk.troubles(data):
            raise AssertionError(report_of(desk, data))

    arguments = [sys.argv[0], f"-max_len={LONGEST_INPUT}", "-len_control=0", *sys.argv[1:]]
    if not NAMED:
        corpus.mkdir()
        write_corpus(desk, corpus)
        arguments.append(str(corpus))
    atheris.Setup(arguments, run_once)
    atheris.Fuzz()  # it ends the process


if __name__ == "__main__":
    main()
