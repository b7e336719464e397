"""The desk as a web application, and the server that runs it."""

from __future__ import annotations

import logging
import os
import secrets
import socket
import sys
from collections.abc import Callable
from contextlib import suppress

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from blend.desk import grinder, help, packaged, reporter, tables, trader
from blend.desk.desk import Desk
from blend.desk.guard import HEADERS, Guard, TimedProtocol
from blend.desk.opening import OpeningKeys
from blend.desk.pages import page, static_folder
from blend.errors import FileTrouble

_END_WITHIN_S = 1.0
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")


def desk_app(desk: Desk, *, key: str, hosts: tuple[str, ...], cookie: str = "desk") -> Starlette:
    """The application; `hosts` are host and port as browsers name them. A key of its
    `state.opening` lets a browser in, which then shows `key` as a cookie."""
    opening = OpeningKeys()

    async def start(request: Request) -> Response:
        return RedirectResponse("/grinder", 303)

    app = Starlette(
        routes=[
            Route("/", start),
            *packaged.routes,
            *tables.routes,
            *grinder.routes,
            *trader.routes,
            *reporter.routes,
            *help.routes,
            Mount("/static", StaticFiles(directory=static_folder())),
        ],
        middleware=[
            Middleware(Guard, key=key, opening=opening, hosts=hosts, cookie=cookie, name=desk.name)
        ],
        exception_handlers={HTTPException: _refused, Exception: _failed},
    )
    app.state.desk, app.state.opening = desk, opening
    app.state.parts = tables.parts | grinder.parts | trader.parts | reporter.parts
    return app


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    if error.status_code == 404 and request.method == "GET":
        return _with_navigation(request, "No page has this address.", "No such page", 404)
    return PlainTextResponse(error.detail, error.status_code)


async def _failed(request: Request, error: Exception) -> Response:
    """What nobody foresaw; the server prints it whole, the page says where to look."""
    words = "The desk failed at this. What you typed is kept. The desk's window says more."
    try:
        made = _with_navigation(request, words, "Something went wrong", 500)
    except Exception:  # the page fails too
        made = PlainTextResponse(words, 500)
    for name, text in HEADERS.items():  # the guard is passed over on this way out
        made.headers.setdefault(name.decode(), text.decode())
    return made


def _with_navigation(request: Request, words: str, title: str, status: int) -> Response:
    desk: Desk = request.app.state.desk
    made = page(desk, request, "trouble.html", cells=[], problems=(), lines=[words], title=title)
    made.status_code = status
    return made


def serve(desk: Desk, *, host: str, port: int, ready: Callable[[str], None]) -> None:
    """Serve until interrupted; `ready` is given the address to open, and the next one whenever
    one was used. Port 0 takes a free port. Raises FileTrouble where the port cannot be had."""
    packaged.check_packages()
    listening = listen(host, port)
    port = listening.getsockname()[1]
    key = secrets.token_urlsafe(24)
    names = _names_of(host)
    server = server_of(desk, key=key, names=names, port=port)
    opening: OpeningKeys = server.config.app.state.opening  # type: ignore[union-attr]

    def announce() -> None:
        ready(f"http://{names[0]}:{port}/?key={opening.new()}")

    def announce_next() -> None:
        with suppress(OSError):  # the window that showed the first may be closed by now
            announce()

    opening.on_used = announce_next
    announce()
    try:
        server.run(sockets=[listening])
    except KeyboardInterrupt:
        pass
    finally:
        has_ended = desk.close(_END_WITHIN_S)
    if not has_ended:
        # Python would wait for work that does not look whether it is stopped
        sys.stdout.flush()
        os._exit(0)


def server_of(desk: Desk, *, key: str, names: tuple[str, ...], port: int) -> uvicorn.Server:
    hosts = [f"{name}:{port}" for name in names] + (list(names) if port == 80 else [])
    app = desk_app(desk, key=key, hosts=tuple(hosts), cookie=f"desk_{port}")
    return _Server(
        uvicorn.Config(
            app,
            http=TimedProtocol,
            log_level="warning",
            server_header=False,
            lifespan="off",
            ws="none",
            proxy_headers=False,
            timeout_graceful_shutdown=1,
        )
    )


class _Server(uvicorn.Server):
    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        # answers cut off now are no fault worth reporting
        logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)
        await super().shutdown(sockets)


def _names_of(host: str) -> tuple[str, ...]:
    """How browsers may name the machine, the best first."""
    host = bracketed(host)
    if host in LOOPBACK:
        return tuple(dict.fromkeys((host, *LOOPBACK)))
    if host not in ("0.0.0.0", "[::]"):
        return (host, *LOOPBACK)
    own = socket.gethostname()
    addresses: set[str] = set()
    with suppress(OSError):  # a machine may not know its own name
        addresses = {bracketed(str(each[4][0])) for each in socket.getaddrinfo(own, None)}
    return (own, *sorted(addresses - set(LOOPBACK)), *LOOPBACK)


def bracketed(host: str) -> str:
    """As it stands in an address, where colons have another meaning."""
    return f"[{host}]" if ":" in host and not host.startswith("[") else host


def listen(host: str, port: int) -> socket.socket:
    """A socket of this address; raise FileTrouble where it cannot be had."""
    constraint_class = socket.AF_INET6 if ":" in host else socket.AF_INET
    # without the protocol's name asyncio leaves Nagle's delay on: 40 ms for each answer
    listening = socket.socket(constraint_class, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host.strip("[]"), port))
        # from now on: who opens the address before the server is up is kept waiting, not refused
        listening.listen()
    except (OSError, UnicodeError) as error:
        listening.close()
        why = error.strerror if isinstance(error, OSError) else "no name of a machine"
        raise FileTrouble(f"{host} port {port}: {why}; name another --port") from error
    return listening
