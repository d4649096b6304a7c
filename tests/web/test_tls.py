"""The page by its own certificate: a real TLS client, new certificates, and handshakes that stall or are none.

The client is the standard library's over OpenSSL, which checks the chain and the name by RFC 5280 and RFC 9525.
"""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import time
import urllib.parse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from helpers.page import PASSPHRASE, Site, page_site
from helpers.receivers import Authority
from helpers.waiting import until
from rushlight.web.serving import server


@dataclass
class Secured:
    site: Site
    authority: Authority
    file: Path

    def connect(self) -> ssl.SSLSocket:
        context = ssl.create_default_context(cafile=str(self.authority.file))
        plain = socket.create_connection(("127.0.0.1", self.site.port), timeout=15)
        return context.wrap_socket(plain, server_hostname="localhost")

    def ask(self, data: bytes) -> bytes:
        with self.connect() as conn:
            conn.sendall(data)
            return b"".join(iter(lambda: conn.recv(65536), b""))


def made(authority: Authority, days: float) -> Path:
    authority.context(days=days)
    return next(authority.folder.glob(f"localhost-{days}-*.pem"))


@pytest.fixture(scope="module")
def secured(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Secured]:
    folder = tmp_path_factory.mktemp("tls")
    authority, file = Authority(folder), folder / "page.pem"
    shutil.copy(made(authority, 90.0), file)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(server, "REQUEST_S", 4)  # the same deadline as for plain connections, only sooner
        with page_site(folder, certificate=(str(file), "")) as site:
            yield Secured(site, authority, file)


GET = b"GET %s HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"


def test_a_checking_client_logs_in_and_its_cookie_is_for_tls_alone(secured: Secured) -> None:
    head, _, page = secured.ask(GET % b"/login").partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200") and b"Strict-Transport-Security" not in head
    form_cookie = next(line for line in head.decode().splitlines() if line.startswith("Set-Cookie"))
    assert "; Secure" in form_cookie
    token = page.decode().partition('name="form-token" content="')[2].partition('"')[0]
    body = urllib.parse.urlencode({"token": token, "passphrase": PASSPHRASE}).encode()
    headers = (
        b"POST /login HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nOrigin: https://localhost\r\n"
        b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: %d\r\nCookie: %s\r\n\r\n"
    )
    cookie = form_cookie.removeprefix("Set-Cookie: ").partition(";")[0].encode()
    got = secured.ask(headers % (len(body), cookie) + body).decode()
    session = next(line for line in got.splitlines() if line.startswith("Set-Cookie: rushlight="))
    assert got.startswith("HTTP/1.1 303") and "; Secure" in session and "HttpOnly" in session


def test_tls_1_2_is_spoken_too_and_bodies_larger_than_a_record_come_through(secured: Secured) -> None:
    older = ssl.create_default_context(cafile=str(secured.authority.file))
    older.maximum_version = ssl.TLSVersion.TLSv1_2
    plain = socket.create_connection(("127.0.0.1", secured.site.port), timeout=15)
    with older.wrap_socket(plain, server_hostname="localhost") as conn:
        assert conn.version() == "TLSv1.2"
    # A record of TLS holds 16 kB (RFC 8446, 5.1); a form of 60 kB is four of them, written at once.
    body = b"token=x&text=" + b"y" * 60_000
    head = b"POST /undo HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Length: %d\r\n" % len(body)
    assert secured.ask(head + b"Content-Type: application/x-www-form-urlencoded\r\n\r\n" + body).split()[1] == b"401"


def test_a_new_certificate_is_taken_up_and_a_broken_one_is_not(secured: Secured) -> None:
    def expires() -> float:
        with secured.connect() as conn:
            return ssl.cert_time_to_seconds(str(conn.getpeercert()["notAfter"]))

    first, renewed = expires(), made(secured.authority, 200.0)
    shutil.copy(renewed, secured.file)
    until(lambda: expires() > first, 10, "the new certificate")
    second = expires()
    secured.file.write_text("half written")
    time.sleep(1.5)
    assert expires() == second


@pytest.mark.slow
def test_stalled_dripping_and_garbage_handshakes_stall_nothing(secured: Secured) -> None:
    port, site = secured.site.port, secured.site
    garbage = (
        b"GET / HTTP/1.1\r\n\r\n",
        os.urandom(600),
        b"\x16\x03\x01\xff\xff" + os.urandom(64),
        b"\x80" * 2000,
        b"",
    )
    for data in garbage * 10:
        with socket.create_connection(("127.0.0.1", port), timeout=15) as conn:
            conn.sendall(data)
    idle = [socket.create_connection(("127.0.0.1", port), timeout=30) for _ in range(25)]
    drips = [socket.create_connection(("127.0.0.1", port), timeout=30) for _ in range(10)]
    hello = ssl.MemoryBIO()
    half = ssl.create_default_context().wrap_bio(ssl.MemoryBIO(), hello, server_hostname="localhost")
    with pytest.raises(ssl.SSLWantReadError):
        half.do_handshake()
    bytes_left, begun, page_s, engine_s = hello.read(), time.monotonic(), [], []
    left = set(drips)
    while left and time.monotonic() - begun < 40:
        byte, bytes_left = bytes_left[:1] or b"\x00", bytes_left[1:]
        for conn in list(left):
            try:
                conn.sendall(byte)
            except OSError:
                left.discard(conn)
        for taken, call in ((page_s, lambda: secured.ask(GET % b"/login")), (engine_s, site.engine.view)):
            start = time.monotonic()
            call()
            taken.append(time.monotonic() - start)
        time.sleep(0.5)
    print(
        f"TLS, 200 idle and 20 dripping handshakes: page {max(page_s):.3f} s, engine {max(engine_s):.3f} s,"
        f" cut after {time.monotonic() - begun:.0f} s"
    )
    assert not left and max(page_s) < 5 and max(engine_s) < 5
    for conn in (*idle, *drips):
        conn.close()


@pytest.mark.slow
def test_only_the_named_proxy_is_believed_about_tls_and_addresses(tmp_path: Path) -> None:
    forwarded = {"X_Forwarded_Proto": "https", "X_Forwarded_For": "192.0.2.7"}
    for proxy, secure in (("127.0.0.1", True), ("192.0.2.1", False), ("", False)):
        with page_site(tmp_path / (proxy or "none"), proxy=proxy) as site:
            answer = site.client(logged_in=False).get("/login", **forwarded)
            assert ["Secure" in c for c in answer.cookies] == [secure]
            outside = site.client(logged_in=False)
            outside.get("/login")
            for _ in range(6):
                outside.post("/login", {"passphrase": "a wrong guess"}, **forwarded)
            # Six wrong tries shut out the address that made them: the one behind the proxy, if the proxy is believed.
            other = {**forwarded, "X_Forwarded_For": "192.0.2.8"}
            tried = outside.post("/login", {"passphrase": "a wrong guess"}, **other).status
            assert tried == (403 if secure else 429)
