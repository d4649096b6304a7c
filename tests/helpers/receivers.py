"""Real receivers on loopback for the outlets: an HTTP server that follows a script, a mail server, a small CA."""

from __future__ import annotations

import contextlib
import datetime as dt
import ipaddress
import json
import os
import socket
import ssl
import struct
import subprocess
import threading
import time
import urllib.error
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from helpers import debian


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


# -- a certificate authority of our own ---------------------------------------------------------------------


class Authority:
    """Makes server certificates, good ones and ones with a stated fault."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "test authority")])
        now = dt.datetime.now(dt.UTC)
        self._cert = (
            x509.CertificateBuilder()
            .subject_name(self._name)
            .issuer_name(self._name)
            .public_key(self._key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - dt.timedelta(days=400))
            .not_valid_after(now + dt.timedelta(days=400))
            .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
            .sign(self._key, hashes.SHA256())
        )
        self.file = folder / "authority.pem"
        self.file.write_bytes(self._cert.public_bytes(serialization.Encoding.PEM))

    def context(self, *, name: str = "localhost", days: float = 90.0, start_days: float = -300.0) -> ssl.SSLContext:
        key = ec.generate_private_key(ec.SECP256R1())
        now = dt.datetime.now(dt.UTC)
        alt: list[x509.GeneralName] = [x509.DNSName(name)]
        if name == "localhost":
            alt.append(x509.IPAddress(ipaddress.ip_address("127.0.0.1")))
        cert = (
            x509.CertificateBuilder()
            .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]))
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now + dt.timedelta(days=start_days))
            .not_valid_after(now + dt.timedelta(days=days))
            .add_extension(x509.SubjectAlternativeName(alt), critical=False)
            .sign(self._key, hashes.SHA256())
        )
        both = self.folder / f"{name}-{days}-{start_days}.pem"
        both.write_bytes(
            cert.public_bytes(serialization.Encoding.PEM)
            + key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(both)
        return context


# -- an HTTP receiver that follows a script ------------------------------------------------------------------


@dataclass
class Request:
    method: str
    path: str
    headers: dict[str, str]
    body: bytes
    answered: int
    """The status that it got; 0 for none."""

    def json(self):
        return json.loads(self.body)


@dataclass
class Receiver:
    """`script` is words by spaces, one a request, the last one for all further ones.

    200 429 429:7 (Retry-After: 7) 500 403 … answer so; `hang` says nothing; `drip` sends a status line a byte at
    a time; `dripbody` answers 200 and then drips its body; `reset` breaks off before answering, after the
    request is in; `refuse` before reading it; `redirect` sends elsewhere.
    """

    script: str = "200"
    tls: ssl.SSLContext | None = None
    requests: list[Request] = field(default_factory=list)
    n: int = 0

    def __post_init__(self) -> None:
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._threads: list[threading.Thread] = []
        self._loop = threading.Thread(target=self._accept, daemon=True)
        self._loop.start()

    @property
    def url(self) -> str:
        return f"{'https' if self.tls else 'http'}://127.0.0.1:{self.port}"

    def close(self) -> None:
        self._stop.set()
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._loop.join(5)
        for t in self._threads:
            t.join(5)

    @property
    def accepted(self) -> list[Request]:
        return [r for r in self.requests if 200 <= r.answered < 300]

    def _accept(self) -> None:
        while not self._stop.is_set():
            try:
                conn, _ = self._server.accept()
            except OSError:
                return
            thread = threading.Thread(target=self._serve, args=(conn,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _word(self) -> str:
        with self._lock:
            words = self.script.split()
            word = words[min(self.n, len(words) - 1)]
            self.n += 1
            return word

    def _serve(self, conn: socket.socket) -> None:
        word = self._word()
        with contextlib.suppress(OSError, ssl.SSLError), conn:
            if word == "refuse":
                _reset(conn)
            elif self.tls:
                conn.getpeername()  # fails for who is gone already, of whom `wrap_socket` would leave a socket open
                with self.tls.wrap_socket(conn, server_side=True) as secure:
                    self._talk(secure, word)
            else:
                self._talk(conn, word)

    def _talk(self, conn: socket.socket, word: str) -> None:
        request = _read(conn)
        if request is not None:
            self._answer(conn, word, request)

    def _answer(self, conn: socket.socket, word: str, request: Request) -> None:
        status, _, wait = word.partition(":")
        if status.isdigit():
            request.answered = int(status)
        elif word == "dripbody":
            request.answered = 200
        with self._lock:
            self.requests.append(request)
        match status:
            case "hang":
                self._stop.wait(60)
            case "reset":
                _reset(conn)
            case "drip":
                self._drip(conn, b"HTTP/1.1 200 OK\r\n" + b"X: y\r\n" * 1000)
            case "dripbody":
                conn.sendall(b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: 4000\r\n\r\n")
                self._drip(conn, b" " * 4000)
            case "redirect":
                conn.sendall(b"HTTP/1.1 302 Found\r\nLocation: http://127.0.0.1:1/\r\nContent-Length: 0\r\n\r\n")
            case _:
                body = b'{"id": "r%d"}' % len(self.requests)
                after = f"Retry-After: {wait.replace('_', ' ')}\r\n" if wait else ""
                head = f"HTTP/1.1 {status} X\r\n{after}Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
                conn.sendall(head.encode() + body)

    def _drip(self, conn: socket.socket, text: bytes) -> None:
        for byte in text:
            conn.sendall(bytes([byte]))
            if self._stop.wait(0.05):
                return


def _reset(conn: socket.socket) -> None:
    conn.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    conn.close()


def _read(conn: socket.socket) -> Request | None:
    conn.settimeout(10)
    raw = b""
    while b"\r\n\r\n" not in raw:
        part = conn.recv(65536)
        if not part:
            return None
        raw += part
    head, _, body = raw.partition(b"\r\n\r\n")
    first, *lines = head.decode("latin-1").split("\r\n")
    headers = {k.strip().lower(): v.strip() for k, _, v in (line.partition(":") for line in lines)}
    while len(body) < int(headers.get("content-length", 0)):
        body += conn.recv(65536)
    method, path, _ = first.split(" ", 2)
    return Request(method, path, headers, body, 0)


# -- a mail server ------------------------------------------------------------------------------------------


class Postbox:
    """aiosmtpd with TLS and AUTH; `refuse` maps a moment (RCPT, DATA) to the reply it gets there."""

    def __init__(self, tls: ssl.SSLContext | None, security: str, user: str = "", password: str = "") -> None:
        self.mails: list[bytes] = []
        self.envelopes: list[tuple[str, list[str]]] = []
        self.logins = 0
        self.refuse: dict[str, str] = {}
        self._user, self._password = user.encode(), password.encode()
        options: dict[str, object] = {}
        if user:
            options |= {"authenticator": self._authenticate, "auth_required": True}
            options |= {"auth_require_tls": security == "starttls"}
        if security == "starttls":
            options |= {"tls_context": tls, "require_starttls": True}
        elif security == "tls":
            options |= {"ssl_context": tls}
        self.port = free_port()
        self._controller = Controller(self, hostname="127.0.0.1", port=self.port, **options)
        self._controller.start()

    def _authenticate(self, server, session, envelope, mechanism, data):
        good = (data.login, data.password) == (self._user, self._password)
        self.logins += good
        return AuthResult(success=good, handled=False)

    async def handle_RCPT(self, server, session, envelope, address, options):  # noqa: N802  the library's name
        if "RCPT" in self.refuse:
            return self.refuse["RCPT"]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):  # noqa: N802  the library's name
        if "DATA" in self.refuse:
            return self.refuse["DATA"]
        self.mails.append(envelope.content)
        self.envelopes.append((envelope.mail_from, list(envelope.rcpt_tos)))
        return "250 OK"

    def close(self) -> None:
        self._controller.stop()


class Silent:
    """A server that accepts and says nothing, or sends `drip` a byte at a time."""

    def __init__(self, drip: bytes = b"") -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._drip, self._stop = drip, threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        held = []
        with contextlib.suppress(OSError):
            while True:
                conn, _ = self._server.accept()
                held.append(conn)
                if self._drip:
                    threading.Thread(target=self._feed, args=(conn,), daemon=True).start()
        for conn in held:
            conn.close()

    def _feed(self, conn: socket.socket) -> None:
        with contextlib.suppress(OSError):
            for byte in self._drip * 10000:
                conn.sendall(bytes([byte]))
                if self._stop.wait(0.05):
                    return

    def close(self) -> None:
        self._stop.set()
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join(5)


# -- the real topic push server -----------------------------------------------------------------------------


class PushServer:
    """An `ntfy` server (Debian's package of that name) with one user, one topic and one token."""

    def __init__(self, folder: Path) -> None:
        try:
            self._binary = debian.topic_push_server()
        except debian.UnobtainableError as e:
            pytest.skip(f"no topic push server: {e}")
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._config = folder / "server.yml"
        self._config.write_text(
            f'base-url: "{self.url}"\nlisten-http: "127.0.0.1:{self.port}"\ncache-file: "{folder}/cache.db"\n'
            f'auth-file: "{folder}/auth.db"\nauth-default-access: "deny-all"\nlog-level: warn\n'
        )
        self._log = (folder / "log").open("wb")
        self._run()
        self._tool("user", "add", "--role=user", "keeper", NTFY_PASSWORD="a passing phrase")
        self._tool("access", "keeper", "alarms", "rw")
        self.token = next(w for w in self._tool("token", "add", "keeper").split() if w.startswith("tk_"))

    def _tool(self, command: str, *args: str, **env: str) -> str:
        line = [self._binary, command, "--config", str(self._config), *args]
        done = subprocess.run(line, env={**os.environ, **env}, capture_output=True, text=True, check=True, timeout=20)
        return done.stdout + done.stderr

    def _run(self) -> None:
        line = [self._binary, "serve", "--config", str(self._config)]
        self._process = subprocess.Popen(line, stdout=self._log, stderr=self._log)
        end = time.monotonic() + 10
        while True:
            try:
                with socket.create_connection(("127.0.0.1", self.port), 0.2):
                    return
            except OSError:
                if time.monotonic() > end or self._process.poll() is not None:
                    raise
                time.sleep(0.01)

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()

    def restart(self) -> None:
        self._run()

    def messages(self) -> list[dict[str, object]]:
        """What a subscriber gets, oldest first; waits while the server limits reading too."""
        request = urllib.request.Request(
            f"{self.url}/alarms/json?poll=1", headers={"Authorization": f"Bearer {self.token}"}
        )
        for _ in range(20):
            try:
                with urllib.request.urlopen(request, timeout=10) as response:
                    return [json.loads(line) for line in response.read().splitlines()]
            except urllib.error.HTTPError as e:
                with e:
                    assert e.code == 429
            time.sleep(1)
        raise AssertionError("the server lets nobody read")

    def close(self) -> None:
        self.kill()
        self._log.close()
