"""Who may talk to the desk: the browser that was given its address, from its own pages, with
requests of a sane size that arrive in time. Written against ASGI itself, so that nothing is read
before it is let in.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from blend.desk.opening import OpeningKeys, is_same, leading_page
from blend.tables.tables import MAX_BYTES

MAX_REQUEST_BYTES = MAX_BYTES + 1_000_000
"""The largest table that is read, and what a form puts around it."""
HEADERS_WITHIN_S = 10.0
BODY_WITHIN_S = 60.0
"""How long a request may take to arrive."""
_READING = ("GET", "HEAD")
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; font-src 'self'; frame-src 'self'; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    b"content-security-policy": _POLICY.encode(),
    b"x-content-type-options": b"nosniff",
    # not no-referrer: forms of the page itself would then be sent with the origin "null"
    b"referrer-policy": b"same-origin",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"cache-control": b"no-store",
}
"""On every answer that does not say otherwise itself."""


class Guard:
    """Refuses what does not come from the desk's own pages, and limits what is sent.

    `hosts` are the host and port as browsers may name them. A key of `opening` lets a browser in
    once, and it gets `key` as a cookie. Each answer carries the `name` of the desk: at the same
    address another may answer tomorrow.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        key: str,
        opening: OpeningKeys,
        hosts: Iterable[str],
        cookie: str,
        name: str,
    ) -> None:
        self._app, self._key, self._cookie = app, key, cookie
        self._opening = opening
        self._named = HEADERS | {b"desk": name.encode()}
        self._hosts = frozenset(host.lower() for host in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = {name.decode("latin-1"): text.decode("latin-1")
                   for name, text in scope["headers"]}  # fmt: skip
        refused = self._refusal(scope, headers)
        if refused is not None:
            await refused(scope, receive, _with_headers(send, HEADERS))
            return
        sent = _with_headers(send, self._named)
        try:
            await self._app(scope, _limited(receive), sent)
        except _TooLarge:
            await _refuse(413, _TOO_LARGE)(scope, receive, sent)
        except TimeoutError:
            await _refuse(408, "The request did not arrive in time.")(scope, receive, sent)

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> Response | None:
        """The answer to a request that is not let in, None where it is."""
        if headers.get("host", "").lower() not in self._hosts:
            return _refuse(421, "This desk does not go by that name.")
        given = parse_qs(scope["query_string"].decode("latin-1")).get("key", [""])[0]
        # before the look at where it comes from: the file that hands the key over is another site
        if scope["method"] == "GET" and given and self._opening.use(given):
            return self._let_in(scope, headers)
        if not self._is_own_page(scope, headers):
            return _refuse(403, "Requests from other pages are refused.")
        if not self._is_key(_cookie_of(headers, self._cookie)):
            return _refuse(
                403,
                "Open the desk by the address its window shows. Each address works once; the "
                "window then shows the next.",
            )
        length = headers.get("content-length", "0").lstrip("0") or "0"
        if not length.isdecimal() or (len(length), length) > _MAX_LENGTH:
            return _refuse(413, _TOO_LARGE)
        return None

    def _let_in(self, scope: Scope, headers: dict[str, str]) -> Response:
        """To the page asked for. From the file that hands the key over, which is another site, by
        way of a page of the desk's own: the browser shows the cookie to no other's links."""
        # two slashes at the start would name another machine
        path = "/" + scope["path"].lstrip("/\\")
        let_in: Response = RedirectResponse(path, 303)
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            let_in = HTMLResponse(leading_page(path))
        let_in.set_cookie(self._cookie, self._key, httponly=True, samesite="strict")
        return let_in

    def _is_key(self, given: str) -> bool:
        return is_same(self._key, given)

    def _is_own_page(self, scope: Scope, headers: dict[str, str]) -> bool:
        """Whether no other site is behind the request; browsers say so, in one of two ways,
        and what changes anything must say it."""
        site = headers.get("sec-fetch-site")
        if site is not None and site not in ("same-origin", "none"):
            return False
        origin = headers.get("origin")
        if origin is not None:
            return origin.lower().partition("://")[2] == headers["host"].lower()
        return scope["method"] in _READING or site == "same-origin"


_MAX_LENGTH = len(str(MAX_REQUEST_BYTES)), str(MAX_REQUEST_BYTES)
_TOO_LARGE = f"Larger than {MAX_BYTES // 1_000_000} MB."


class _TooLarge(Exception):
    pass


def _limited(receive: Receive) -> Receive:
    """Counts what comes, whatever length the request claims, and waits only so long for it."""
    so_far, is_whole = 0, False
    until = asyncio.get_running_loop().time() + BODY_WITHIN_S

    async def receive_some() -> Message:
        nonlocal so_far, is_whole
        if is_whole:  # now it waits for the browser to go
            return await receive()
        message = await asyncio.wait_for(receive(), until - asyncio.get_running_loop().time())
        so_far += len(message.get("body", b""))
        is_whole = not message.get("more_body", False)
        if so_far > MAX_REQUEST_BYTES:
            raise _TooLarge
        return message

    return receive_some


class TimedProtocol(H11Protocol):
    """HTTP that closes a connection whose request line and headers do not arrive in time."""

    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._watch()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        super().connection_lost(exc)
        self._stop_watching()

    def _watch(self) -> None:
        """Begin when the first byte may come, end when the headers are there."""
        is_waiting = self.cycle is None or self.cycle.response_complete
        if not is_waiting:
            self._stop_watching()
        elif self._timer is None:
            self._timer = self.loop.call_later(HEADERS_WITHIN_S, self.transport.close)

    def _stop_watching(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


def _with_headers(send: Send, more: Mapping[bytes, bytes]) -> Send:
    async def send_some(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = list(message.get("headers", []))
            there = {name.lower() for name, _ in headers}
            headers += [(name, text) for name, text in more.items() if name not in there]
            message = {**message, "headers": headers}
        await send(message)

    return send_some


def _cookie_of(headers: dict[str, str], name: str) -> str:
    try:
        cookies = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return ""
    return cookies[name].value if name in cookies else ""


def _refuse(status: int, words: str) -> Response:
    return PlainTextResponse(words, status)
