"""How a browser is let in: by a key that works once, handed over in a file that only its owner can
read. No key stands in the arguments of a process, where others on the machine could see it."""

from __future__ import annotations

import hmac
import html
import os
import secrets
import threading
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

_MAX_UNUSED = 16


class OpeningKeys:
    """Keys that were given out and not used yet; `on_used` is called when one was."""

    def __init__(self) -> None:
        self._unused: list[str] = []
        self._lock = threading.Lock()
        self.on_used: Callable[[], None] = lambda: None

    def new(self) -> str:
        key = secrets.token_urlsafe(24)
        with self._lock:
            self._unused = [*self._unused, key][-_MAX_UNUSED:]
        return key

    def use(self, given: str) -> bool:
        """Whether the key lets in; it does so once."""
        with self._lock:
            known = [
                key for key in self._unused if hmac.compare_digest(key.encode(), given.encode())
            ]
            self._unused = [key for key in self._unused if key not in known]
        if known:
            self.on_used()
        return bool(known)


def is_same(key: str, given: str) -> bool:
    """Compared in constant time, which gives away nothing of the key."""
    return hmac.compare_digest(key.encode(), given.encode())


def leading_page(address: str) -> str:
    """A page that leads on to an address at once."""
    to = html.escape(address)
    return (
        f'<!doctype html><title>Desk</title><meta http-equiv="refresh" content="0;url={to}">'
        f'<p><a href="{to}">Open the desk</a></p>'
    )


def open_in_browser(address: str, file: Path) -> None:
    """Open the address by way of `file`, so that it is in no command line."""
    with suppress(OSError):
        file.unlink(missing_ok=True)
        with open(os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w") as opened:
            opened.write(leading_page(address))
        webbrowser.open(file.absolute().as_uri())
