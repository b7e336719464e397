"""Who may talk to the desk: the browser that was given its address, from its own pages, with
requests of a sane size. Written against ASGI itself, so that nothing is read before it is let in.
"""

from __future__ import annotations

import hmac
from collections.abc import Iterable, Mapping
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from blend.tables.tables import MAX_BYTES

MAX_REQUEST_BYTES = MAX_BYTES + 1_000_000
"""The largest table that is read, and what a form puts around it."""
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

    `hosts` are the host and port as browsers may name them. `key` is asked for once, in the
    address that the command prints, and kept as a cookie from then on. Whoever is let in is told
    in each answer the `name` of the desk: at the same address another may answer tomorrow.
    """

    def __init__(
        self, app: ASGIApp, *, key: str, hosts: Iterable[str], cookie: str, name: str
    ) -> None:
        self._app, self._key, self._cookie = app, key, cookie
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

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> Response | None:
        """The answer to a request that is not let in, None where it is."""
        if headers.get("host", "").lower() not in self._hosts:
            return _refuse(421, "This desk does not go by that name.")
        if not self._is_own_page(scope, headers):
            return _refuse(403, "Requests from other pages are refused.")
        given = parse_qs(scope["query_string"].decode("latin-1")).get("key", [""])[0]
        if scope["method"] == "GET" and given and self._is_key(given):
            # two slashes at the start would name another machine
            let_in = RedirectResponse("/" + scope["path"].lstrip("/\\"), 303)
            let_in.set_cookie(self._cookie, self._key, httponly=True, samesite="strict")
            return let_in
        if not self._is_key(_cookie_of(headers, self._cookie)):
            return _refuse(403, "Open the desk by the address that the command printed.")
        length = headers.get("content-length", "0").lstrip("0") or "0"
        if not length.isdecimal() or (len(length), length) > _MAX_LENGTH:
            return _refuse(413, _TOO_LARGE)
        return None

    def _is_key(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self._key.encode())

    def _is_own_page(self, scope: Scope, headers: dict[str, str]) -> bool:
        """Whether no other site is behind the request; browsers tell so, in either of two ways,
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
    """Counts what comes, whatever length the request claims."""
    so_far = 0

    async def receive_some() -> Message:
        nonlocal so_far
        message = await receive()
        so_far += len(message.get("body", b""))
        if so_far > MAX_REQUEST_BYTES:
            raise _TooLarge
        return message

    return receive_some


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
