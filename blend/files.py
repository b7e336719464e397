"""Files and folders are written whole or not at all.

What is written is kept under a hidden name, `.NAME.8-hex-digits.unfinished`, until it is finished,
and then takes the place of the old at once. A process that is killed can leave such a name behind:
nothing reads it, and the next write of NAME takes it away once it is an hour old, when nobody can
still be writing it.
"""

from __future__ import annotations

import gc
import glob
import io
import os
import secrets
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from blend.errors import FileTrouble

ENDING = ".unfinished"
STALE_AFTER_S = 3600.0
_LONGEST_NAME = 255
"""Bytes of a name, on nearly every file system."""


def write_bytes(path: str | Path, content: bytes) -> None:
    """Write a file, whole or not at all; raise FileTrouble."""
    with replacing(Path(path)) as unfinished:
        unfinished.write_bytes(content)


def in_memory(path: Path, write: Callable[[BinaryIO], None]) -> bytes:
    """What `write` writes for the file `path`; raise FileTrouble.

    For libraries that write through temporary files of their own: where there is no room for
    these, what is left unfinished in them complains once more when it is thrown away.
    """
    written, hook = io.BytesIO(), sys.unraisablehook
    try:
        write(written)
        return written.getvalue()
    except OSError as error:
        reason = error.strerror or error
        sys.unraisablehook = lambda unraisable: None
    try:
        gc.collect()
    finally:
        sys.unraisablehook = hook
    raise FileTrouble(f"{path}: {reason} (in a temporary file)")


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A file to write; it takes the place of `path` at once when all went well, else it goes.

    Raise FileTrouble, also for what goes wrong with files within the block.
    """
    place = check_place(path)
    with _unfinished_for(path, place) as unfinished:
        yield unfinished
        _keep_mode(place, unfinished)
        _to_disk(unfinished)
        os.replace(unfinished, place)


@contextmanager
def filling(folder: Path) -> Iterator[Path]:
    """A folder to write files into, which get their places when all went well, else it goes.

    A folder that is not there yet comes to be with all its files at once; in one that is there,
    files take their places one by one, after all are written. Raise FileTrouble.
    """
    _check_name(folder)
    with as_file_trouble(folder):
        place = Path(os.path.realpath(folder))
        if place.exists() and not place.is_dir():
            raise FileTrouble(f"{folder}: is a file, where a folder is wanted")
        is_new = not place.exists()
    with (
        _folders_above(folder, place),
        _unfinished_for(folder, place, within=not is_new) as unfinished,
    ):
        unfinished.mkdir()
        try:
            yield unfinished
        except FileTrouble as error:
            # the user knows it by its final name
            raise FileTrouble(str(error).replace(str(unfinished), str(folder))) from error
        if is_new:
            os.rename(unfinished, place)
            return
        files = [(file, folder / file.name) for file in sorted(unfinished.iterdir())]
        for file, path, into in [(file, path, check_place(path)) for file, path in files]:
            with as_file_trouble(path):
                _keep_mode(into, file)
                os.replace(file, into)
        unfinished.rmdir()


def check_place(path: Path) -> Path:
    """Where a file really comes to be, behind links; raise FileTrouble where none may be written.

    So it can be asked before long work is begun for the file.
    """
    _check_name(path)
    with as_file_trouble(path):
        place = Path(os.path.realpath(path))
        if not place.parent.is_dir():
            raise FileTrouble(f"{path}: there is no folder {path.parent} to write it in")
        if place.is_dir():
            raise FileTrouble(f"{path}: is a folder, where a file is wanted")
        if place.exists() and not place.is_file():
            # To replace /dev/null would harm the whole machine.
            raise FileTrouble(f"{path}: is no plain file, and nothing else is replaced")
        if place.exists() and not os.access(place, os.W_OK):
            raise FileTrouble(f"{path}: is read-only")
        if not os.access(place.parent, os.W_OK | os.X_OK):
            raise FileTrouble(f"{path}: the folder {path.parent} may not be written to")
    return place


@contextmanager
def as_file_trouble(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise FileTrouble(f"{path}: {error.strerror or error}") from error


def _check_name(path: Path) -> None:
    if "\0" in str(path):
        raise FileTrouble(f"{path}: a name cannot hold the character NUL")


@contextmanager
def _unfinished_for(path: Path, place: Path, *, within: bool = False) -> Iterator[Path]:
    """A hidden name next to `place`, or in it, removed if the block fails.

    It is in the same folder because only there is a rename atomic.
    """
    final = place / place.name if within else place
    rest = f".{secrets.token_hex(4)}{ENDING}"
    maximum = _LONGEST_NAME - len(rest) - 1
    name = "." + os.fsencode(place.name)[:maximum].decode("utf-8", "ignore")
    unfinished = final.with_name(name + rest)
    with as_file_trouble(path):
        _take_away_stale(final.parent, glob.escape(name))
        try:
            yield unfinished
        except BaseException:
            _take_away(unfinished)
            raise


def take_away_unfinished(folder: Path, *, is_ours: bool = False) -> None:
    """Take away what killed processes left in a folder: once it is an hour old, or at once where
    nobody else writes in the folder."""
    _take_away_stale(folder, ".*", after_s=0.0 if is_ours else STALE_AFTER_S)


def _take_away_stale(folder: Path, name: str, after_s: float = STALE_AFTER_S) -> None:
    for left in folder.glob(f"{name}.{'[0-9a-f]' * 8}{ENDING}"):
        with suppress(OSError):
            if time.time() - left.lstat().st_mtime >= after_s:
                _take_away(left)


def _take_away(unfinished: Path) -> None:
    with suppress(OSError):
        if unfinished.is_dir() and not unfinished.is_symlink():
            shutil.rmtree(unfinished)
        else:
            unfinished.unlink()


@contextmanager
def _folders_above(path: Path, place: Path) -> Iterator[None]:
    """Make the folders that `place` is to be in; those made go again when the block fails."""
    with as_file_trouble(path):
        made = [folder for folder in place.parents if not folder.exists()]
        place.parent.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except BaseException:
        for folder in made:
            with suppress(OSError):
                folder.rmdir()
        raise


def _keep_mode(old: Path, new: Path) -> None:
    """What only some may read stays so; a file system that knows no modes stops nothing."""
    if old.exists():
        with suppress(OSError):
            shutil.copymode(old, new)


def _to_disk(file: Path) -> None:
    """Else a cut of power could leave the new name with nothing in it."""
    with file.open("rb") as opened:
        os.fsync(opened.fileno())
