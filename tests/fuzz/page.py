"""The fuzz target for the phone page: raw bytes of a connection, through the server's own parser, to the application.

References: `wsgiref.validate` (PEP 3333) judges what the application does, h11 reads the same bytes a second time.
"""

from __future__ import annotations

import atexit
import contextlib
import functools
import itertools
import tempfile
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from wsgiref.validate import validator

import h11
from waitress.adjustments import Adjustments
from waitress.parser import HTTPRequestParser
from waitress.task import WSGITask

from helpers.page import Site, page_site, with_pictures
from rushlight.service.page_wiring import EnginePage
from rushlight.web.app import App
from rushlight.web.serving.server import HEADER_BYTES
from rushlight.web.serving.wsgi import BODY_BYTES

_LIMITS = Adjustments(
    max_request_body_size=BODY_BYTES, max_request_header_size=HEADER_BYTES, clear_untrusted_proxy_headers=True
)


_RENEW_EVERY = 25_000
"""Inputs to one installation: among them are valid entries, and thousands of those make every later screen slower."""
_inputs = itertools.count()
_closing = contextlib.ExitStack()


@functools.lru_cache(maxsize=1)
def _installation(_number: int) -> tuple[Site, App, dict[bytes, bytes]]:
    """An installation with a real engine and journal, in the place of the one before; the words that let a phone in."""
    _closing.close()
    stack = _closing.enter_context(contextlib.ExitStack())
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
    site = stack.enter_context(page_site(folder, with_pictures()))
    client = site.client()
    session = client.cookies["rushlight"]
    atexit.register(_closing.close)  # after the folder has registered its own end, so before it is gone
    words = {b"@session@": session.encode(), b"@token@": site.access.token(session).encode()}
    return site, App(EnginePage(site.engine), site.access), words


def page_target(data: bytes) -> None:
    """One connection's bytes; `@session@`, `@token@` and `@len@` stand for a logged-in phone's, and the body's length."""
    _, app, words = _installation(next(_inputs) // _RENEW_EVERY)
    for placeholder, said in words.items():
        data = data.replace(placeholder, said)
    # A mutation that changes the body would otherwise nearly always end at the length.
    data = data.replace(b"@len@", str(len(data.partition(b"\r\n\r\n")[2])).encode())
    parser = HTTPRequestParser(_LIMITS)
    rest = data
    while rest and not parser.completed:
        rest = rest[parser.received(rest) :]
    if not parser.completed or parser.error or parser.empty:
        return  # the server answers these by itself
    channel = SimpleNamespace(
        server=SimpleNamespace(adj=_LIMITS, effective_port=80, server_name="localhost"),
        addr=("127.0.0.1", 50000),
        creation_time=0,
        check_client_disconnected=lambda: False,
    )
    environ = WSGITask(channel, parser).get_environment()
    _same_as_h11(data, environ)
    status, headers, body = _ask(app, environ)
    assert status < 500 or status == 503, f"status {status}"
    for name, value in headers:
        value.encode("latin-1")
        assert not set(name + value) & {"\r", "\n", "\0"}
    assert environ["REQUEST_METHOD"] != "HEAD" or body == b""


def _ask(app: App, environ: dict[str, Any]) -> tuple[int, list[tuple[str, str]], bytes]:
    """The answer to a request; what the application does wrong as a WSGI application is an AssertionError."""
    got: list[Any] = []

    def start(status: str, headers: list[tuple[str, str]], _exc: Any = None) -> Any:
        got[:] = [int(status[:3]), headers]
        return lambda _: None

    standard = environ["REQUEST_METHOD"] in {"GET", "HEAD", "POST"} and environ["PATH_INFO"].startswith("/")
    # The validator also judges the environment, which is the server's affair.
    answer = validator(app)(environ, start) if standard else app(environ, start)
    try:
        body = b"".join(answer)
    finally:
        if hasattr(answer, "close"):
            answer.close()
    return got[0], got[1], body


def _same_as_h11(data: bytes, environ: dict[str, Any]) -> None:
    """Where h11 takes the request too, method, target and body are the same: two servers see one request."""
    connection = h11.Connection(h11.SERVER, max_incomplete_event_size=HEADER_BYTES)
    connection.receive_data(data)
    body = b""
    try:
        request = connection.next_event()
        if not isinstance(request, h11.Request) or request.http_version not in {b"1.0", b"1.1"}:
            return  # of other versions the server reads what it reads of 1.0
        while isinstance(part := connection.next_event(), h11.Data):
            body += bytes(part.data)
        if not isinstance(part, h11.EndOfMessage):
            return
    except h11.RemoteProtocolError:
        return
    assert request.method.decode().upper() == environ["REQUEST_METHOD"]
    said = environ["wsgi.input"].read()
    environ["wsgi.input"].seek(0)
    assert bytes(body) == said, "two servers would see different forms"
