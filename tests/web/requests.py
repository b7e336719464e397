"""Requests that no page of the desk would send: sound ones made malformed at every place.

All is drawn from one `random.Random`, so that a seed gives the same requests again.
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

from blend.web.desk import EDITED_TABLES, Desk

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


@dataclass(frozen=True)
class Sent:
    method: str
    url: str
    headers: dict[str, bytes] = field(default_factory=dict)
    body: bytes = b""

    def __str__(self) -> str:
        return f"{self.method} {self.url[:300]!r} {self.headers} {self.body[:300]!r}"


def requests_of(desk: Desk, app: Starlette, random: Random, count: int) -> Iterator[Sent]:
    """Requests to every address that the desk answers, the same number of each."""
    routes = [route for route in app.routes if isinstance(route, Route)]
    names = [_names_in(route) for route in routes]
    order: list[int] = []
    for _ in range(count):
        if not order:
            order = random.sample(range(len(routes)), len(routes))
        place = order.pop()
        yield _request(desk, random, routes[place], names[place])


def _names_in(route: Route) -> list[str]:
    """Words that stand in quotes in the file of the view: names of fields are among them."""
    view = inspect.unwrap(route.endpoint)
    text = Path(inspect.getsourcefile(view)).read_text()
    asked = r"(?:text_of\(form, |\.get\(|asked_\w+\(request, )f?\"([a-z_]+)\""
    of_all = ("name", "as", "table", "parts", "stop", "from_lots")
    return [*sorted(set(re.findall(asked, text))), *of_all]


def _request(desk: Desk, random: Random, route: Route, names: list[str]) -> Sent:
    path = re.sub(
        r"\{(\w+)(:\w+)?\}", lambda m: quote(_value(desk, random, m[1]), safe=""), route.path
    )
    if random.random() < 0.05:
        path += random.choice(("/", "//", "/..", "%00", "%", "%ff", ";x", "?", "#x", ".csv", "%2f"))
    query = _pairs(desk, random, names) if random.random() < 0.6 else []
    url = path + ("?" + _urlencoded(random, query) if query else "")
    method = sorted(route.methods)[0]
    if random.random() < 0.05:
        method = random.choice(METHODS)
    headers = {"hx-request": b"true"} if random.random() < 0.5 else {}
    if random.random() < 0.1:
        name = random.choice(("accept", "accept-language", "hx-target", "if-none-match", "range"))
        headers[name] = random.choice(NASTY).encode()[:2_000].translate(None, b"\r\n\x00")
    if method not in ("POST", "PUT"):
        return Sent(method, url, headers)
    kind, body = _body(desk, random, names)
    return Sent(method, url, headers | ({"content-type": kind} if kind else {}), body)


def _value(desk: Desk, random: Random, name: str) -> str:
    """A sound value of that name where one is known, mostly; else anything."""
    if random.random() < 0.35:
        return random.choice(NASTY)
    table = random.choice(("lots", "products", "rules", "quotations"))
    if name == "table":
        return random.choice(list(EDITED_TABLES))
    typed = desk.table(table)
    if name in ("row", "rows", "from_lots"):
        ids = [str(each) for each in random.sample(typed.order, min(2, len(typed.order)))]
        return ",".join(ids) if name == "rows" else (ids or ["0"])[0]
    if name == "column":
        return random.choice(typed.columns)
    if name == "ending":
        return random.choice(("svg", "png", "pdf", "exe"))
    if name == "as":
        return random.choice(("csv", "xlsx", "pdf"))
    if name == "parts":
        return "status,problems,marks"
    if name == "book":
        return random.choice(("", desk.book.book_id))
    if random.random() < 0.3:
        return random.choice(("yes", "no", "0", "1", "2", "90", "0.5", "2026-11-06", "beef", "90s"))
    cells = random.choice(typed.cells()) if typed.order else ("",)
    return random.choice(cells)


def _pairs(desk: Desk, random: Random, names: list[str]) -> list[tuple[str, str]]:
    chosen = random.sample(names, random.randint(1, len(names)))
    pairs = [(name, _value(desk, random, name)) for name in chosen]
    if random.random() < 0.1:
        pairs.append((random.choice(NASTY), random.choice(NASTY)))
    if random.random() < 0.1:
        pairs += random.choices(pairs, k=3)
    return pairs


def _urlencoded(random: Random, pairs: list[tuple[str, str]]) -> str:
    text = "&".join(f"{quote_plus(name)}={quote_plus(value)}" for name, value in pairs)[:60_000]
    junk = ("%", "%f", "%ff%fe", "&&&", "=", "&=&", "%00", "+", "%ed%a0%80", "%u0041")
    return text + random.choice(junk) if random.random() < 0.2 else text


def _body(desk: Desk, random: Random, names: list[str]) -> tuple[bytes, bytes]:
    """Content type and content."""
    pairs = _pairs(desk, random, names)
    draw = random.random()
    if draw < 0.45:
        return b"application/x-www-form-urlencoded", _urlencoded(random, pairs).encode()
    if draw < 0.5:
        kinds = (
            *(b"", b"text/plain", b"application/json", b"multipart/form-data", b"multipart/x"),
            *(b"\xff/x", b"application/x-www-form-urlencoded; charset=utf-16"),
        )
        return random.choice(kinds), random.choice(NASTY).encode("utf-8", "replace")
    if draw < 0.53:
        many = "&".join(f"f{number}=1" for number in range(random.choice((10, 2_500))))
        return b"application/x-www-form-urlencoded", many.encode()
    body, kind = _multipart(random, pairs)
    if random.random() < 0.3:
        cut = random.randrange(len(body))
        body = random.choice(
            (body[:cut], body[cut:], body[:cut] + b"\xff\x00\r\n--" + body[cut:], body * 2)
        )
    return kind, body


def _multipart(random: Random, pairs: list[tuple[str, str]]) -> tuple[bytes, bytes]:
    boundary = random.choice(("x", "----form", "a b", "y" * 60, '"'))
    parts = []
    for name, value in pairs:
        is_file = name in ("file", "table") or random.random() < 0.1
        file_name, content = random.choice(FILES)
        head = f'Content-Disposition: form-data; name="{name[:100]}"'
        head += f'; filename="{file_name}"' if is_file else ""
        if random.random() < 0.1:
            kinds = ("text/csv", "text/plain; charset=utf-7", "image/svg+xml", "", "x" * 500)
            head += f"\r\nContent-Type: {random.choice(kinds)}"
        text = content if is_file else value.encode("utf-8", "replace")
        parts.append(f"--{boundary}\r\n{head}\r\n\r\n".encode("utf-8", "replace") + text + b"\r\n")
    if random.random() < 0.05:
        parts *= 80
    names = "utf-8 latin-1 nonsense idna raw_unicode_escape unicode_escape utf-16 punycode"
    codecs = [f"; charset={name}" for name in names.split()]
    chosen = random.choice(codecs) if random.random() < 0.3 else ""
    kind = f"multipart/form-data; boundary={boundary}{chosen}"
    if random.random() < 0.05:
        kind = kind.replace(boundary, random.choice(("", "other", "x" * 500)))
    return b"".join(parts) + f"--{boundary}--\r\n".encode(), kind.encode()
