"""Requests that no page of the desk would send: sound ones made malformed at every place.

All is drawn from one source, so that a seed, or the bytes that a source is read off, gives the
same requests again. In every draw the last of `random()` and the first choice are the plainest.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from urllib.parse import quote, quote_plus

from starlette.applications import Starlette
from starlette.routing import Route

from blend.desk.desk import EDITED_TABLES, Desk
from tests.desk.sound import Pairs, SentFile, routes_of, sound_requests

NASTY = (
    *("", " ", "0", "-0", "1", "-1", "0.5", "1e308", "1e999", "9" * 30, "9" * 5_000, "1e-400"),
    *("nan", "inf", "-inf", "٣", "９", "²", "1_000", "0x10", "1,5", "yes", "no", "all", "none"),
    *("\x00", "\x07", "\x1b[31m", "\n", "\r\n", "\t", "a\tb\nc\td", "\u2028", "\u202e", "\ufeff"),
    *("é", "🥩", "e\u0301", "\U000e0001", "\uffff", "'", '"', "`", "\\", "%", "%s", "{0}", "{{7}}"),
    *("../../etc/passwd", "/etc/passwd", "//evil.example", "javascript:alert(1)", "<script>", "&"),
    *("=1+1", "+1", "-1", "@SUM(1)", "|", ";", ",", "a|b", "lot=B50-1", "x" * 40_000, "a," * 3_000),
    *("2026-11-06", "9999-12-31", "0001-01-01", "2026-02-30", "2026-11-06T25:00", "1969-12-31"),
    *("CON", "nul.csv", "a.csv", ".", "..", "None", "null", "true", "undefined", "[]", "{}"),
    *("status,problems,marks", "grid-lots,grid-lots", "live", "status," * 500, "lots", "settings"),
)
FILES = (
    ("lots.csv", b"lot_id,price\nA,1\n"),
    ("lots.csv", b""),
    ("lots.csv", b"\xff\xfe\x00"),
    ("lots.csv", b'"' + b"a" * 200_000),
    ("lots.xlsx", b"PK\x03\x04" + b"\x00" * 100),
    ("lots.xlsx", b"not a workbook"),
    ("../../lots.csv", b"lot_id\nA\n"),
    ("a" * 3_000 + ".csv", b"lot_id\nA\n"),
    ("lots", b"lot_id\nA\n"),
    ("\u202evsc.exe", b"MZ"),
    ("<img src=x onerror=alert(1)>.csv", b"lot_id\nA\n"),
    ('a"; filename="b.csv', b"lot_id\nA\n"),
    ("lots.CSV", b"\xef\xbb\xbflot_id;price\r\nA;1,5\r\n"),
)
METHODS = ("GET", "POST", "HEAD", "PUT", "DELETE", "OPTIONS")


class Draws(Random):
    """What requests are drawn from."""

    def text(self) -> str:
        """Any text that may make trouble."""
        return self.choice(NASTY)


@dataclass(frozen=True)
class Sent:
    method: str
    url: str
    headers: dict[str, bytes] = field(default_factory=dict)
    body: bytes = b""

    def __str__(self) -> str:
        return f"{self.method} {self.url[:300]!r} {self.headers} {self.body[:300]!r}"


def requests_of(desk: Desk, app: Starlette, draws: Draws, count: int) -> Iterator[Sent]:
    """Requests to every address that the desk answers, the same number of each."""
    requests = Requests(app)
    order: list[int] = []
    for _ in range(count):
        if not order:
            order = draws.sample(range(len(requests.routes)), len(requests.routes))
        yield requests.to(order.pop(), desk, draws)


class Requests:
    """Requests to the addresses of one application, made of what its pages send."""

    def __init__(self, app: Starlette) -> None:
        self.routes = routes_of(app)
        self.sound = [[s for at, s in sound_requests() if at == n] for n in range(len(self.routes))]
        self._names = [_names_in(route) for route in self.routes]

    def any(self, desk: Desk, draws: Draws) -> Sent:
        return self.to(draws.choice(range(len(self.routes))), desk, draws)

    def to(self, place: int, desk: Desk, draws: Draws) -> Sent:
        """A request to the route of this place: of a page with some of it changed, or made up."""
        route, names, known = self.routes[place], self._names[place], self.sound[place]
        method = sorted(route.methods)[0]
        if known and draws.random() >= 0.4:
            sound = draws.choice(known)
            in_path = {name: _spoilt(desk, draws, name, sound.in_path[name], 0.15)
                       for name in sound.in_path}  # fmt: skip
            query = _changed(desk, draws, names, _as_now(desk, sound.query))
            form = _changed(desk, draws, names, _as_now(desk, sound.form))
        else:
            in_path = {name: _value(desk, draws, name) for name in route.param_convertors}
            query = _pairs(desk, draws, names) if draws.random() < 0.6 else []
            form = _pairs(desk, draws, names) if method in _SENDING else []
        path = re.sub(r"\{(\w+)(:\w+)?\}", lambda m: quote(in_path[m[1]], safe=""), route.path)
        if draws.random() < 0.05:
            path += draws.choice(("/", "//", "/..", "%00", "%", "%ff", ";x", "?", "#x", ".csv"))
        url = path + ("?" + _urlencoded(draws, query) if query else "")
        if draws.random() < 0.05:
            method = draws.choice(METHODS)
        headers = {"desk-part": b"true"} if draws.random() < 0.5 else {}
        if draws.random() < 0.1:
            name = draws.choice(("accept", "accept-language", "if-none-match", "range"))
            headers[name] = draws.text().encode()[:2_000].translate(None, b"\r\n\x00")
        if method not in _SENDING:
            return Sent(method, url, headers)
        kind, body = _body(draws, form)
        return Sent(method, url, headers | ({"content-type": kind} if kind else {}), body)


_SENDING = ("POST", "PUT")


def _names_in(route: Route) -> list[str]:
    """Words that stand in quotes in the file of the view: names of fields are among them."""
    view = inspect.unwrap(route.endpoint)
    text = Path(inspect.getsourcefile(view)).read_text()
    asked = r"(?:text_of\(form, |\.get\(|asked_\w+\(request, )f?\"([a-z_]+)\""
    of_all = ("name", "as", "table", "parts", "stop", "from_lots")
    return [*sorted(set(re.findall(asked, text))), *of_all]


# Of a page ---------------------------------------------------------------------------------------


def _as_now(desk: Desk, pairs: Pairs) -> list[tuple[str, str | SentFile]]:
    """What names the tables, or the store, as they stood when the page was made."""
    now = {"book": desk.book.book_id, "of": str(desk.book.revision), "revision": ""}
    now["revision"] = now["of"]
    if any(name == "position" for name, _ in pairs) and desk.where_store is not None:
        with desk.store() as store:
            now["position"] = str(store.position())
    return [
        (name, now[name] if name in now and value and not str(value).isalpha() else value)
        for name, value in pairs
    ]


def _spoilt(
    desk: Desk, draws: Draws, name: str, value: str | SentFile, often: float
) -> str | SentFile:
    return _value(desk, draws, name) if draws.random() < often else value


def _changed(
    desk: Desk, draws: Draws, names: list[str], pairs: list[tuple[str, str | SentFile]]
) -> list[tuple[str, str | SentFile]]:
    """Some of the fields given another value, twice, under another name or not at all."""
    changed = list(pairs)
    while draws.random() < 0.35:
        place = draws.choice(range(len(changed))) if changed else None
        how = draws.choice(("value", "value", "value", "more", "drop", "name", "twice"))
        if place is None or how == "more":
            name = draws.choice(names)
            changed.append((name, _value(desk, draws, name)))
        elif how == "drop":
            del changed[place]
        elif how == "twice":
            changed.append(changed[place])
        elif how == "name":
            changed[place] = draws.choice((*names, draws.text())), changed[place][1]
        else:
            name = changed[place][0]
            changed[place] = name, _value(desk, draws, name)
    return changed


# Made up -----------------------------------------------------------------------------------------


def _value(desk: Desk, draws: Draws, name: str) -> str | SentFile:
    """A sound value of that name where one is known, mostly; else anything."""
    if name == "file":
        return SentFile(*draws.choice(FILES))
    if draws.random() < 0.35:
        return draws.text()
    table = draws.choice(("lots", "products", "rules", "quotations"))
    if name == "table":
        return draws.choice(list(EDITED_TABLES))
    typed = desk.table(table)
    if name in ("row", "rows", "from_lots"):
        ids = [str(each) for each in draws.sample(typed.order, min(2, len(typed.order)))]
        return ",".join(ids) if name == "rows" else (ids or ["0"])[0]
    if name == "column":
        return draws.choice(typed.columns)
    if name == "ending":
        return draws.choice(("svg", "png", "pdf", "exe"))
    if name == "as":
        return draws.choice(("csv", "xlsx", "pdf"))
    if name == "parts":
        return "status,problems,marks"
    if name == "book":
        return draws.choice(("", desk.book.book_id))
    if draws.random() < 0.3:
        return draws.choice(("yes", "no", "0", "1", "2", "90", "0.5", "2026-11-06", "beef", "90s"))
    cells = draws.choice(typed.cells()) if typed.order else ("",)
    return draws.choice(cells)


def _pairs(desk: Desk, draws: Draws, names: list[str]) -> list[tuple[str, str | SentFile]]:
    chosen = draws.sample(names, draws.randint(1, len(names)))
    pairs = [(name, _value(desk, draws, name)) for name in chosen]
    if draws.random() < 0.1:
        pairs.append((draws.text(), draws.text()))
    if draws.random() < 0.1:
        pairs += draws.choices(pairs, k=3)
    return pairs


# As bytes ----------------------------------------------------------------------------------------


def _urlencoded(draws: Draws, pairs: list[tuple[str, str | SentFile]]) -> str:
    """The name of a file, where one is sent so."""
    texts = [(name, value if isinstance(value, str) else value.name) for name, value in pairs]
    text = "&".join(f"{quote_plus(name)}={quote_plus(value)}" for name, value in texts)[:60_000]
    junk = ("%", "%f", "%ff%fe", "&&&", "=", "&=&", "%00", "+", "%ed%a0%80", "%u0041")
    return text + draws.choice(junk) if draws.random() < 0.2 else text


def _body(draws: Draws, pairs: list[tuple[str, str | SentFile]]) -> tuple[bytes, bytes]:
    """Content type and content."""
    draw = draws.random()
    if draw < 0.05:
        kinds = (
            *(b"", b"text/plain", b"application/json", b"multipart/form-data", b"multipart/x"),
            *(b"\xff/x", b"application/x-www-form-urlencoded; charset=utf-16"),
        )
        return draws.choice(kinds), draws.text().encode("utf-8", "replace")
    if draw < 0.08:
        many = "&".join(f"f{number}=1" for number in range(draws.choice((10, 2_500))))
        return b"application/x-www-form-urlencoded", many.encode()
    has_file = any(isinstance(value, SentFile) for _, value in pairs)
    if has_file == (draw < 0.5):
        return b"application/x-www-form-urlencoded", _urlencoded(draws, pairs).encode()
    body, kind = _multipart(draws, pairs)
    if draws.random() < 0.3:
        cut = draws.randrange(len(body))
        body = draws.choice(
            (body[:cut], body[cut:], body[:cut] + b"\xff\x00\r\n--" + body[cut:], body * 2)
        )
    return kind, body


def _multipart(draws: Draws, pairs: list[tuple[str, str | SentFile]]) -> tuple[bytes, bytes]:
    boundary = draws.choice(("x", "----form", "a b", "y" * 60, '"'))
    parts = []
    for name, value in pairs:
        is_file = isinstance(value, SentFile) or draws.random() < 0.1
        sent = value if isinstance(value, SentFile) else SentFile(*draws.choice(FILES))
        head = f'Content-Disposition: form-data; name="{name[:100]}"'
        head += f'; filename="{sent.name}"' if is_file else ""
        if draws.random() < 0.1:
            kinds = ("text/csv", "text/plain; charset=utf-7", "image/svg+xml", "", "x" * 500)
            head += f"\r\nContent-Type: {draws.choice(kinds)}"
        text = sent.data if is_file else value.encode("utf-8", "replace")
        parts.append(f"--{boundary}\r\n{head}\r\n\r\n".encode("utf-8", "replace") + text + b"\r\n")
    if draws.random() < 0.05:
        parts *= 80
    names = "utf-8 latin-1 nonsense idna raw_unicode_escape unicode_escape utf-16 punycode"
    codecs = [f"; charset={name}" for name in names.split()]
    chosen = draws.choice(codecs) if draws.random() < 0.3 else ""
    kind = f"multipart/form-data; boundary={boundary}{chosen}"
    if draws.random() < 0.05:
        kind = kind.replace(boundary, draws.choice(("", "other", "x" * 500)))
    return b"".join(parts) + f"--{boundary}--\r\n".encode(), kind.encode()
