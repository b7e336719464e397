"""Workbooks from anyone: unpacked within limits, and large ones read in a child process.

A workbook is a zip file, and 50 kB of it can unpack to what takes gigabytes to read. Every part is
unpacked once within limits on size, ratio and number, without keeping it, since the sizes that
the file states of itself may be a lie. What is small then is read at once; anything larger is
read in a child process that has limits on time and memory.
"""

from __future__ import annotations

import io
import os
import pickle
import subprocess
import sys
import warnings
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from decimal import Decimal
from threading import Timer
from typing import IO, Any, Protocol
from xml.parsers import expat

from blend.errors import FileTrouble
from blend.tables.cells import Cell, Uncalculated

MAX_UNPACKED_BYTES = 200_000_000
MAX_PARTS = 1_000
MAX_RATIO = 200
_RATIO_FROM_BYTES = 10_000_000
"""Real sheets of many like rows shrink a hundredfold; small parts may shrink by more."""
MAX_ROWS = 200_000
MAX_CELLS = 10_000_000
MAX_MERGED = 1_000
"""No plant's day is that large: more is a slip, or meant to do harm."""
_SHEETS = "xl/worksheets/"
_SMALL_BYTES, _SMALL_OTHER_BYTES, _SMALL_CELLS = 4_000_000, 200_000, 1_000_000
"""Up to so much in sheets and so much in all other parts (styles, names, texts) a workbook is read
at once: by measurement that takes no more than 200 MB and 2 s, whatever it holds."""
MAX_SECONDS, MAX_MEMORY_BYTES = 5.0, 1_500_000_000
_CHUNK_BYTES = 1 << 20
_LOCAL_HEADER_BYTES = 30
_TOO_LARGE = "{file}: takes too much time or memory to read. Save the table as CSV UTF-8."


@dataclass(frozen=True, slots=True)
class SheetContent:
    """One sheet: its cells as shown, merged ranges such as N4:N7, numbers of hidden rows."""

    rows: list[list[Cell]]
    merged: tuple[str, ...]
    hidden: tuple[int, ...]
    is_visible: bool


class Book(Protocol):
    """An opened workbook."""

    def sheets(self) -> list[str]: ...

    def content(self, sheet: str) -> SheetContent: ...


def open_book(data: bytes, file: str) -> Book:
    """A workbook, within limits on its size. Raises FileTrouble."""
    with damage_as_trouble(file):
        in_sheets, others = _unpacked_bytes(data, file)
        if in_sheets <= _SMALL_BYTES and others <= _SMALL_OTHER_BYTES:
            return _OpenBook(data, file, min(MAX_CELLS, _SMALL_CELLS))
    return _ChildBook(data, file)


def must_be_harmless(data: bytes, file: str) -> None:
    """Raise FileTrouble where a workbook is too large to read at once."""
    with damage_as_trouble(file):
        in_sheets, others = _unpacked_bytes(data, file)
        if in_sheets > _SMALL_BYTES or others > _SMALL_OTHER_BYTES:
            raise FileTrouble(_TOO_LARGE.format(file=file))


@contextmanager
def damage_as_trouble(file: str) -> Iterator[None]:
    """openpyxl names no error for damaged files, so whatever it raises is taken for damage."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except (FileTrouble, ImportError):
        raise
    except Exception as error:
        raise FileTrouble(
            f"{file}: not an .xlsx workbook, or damaged, or locked by a password"
        ) from error


def _unpacked_bytes(data: bytes, file: str) -> tuple[int, int]:
    """What the sheets and what all other parts really unpack to, counted as far as the limits."""
    total = {True: 0, False: 0}
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        parts = archive.infolist()
    if len(parts) > MAX_PARTS:
        raise FileTrouble(f"{file}: more than {MAX_PARTS:,} parts")
    for part in parts:
        size = 0
        for size in _sizes(data, part):
            if sum(total.values()) + size > MAX_UNPACKED_BYTES:
                raise FileTrouble(f"{file}: unpacks to more than {MAX_UNPACKED_BYTES:,} bytes")
            if size > _RATIO_FROM_BYTES and size > MAX_RATIO * max(1, part.compress_size):
                raise FileTrouble(f"{file}: unpacks to more than {MAX_RATIO} times its size")
        total[part.filename.startswith(_SHEETS)] += size
    return total[True], total[False]


def _sizes(data: bytes, part: zipfile.ZipInfo) -> Iterator[int]:
    """How much of a part has been unpacked so far, chunk by chunk."""
    header = data[part.header_offset : part.header_offset + _LOCAL_HEADER_BYTES]
    name, extra = (int.from_bytes(header[at : at + 2], "little") for at in (26, 28))
    start = part.header_offset + _LOCAL_HEADER_BYTES + name + extra
    packed = memoryview(data)[start : start + part.compress_size]
    if part.compress_type == zipfile.ZIP_STORED:
        yield len(packed)
        return
    if part.compress_type != zipfile.ZIP_DEFLATED:
        raise zipfile.BadZipFile("packed in a way that workbooks are not")
    unpacker, size = zlib.decompressobj(-zlib.MAX_WBITS), 0
    rest: bytes | memoryview = packed
    while rest and not unpacker.eof:
        size += len(unpacker.decompress(rest, _CHUNK_BYTES))
        yield size
        rest = unpacker.unconsumed_tail


# In this process --------------------------------------------------------------------------------


class _OpenBook:
    """A workbook read row by row."""

    def __init__(self, data: bytes, file: str, max_cells: int = MAX_CELLS) -> None:
        self._data = data
        self._file = file
        self._max_cells = max_cells
        with damage_as_trouble(file):
            self._formulas = self._load(data_only=False)

    def _load(self, data_only: bool) -> Any:
        from openpyxl import load_workbook

        return load_workbook(io.BytesIO(self._data), read_only=True, data_only=data_only)

    def sheets(self) -> list[str]:
        return [sheet.title for sheet in self._formulas.worksheets]

    def content(self, sheet: str) -> SheetContent:
        with damage_as_trouble(self._file):
            rows = []
            formulas: dict[tuple[int, int], str] = {}
            for number, cells in enumerate(self._rows(self._formulas[sheet])):
                rows.append([_as_shown(cell) for cell in cells])
                for place, cell in enumerate(cells):
                    if cell.data_type == "f":
                        formulas[number, place] = str(getattr(cell.value, "text", cell.value))
            if formulas:
                self._put_results(sheet, rows, formulas)
            merged, hidden = self._merged_and_hidden(sheet)
            is_visible = self._formulas[sheet].sheet_state == "visible"
            return SheetContent(rows, merged, hidden, is_visible)

    def _merged_and_hidden(self, sheet: str) -> tuple[tuple[str, ...], tuple[int, ...]]:
        """A workbook opened row by row does not give them."""
        ranges: list[str] = []
        hidden: list[int] = []

        def note(name: str, attributes: Mapping[str, str]) -> None:
            element = name.rpartition(":")[2]
            if element == "mergeCell":
                ranges.append(attributes["ref"])
                if len(ranges) > MAX_MERGED:
                    raise FileTrouble(f"{self._file}: more than {MAX_MERGED} merged ranges")
            elif element == "row" and attributes.get("hidden") in ("1", "true"):
                hidden.append(int(attributes.get("r", 0)))

        parser = expat.ParserCreate()
        parser.StartElementHandler = note
        with self._formulas[sheet]._get_source() as part:
            parser.ParseFile(part)
        return tuple(ranges), tuple(hidden[:MAX_ROWS])

    def _rows(self, sheet: Any) -> Iterator[tuple[Any, ...]]:
        # The size that a sheet states of itself can be wrong, or a trap.
        sheet.reset_dimensions()
        cells_so_far = 0
        for number, cells in enumerate(sheet.iter_rows(), 1):
            cells_so_far += len(cells)
            if cells_so_far > self._max_cells:
                raise FileTrouble(f"{self._file}: more than {self._max_cells} cells in a sheet")
            yield cells
            if number > MAX_ROWS:
                return

    def _put_results(
        self, sheet: str, rows: list[list[Cell]], formulas: dict[tuple[int, int], str]
    ) -> None:
        """Put the saved result in the place of each formula, or say that there is none."""
        results = self._load(data_only=True)[sheet]
        for number, cells in enumerate(self._rows(results)):
            for place, cell in enumerate(cells):
                if (number, place) in formulas:
                    value = _as_shown(cell)
                    rows[number][place] = (
                        Uncalculated(formulas[number, place]) if value is None else value
                    )


def _as_shown(cell: Any) -> Any:
    """The value of a cell; one that is shown as a percentage comes as one, so that a full
    100% is not taken for 1."""
    value = cell.value
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if is_number and "%" in cell.number_format:
        return f"{100 * Decimal(repr(value)):f}%"
    return value


# In a child process -----------------------------------------------------------------------------


class _ChildBook:
    """A workbook read by a child process, which ends when time is up."""

    def __init__(self, data: bytes, file: str) -> None:
        self._file = file
        self._child = subprocess.Popen(
            [sys.executable, "-c", f"from {__name__} import serve; serve()"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=_child_environment(),
            start_new_session=True,
        )
        self._timer = Timer(MAX_SECONDS, self._child.kill)
        self._timer.daemon = True
        self._timer.start()
        self._sheets = self._answer((data, file))

    def __del__(self) -> None:
        self._timer.cancel()
        self._child.kill()
        self._child.communicate()

    def sheets(self) -> list[str]:
        return self._sheets

    def content(self, sheet: str) -> SheetContent:
        return self._answer(sheet)

    def _answer(self, question: object) -> Any:
        assert self._child.stdin is not None and self._child.stdout is not None
        try:
            pickle.dump(question, self._child.stdin)
            self._child.stdin.flush()
            answer = pickle.load(self._child.stdout)
        except (OSError, EOFError, pickle.UnpicklingError) as error:
            raise FileTrouble(_TOO_LARGE.format(file=self._file)) from error
        if isinstance(answer, FileTrouble):
            raise answer
        return answer


def _child_environment() -> dict[str, str]:
    """This process's, with its search path, so that the child imports the same package."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join(each for each in sys.path if each)}


def serve() -> None:
    """Answer questions on standard input: first the workbook, for its sheets, then sheets by name,
    for their content."""
    _limit_memory()
    questions, answers = sys.stdin.buffer, sys.stdout.buffer
    book: _OpenBook | None = None
    with suppress(EOFError):
        while True:
            question = pickle.load(questions)
            try:
                if book is None:
                    book = _OpenBook(*question)
                    _send(answers, book.sheets())
                else:
                    _send(answers, book.content(question))
            except FileTrouble as trouble:
                is_memory = isinstance(trouble.__cause__, MemoryError)
                file = question[1] if book is None else book._file
                _send(answers, FileTrouble(_TOO_LARGE.format(file=file)) if is_memory else trouble)


def _send(answers: IO[bytes], answer: object) -> None:
    pickle.dump(answer, answers)
    answers.flush()


def _limit_memory() -> None:
    """Where the system can."""
    with suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MAX_MEMORY_BYTES, MAX_MEMORY_BYTES))
        resource.setrlimit(resource.RLIMIT_CPU, (int(MAX_SECONDS) + 1, int(MAX_SECONDS) + 1))
