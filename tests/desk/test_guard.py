"""Who is let in: nobody but the browser that was given the address, from the desk's own pages."""

from __future__ import annotations

import http.client
import http.server
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from blend.desk import packaged
from blend.desk.guard import MAX_REQUEST_BYTES
from blend.desk.opening import open_in_browser
from tests.desk.conftest import KEY, Served

OWN = {"origin": "http://testserver"}
LET_IN = {"cookie": f"desk={KEY}"}
TYPED = {"row": "0", "column": "price", "text": "123"}


@pytest.fixture
def stranger(client) -> TestClient:
    """A client without the key, that says nothing of where it comes from."""
    return TestClient(client.app, follow_redirects=False)


def is_unchanged(client) -> bool:
    desk = client.app.state.desk
    return not desk.book.done and not desk.is_unsaved and not desk.journal.drafts


def new_key(client) -> str:
    return client.app.state.opening.new()


def typed(client, **headers):
    return client.post("/tables/lots/cell", data=TYPED, headers=LET_IN | headers)


# Names, keys, origins ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "host", ["evil.example", "testserver.evil.example", "testserver:80", "127.0.0.1", "", "x@y"]
)
def test_another_name_of_the_machine_is_refused(stranger, client, host):
    assert stranger.get("/grinder", headers=LET_IN | {"host": host}).status_code == 421
    assert typed(stranger, host=host, origin=f"http://{host}").status_code == 421
    key = new_key(client)
    assert stranger.get(f"/?key={key}", headers={"host": host}).status_code == 421
    assert is_unchanged(client)


@pytest.mark.parametrize(
    "origin",
    [
        "http://evil.example",
        "http://testserver.evil.example",
        "http://testserver:8080",
        "http://evil.example/testserver",
        "http://x@testserver",
        "null",
        "",
        "testserver",
        "http://[::1",
        "http://",
        "\xff\xfe",
    ],
)
def test_another_origin_is_refused(stranger, client, origin):
    headers = {"origin": origin.encode("latin-1")}
    assert typed(stranger, **headers).status_code == 403
    assert stranger.get("/grinder", headers=LET_IN | headers).status_code == 403
    assert is_unchanged(client)


@pytest.mark.parametrize("site", ["cross-site", "same-site", "anything"])
def test_what_another_page_caused_is_refused(stranger, client, site):
    """Also a page of another port of this machine, which counts as the same site."""
    for more in ({}, OWN):
        headers = LET_IN | more | {"sec-fetch-site": site}
        assert stranger.get("/grinder", headers=headers).status_code == 403
        assert stranger.post("/undo", headers=headers).status_code == 403
    assert is_unchanged(client)


def test_what_changes_anything_must_say_where_it_comes_from(stranger, client):
    assert typed(stranger).status_code == 403
    assert typed(stranger, **{"sec-fetch-site": "none"}).status_code == 403
    assert is_unchanged(client)
    assert typed(stranger, **{"sec-fetch-site": "same-origin"}).status_code == 200
    assert typed(stranger, **OWN).status_code == 200
    assert not is_unchanged(client)


@pytest.mark.parametrize(
    "cookie",
    ["", "desk=", "desk=wrong", f"desk={KEY}x", f"other={KEY}", f"desk={KEY[:-1]}", "desk", ";=;"],
)
def test_without_the_key_nothing_is_shown_or_done(stranger, client, cookie):
    for path in ("/", "/grinder", "/tables/lots", "/tables.xlsx", "/static/desk.js", "/nowhere"):
        answer = stranger.get(path, headers={"cookie": cookie})
        assert answer.status_code == 403
    answer = stranger.post("/tables/lots/cell", data=TYPED, headers=OWN | {"cookie": cookie})
    assert answer.status_code == 403
    assert is_unchanged(client)


@pytest.mark.parametrize("site", [None, "none", "cross-site"])
def test_an_address_lets_one_browser_in(client, stranger, site):
    """A typed address, and the file that hands it over: to the browser that is another site."""
    key = new_key(client)
    headers = {} if site is None else {"sec-fetch-site": site}
    answer = stranger.get(f"/grinder?key={key}", headers=headers)
    led_on = "url=/grinder" in answer.text if site == "cross-site" else answer.headers["location"]
    assert answer.status_code in (200, 303) and led_on and key not in answer.text
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie
    assert stranger.get("/grinder").status_code == 200
    other = TestClient(client.app, follow_redirects=False)
    assert other.get(f"/grinder?key={key}").status_code == 403
    assert "desk" not in other.cookies


def test_the_file_that_hands_the_address_over_is_its_owner_s_alone(tmp_path, monkeypatch):
    opened = []
    monkeypatch.setattr("webbrowser.open", opened.append)
    file = tmp_path / "open.html"
    file.write_text("left by somebody")
    open_in_browser("http://127.0.0.1:1/?key=a&b", file)
    assert opened == [file.as_uri()]
    assert file.stat().st_mode & 0o777 == 0o600 and "key=a&amp;b" in file.read_text()


@pytest.mark.parametrize("key", ["wrong", "", "é", "%ff%fe", KEY, "x&key=x", "x" * 5_000])
def test_a_wrong_key_lets_nobody_in(stranger, client, key):
    answer = stranger.get(f"/grinder?key={key}")
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers
    assert stranger.post(f"/undo?key={new_key(client)}", headers=OWN).status_code == 403


@pytest.mark.parametrize("path", ["//evil.example/x", "///evil.example", "/\\evil.example"])
def test_the_address_leads_to_the_desk_and_nowhere_else(client, path):
    import asyncio
    from concurrent.futures import ThreadPoolExecutor

    said = []

    async def send(message):
        said.append(message)

    async def receive():
        return {"type": "http.request", "body": b""}

    scope = {
        "type": "http",
        "method": "GET",
        "path": path,
        "raw_path": path.encode(),
        "query_string": f"key={new_key(client)}".encode(),
        "headers": [(b"host", b"testserver")],
        "scheme": "http",
    }
    with ThreadPoolExecutor(1) as elsewhere:  # a browser's test may have a loop in this thread
        elsewhere.submit(asyncio.run, client.app(scope, receive, send)).result()
    headers = dict(said[0]["headers"])
    assert said[0]["status"] == 303
    assert headers[b"location"].startswith(b"/")
    assert headers[b"location"][1:2] not in (b"/", b"\\")


# What is sent ------------------------------------------------------------------------------------


@pytest.mark.parametrize("length", [str(MAX_REQUEST_BYTES + 1), "9" * 18, "9" * 5_000])
def test_what_claims_to_be_too_large_is_not_read(client, length):
    answer = client.post("/undo", headers={"content-length": length})
    assert answer.status_code == 413


@pytest.mark.parametrize("length", ["-1", "1e3", "x", "٣".encode(), "1_000"])
def test_a_length_that_is_no_number_is_refused(client, length):
    assert client.post("/undo", headers={"content-length": length}).status_code == 413


@pytest.mark.parametrize(
    "kind", ["application/x-www-form-urlencoded", "multipart/form-data; boundary=x"]
)
def test_what_turns_out_too_large_is_not_taken(client, kind):
    """Sent in pieces without a length."""
    pieces = 30
    given = 0

    def body() -> Iterator[bytes]:
        nonlocal given
        yield b'--x\r\nContent-Disposition: form-data; name="file"; filename="a.csv"\r\n\r\n'
        for _ in range(pieces):
            given += 1
            yield b"a" * 1_000_000

    answer = client.post("/tables/lots/file", content=body(), headers={"content-type": kind})
    assert answer.status_code == 413
    assert is_unchanged(client)


@pytest.mark.slow
def test_reading_changes_nothing(client):
    desk = client.app.state.desk
    before = everything_in(desk.place)
    routes = [each for each in client.app.routes if "GET" in (getattr(each, "methods", ()) or ())]
    paths = [route.path for route in routes]
    assert len(paths) > 4
    for path in paths:
        for query in ("", "?as=xlsx", "?stop=1", "?over=yes&name=x&row=0&text=1&key=x"):
            client.get(path.replace("{table}", "lots") + query)
    assert is_unchanged(client)
    assert everything_in(desk.place) == before


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "QQ"])
def test_other_methods_do_nothing(client, method):
    for path in ("/grinder", "/undo", "/tables/lots/cell", "/static/desk.js"):
        assert client.request(method, path).status_code == 405
    assert is_unchanged(client)


def everything_in(folder: Path) -> dict[str, bytes]:
    """Files of a folder; the desk's own lists of what was typed are among them."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {str(path): path.read_bytes() for path in files}


# What is answered --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path", ["/", "/grinder", "/static/desk.js", "/static/nowhere", "/nowhere", "/tables/nowhere",
             "/tables/lots.csv", "/tables.xlsx", "/tables/lots?as=csv"]
)  # fmt: skip
def test_every_answer_says_what_a_browser_may_do_with_it(client, stranger, path):
    for answer in (client.get(path), stranger.get(path), client.put(path), client.post(path)):
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy and "*" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert "access-control-allow-origin" not in answer.headers
    assert "desk" in client.get(path).headers and "desk" not in stranger.get(path).headers


def test_a_failure_that_nobody_foresaw_says_so_too(client, monkeypatch):
    def fails(*given):
        raise RuntimeError("C:/secret/path")

    monkeypatch.setattr(type(client.app.state.desk), "state", fails)
    failing = TestClient(
        client.app, raise_server_exceptions=False, cookies={"desk": KEY}, headers=OWN
    )
    answer = failing.get("/grinder")
    assert answer.status_code == 500
    assert "secret" not in answer.text and "Traceback" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "default-src 'none'" in answer.headers["content-security-policy"]


# Paths -------------------------------------------------------------------------------------------

UPWARDS = [
    "/static/../app.py",
    "/static/%2e%2e/app.py",
    "/static/..%2fapp.py",
    "/static/..%5capp.py",
    "/static//etc/passwd",
    "/static/%2fetc%2fpasswd",
    "/static/%00",
    "/static/desk.js%00.css",
    "/static/" + "a" * 5_000,
    "/static/.",
    "/static/",
    "/tables/..%2f..%2fetc%2fpasswd",
    "/tables/../lots.csv",
    "/tables/..%2fsettings.csv",
    "/tables/%2e%2e.csv",
    "/tables/lots%00.csv",
    "/tables/desk%2fcanvass.csv",
    "/tables/canvass.csv",
    "/tables/.blend_desk.csv",
]


@pytest.fixture
def plain(served) -> Iterator[tuple[Served, http.client.HTTPConnection]]:
    """A served desk, and a connection that sends paths as they are."""
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=20)
    yield served, connection
    connection.close()


def test_no_path_leads_out(plain):
    served, connection = plain
    for path in UPWARDS:
        connection.putrequest("GET", path, skip_accept_encoding=True)
        connection.putheader("Cookie", served.headers["cookie"])
        connection.endheaders()
        answer = connection.getresponse()
        body = answer.read()
        assert answer.status in (400, 404, 405, 422), (path, answer.status)
        assert b"root:" not in body and b"def desk_app" not in body


@pytest.mark.parametrize(
    "sent", [b"", b"GET /grinder HTTP/1.1\r\nHost: x", b"POST /undo HTTP/1.1\r\n%s\r\n\r\nab"]
)
def test_a_request_that_does_not_arrive_is_ended(served, monkeypatch, sent):
    monkeypatch.setattr("blend.desk.guard.HEADERS_WITHIN_S", 0.2)
    monkeypatch.setattr("blend.desk.guard.BODY_WITHIN_S", 0.2)
    lines = [f"{name}: {text}" for name, text in served.headers.items()]
    lines += [f"host: 127.0.0.1:{served.port}", "content-length: 9"]
    lines += ["content-type: application/x-www-form-urlencoded"]
    with socket.create_connection(("127.0.0.1", served.port), timeout=5) as connection:
        connection.sendall(sent.replace(b"%s", "\r\n".join(lines).encode()))
        answer = connection.recv(4_000)
    assert answer == b"" or answer.startswith(b"HTTP/1.1 408 ")


def test_a_socket_to_talk_through_is_not_opened(plain):
    served, connection = plain
    upgrade = {
        "connection": "Upgrade",
        "upgrade": "websocket",
        "sec-websocket-version": "13",
        "sec-websocket-key": "dGhlIHNhbXBsZSBub25jZQ==",
    }
    connection.request("GET", "/grinder", headers=upgrade | {"cookie": served.headers["cookie"]})
    assert connection.getresponse().status == 200


# A page of somebody else's, in a browser ---------------------------------------------------------

ATTACKS = """<!doctype html><title>evil</title>
<img src="{desk}/grinder?stop=1"><img src="{desk}/static/mark.svg" id="picture">
<script src="{desk}/static/desk.js"></script>
<script src="{desk}/tables/lots.csv"></script>
<link rel="stylesheet" href="{desk}/static/desk.css">
<iframe src="{desk}/grinder" name="framed"></iframe>
<iframe name="sink"></iframe>
<form id="form" action="{desk}/tables/lots/cell" method="post" target="sink">
<input name="row" value="0"><input name="column" value="price"><input name="text" value="666">
</form>
<form id="plain" action="{desk}/draft" method="post" enctype="text/plain" target="sink">
<input name="key" value="evil"><input name="text" value="666"></form>
<script>
window.read = [];
const wanted = ["/grinder", "/tables/lots.csv", "/tables.xlsx"];
const fields = () => new URLSearchParams({{ row: "0", column: "price", text: "666" }});
window.tried = Promise.allSettled([
  ...wanted.flatMap((path) => ["cors", "no-cors"].map(async (mode) => {{
    const answer = await fetch("{desk}" + path, {{ credentials: "include", mode }});
    const text = await answer.text();
    if (text) window.read.push(text);
  }})),
  fetch("{desk}/tables/lots/cell", {{ method: "POST", credentials: "include", body: fields() }}),
  fetch("{desk}/tables/lots/cell",
    {{ method: "POST", credentials: "include", mode: "no-cors", body: fields() }}),
  fetch("{desk}/undo", {{ method: "POST", mode: "no-cors", credentials: "include", body: "x" }}),
  fetch("{desk}/save",
    {{ method: "PUT", credentials: "include", headers: {{ "HX-Request": "true" }} }}),
]);
navigator.sendBeacon("{desk}/draft", new URLSearchParams({{ key: "evil", text: "666" }}));
document.querySelector("#form").submit();
document.querySelector("#plain").submit();
</script>"""


@contextmanager
def page_of_another(html: str) -> Iterator[int]:
    """A server of somebody else's on this machine; its port."""

    class Evil(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(html.encode())

        def log_message(self, *said):
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Evil)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield server.server_address[1]
    server.shutdown()
    server.server_close()


@pytest.mark.parametrize("site", ["localhost", "127.0.0.1"])
def test_a_page_of_another_origin_does_and_learns_nothing(browser, served, site):
    """From another site (localhost) and from another port of the same site (127.0.0.1), which is
    sent the desk's cookie."""
    before = everything_in(served.folder)
    context = browser.new_context()
    page = context.new_page()
    page.goto(served.address)
    with page_of_another(ATTACKS.format(desk=served.origin)) as port:
        evil = context.new_page()
        evil.goto(f"http://{site}:{port}/")
        evil.evaluate("window.tried")
        evil.wait_for_load_state("networkidle")
        assert evil.evaluate("window.read") == []
        assert evil.evaluate("document.querySelector('#picture').naturalWidth") == 0
        assert evil.evaluate("document.styleSheets.length") in (0, 1)
        framed = evil.frame("framed")
        assert "Grinder" not in (framed.content() if framed else "")
        with evil.expect_popup() as popup:
            evil.evaluate(f"window.opened = window.open('{served.origin}/grinder'), 1")
        popup.value.wait_for_load_state()
        assert (
            evil.evaluate(
                "(() => { try { return opened.document.body.innerText } catch { return '' } })()"
            )
            == ""
        )
    assert not served.desk.book.done and not served.desk.journal.drafts
    assert everything_in(served.folder) == before
    context.close()


@pytest.mark.parametrize("name", packaged.NAMES)
def test_scripts_and_styles_come_out_of_their_packages(client, name):
    answer = client.get(f"{packaged.PATH}/{name}")
    assert answer.status_code == 200 and len(answer.content) > 10_000
    assert "immutable" in answer.headers["cache-control"]
    assert "script-src 'self'" in answer.headers["content-security-policy"]
    assert client.get(f"{packaged.PATH}/{name}.map").status_code == 404
