"""What must be refused, tried over real sockets; the figures are printed."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator

import pytest

from helpers.page import Site, page_site


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    with page_site(tmp_path_factory.mktemp("attacks")) as made:
        yield made


def raw(site: Site, data: bytes) -> bytes:
    with socket.create_connection(("127.0.0.1", site.port), timeout=20) as conn:
        conn.sendall(data)
        return conn.recv(4096)


@pytest.mark.parametrize("method", ["GET", "POST", "HEAD"])
@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "localhost@evil.example", "192.0.2.1", ""])
def test_a_foreign_host_is_misdirected(site: Site, method: str, host: str) -> None:
    """421: RFC 9110 section 15.5.20.  192.0.2.0/24 is nobody's (RFC 5737)."""
    assert raw(site, f"{method} / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode()).split()[1] == b"421"


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "localhost:8080", "LOCALHOST", socket.gethostname()])
def test_our_own_names_are_taken(site: Site, host: str) -> None:
    assert site.client().get("/", Host=host).status == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Sec_Fetch_Site": "cross-site"}, 403),
        ({"Sec_Fetch_Site": "same-site"}, 403),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Content_Type": "text/plain"}, 415),
        ({"Content_Type": "multipart/form-data; boundary=x"}, 415),
        ({"Sec_Fetch_Site": "same-origin"}, 303),
    ],
)
def test_forms_from_elsewhere_are_refused(site: Site, headers: dict[str, str], status: int) -> None:
    client = site.client()
    client.get("/tanks/foyer/feeding")
    assert client.post("/tanks/foyer/feeding", {"id": client.value("id"), "grams": "1"}, **headers).status == status


@pytest.mark.parametrize("token", ["", "0" * 40, "é"])
def test_a_write_without_its_token_is_refused(site: Site, token: str) -> None:
    client = site.client()
    for path in (
        "/undo",
        "/alarms/acknowledge",
        "/devices/revoke",
        "/devices/link",
        "/logout",
        "/tanks/foyer/test",
        "/still-to-do/confirm",
    ):
        assert client.ask("POST", path, {"token": token, "id": "12345678"}).status == 403
    assert client.get("/").status == 200


def test_another_session_s_token_is_refused(site: Site) -> None:
    one, other = site.client(), site.client()
    one.get("/devices")
    assert other.ask("POST", "/logout", {"token": one.token()}).status == 403


@pytest.mark.parametrize("path", ["/undo", "/alarms/acknowledge", "/devices/link", "/logout", "/still-to-do/rehearsal"])
def test_a_get_writes_nothing(site: Site, path: str) -> None:
    assert site.client().get(path).status == 405


@pytest.mark.slow
@pytest.mark.parametrize(
    "path",
    [
        "/static/../access.py",
        "/static/%2e%2e/access.py",
        "/static/..%2faccess.py",
        "/static//etc/passwd",
        "/..%5c..%5cpage.json",
        "/page.json",
        "/tanks/%00",
        "/tanks/..%2f..",
        "/%ff",
        "/static/page.css/",
        "/tanks/nobody",
    ],
)
def test_path_tricks_lead_nowhere(site: Site, path: str) -> None:
    assert site.client().get(path).status in {400, 404}


def test_login_leads_on_to_this_server_only(site: Site) -> None:
    for onward in ("//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)"):
        client = site.client(logged_in=False)
        client.get("/login")
        got = client.post("/login", {"passphrase": "sedge and water mint", "next": onward})
        assert got.headers["Location"] == "/"


def test_other_methods_and_oversize_are_refused(site: Site) -> None:
    client = site.client()
    assert client.ask("PUT", "/").status == 405
    assert client.ask("POST", "/undo", b"x" * (64 * 1024 + 1)).status == 413
    assert raw(site, b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"y" * 70_000 + b"\r\n\r\n").split()[1] == b"431"


def test_headers_are_strict_on_every_answer(site: Site) -> None:
    for path in ("/", "/login", "/nothing", "/static/page.css"):
        headers = site.client(logged_in=False).get(path).headers
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert headers["X-Content-Type-Options"] == "nosniff" and "Server" not in headers


def test_brute_force_is_slowed_and_sessions_live_on(tmp_path: object, site: Site) -> None:
    inside, outside = site.client(), site.client(logged_in=False)
    outside.get("/login")
    got = [outside.post("/login", {"passphrase": f"guess number {n}"}) for n in range(12)]
    print("wrong tries:", [g.status for g in got])
    assert [g.status for g in got] == [403] * 6 + [429] * 6
    assert int(got[-1].headers["Retry-After"]) > 0
    assert outside.post("/login", {"passphrase": "sedge and water mint"}).status == 429
    assert inside.get("/").status == 200


@pytest.mark.slow
def test_idle_and_dripping_clients_stall_nothing(site: Site) -> None:
    """450 idle sockets and 20 that send a byte now and then: page and engine answer, and all are cut off."""
    head = b"POST /undo HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5000\r\n\r\n"
    there = ("127.0.0.1", site.port)
    idle = [socket.create_connection(there, timeout=20, source_address=("127.0.0.2", 0)) for _ in range(450)]
    drips = [socket.create_connection(there, timeout=20, source_address=("127.0.0.3", 0)) for _ in range(20)]
    client, begun, open_drips, page_s, engine_s = site.client(), time.monotonic(), set(drips), [], []
    for conn in drips:
        conn.sendall(head)
    while open_drips and time.monotonic() - begun < 40:
        for conn in list(open_drips):
            try:
                conn.sendall(b"x")
            except OSError:
                open_drips.discard(conn)
        for taken, call in ((page_s, lambda: client.get("/")), (engine_s, site.engine.view)):
            start = time.monotonic()
            call()
            taken.append(time.monotonic() - start)
        time.sleep(0.5)
    cut_s = time.monotonic() - begun
    print(
        f"idle 450, dripping 20 on {os.cpu_count()} cores: page {max(page_s):.3f} s, engine {max(engine_s):.3f} s, cut after {cut_s:.0f} s"
    )
    assert not open_drips and max(page_s) < 5 and max(engine_s) < 5
    assert all(conn.recv(1) == b"" for conn in idle)
    for conn in (*idle, *drips):
        conn.close()


def test_who_holds_a_link_or_a_session_pays_for_nobody_s_wrong_tries(site: Site) -> None:
    """61 wrong tries from many addresses: the log-in waits; a link lets in, and a device changes the passphrase."""
    inside = site.client()
    token = site.access.make_link()
    for n in range(61):
        site.access._patience.note_wrong(f"192.0.2.{n}")
    outside = site.client(logged_in=False)
    outside.get("/login")
    assert outside.post("/login", {"passphrase": "sedge and water mint"}).status == 429
    outside.get(f"/join/{token}")
    assert outside.post(f"/join/{token}", {"name": "guest"}).status == 303
    inside.get("/passphrase")
    new = {
        "old": "sedge and water mint",
        "passphrase": "umbrella sedge by the door",
        "again": "umbrella sedge by the door",
    }
    assert inside.post("/passphrase", new).status == 303


def test_a_body_of_unknown_length_is_refused_in_every_version(site: Site) -> None:
    """RFC 9112, 6.1: a server that gets Transfer-Encoding in HTTP/1.0 must treat the message as faulty."""
    asked = b"POST /login HTTP/1.0\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n5\r\nhello\r\n0\r\n\r\n"
    with socket.create_connection(("127.0.0.1", site.port), timeout=20) as conn:
        conn.sendall(asked)
        assert b" 400 " in conn.recv(200)
