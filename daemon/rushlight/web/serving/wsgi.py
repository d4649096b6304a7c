"""Requests and responses: the little of HTTP that the page needs, on top of WSGI.

Owns parsing and limits.  Knows no screen and no tank.
"""

from __future__ import annotations

import functools
import urllib.parse
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any

BODY_BYTES = 64 * 1024
FIELDS = 100
"""More fields than any form of ours has."""

StartResponse = Callable[..., Any]
Environ = dict[str, Any]


class HttpError(Exception):
    """A request that is refused: the status and a sentence for the person."""

    def __init__(self, status: HTTPStatus, words: str, retry_after_s: int | None = None) -> None:
        super().__init__(words)
        self.status, self.words, self.retry_after_s = status, words, retry_after_s


@dataclass(slots=True)
class Response:
    """What goes back."""

    body: bytes = b""
    status: HTTPStatus = HTTPStatus.OK
    kind: str = "text/html; charset=utf-8"
    headers: list[tuple[str, str]] = field(default_factory=list)


def redirect(to: str) -> Response:
    """Look there instead, with GET.  `to` may hold any characters; a header may not (RFC 9110, 5.5)."""
    where = urllib.parse.quote(to, safe="/:?#[]@!$&'()*+,;=%~")
    return Response(b"", HTTPStatus.SEE_OTHER, headers=[("Location", where)])


@dataclass(slots=True)
class Request:
    """One request.  `form` and `query` hold the first value of each field."""

    method: str
    path: str
    host: str
    address: str
    query: Mapping[str, str]
    form: Mapping[str, str]
    cookies: Mapping[str, str]
    headers: Mapping[str, str]
    secure: bool

    def field(self, name: str) -> str:
        """A form's field without blanks around it; empty when it is not there."""
        return self.form.get(name, "").strip()


def parse(environ: Environ) -> Request:
    """The request of a WSGI environment, its form not read yet.  Raises HttpError: malformed."""
    method = str(environ.get("REQUEST_METHOD", ""))
    if method not in {"GET", "HEAD", "POST"}:
        raise HttpError(HTTPStatus.METHOD_NOT_ALLOWED, "Only reading and forms are served here.")
    headers = {k[5:].replace("_", "-").lower(): str(v) for k, v in environ.items() if k.startswith("HTTP_")}
    if "transfer-encoding" in headers:  # HTTP/1.1's is taken off before us: what is left belongs to no version's rules
        raise HttpError(HTTPStatus.BAD_REQUEST, "A body of unknown length is not taken.")
    return Request(
        method=method,
        path=_path(environ),
        host=headers.get("host", ""),
        address=str(environ.get("REMOTE_ADDR", "")),
        query=_fields(str(environ.get("QUERY_STRING", ""))),
        form={},
        cookies=_cookies(headers.get("cookie", "")),
        headers=headers,
        secure=environ.get("wsgi.url_scheme") == "https",
    )


def _path(environ: Environ) -> str:
    try:
        path = str(environ.get("PATH_INFO", "")).encode("latin-1").decode("utf-8")
    except UnicodeError:
        raise HttpError(HTTPStatus.BAD_REQUEST, "The address is not UTF-8.") from None
    if any(ord(c) < 32 or c == "\\" for c in path) or ".." in path.split("/"):
        raise HttpError(HTTPStatus.BAD_REQUEST, "There is no such address.")
    return path or "/"


def read_form(environ: Environ, most_bytes: int = BODY_BYTES) -> dict[str, str]:
    """The fields of a posted form; none where nothing was posted, as a notification's button does.

    Raises HttpError: not a form, too large, or unreadable.
    """
    if str(environ.get("CONTENT_LENGTH") or "0") == "0":
        return {}
    kind = str(environ.get("CONTENT_TYPE", "")).partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise HttpError(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, "Only forms are taken here.")
    try:
        length = int(environ["CONTENT_LENGTH"])
    except ValueError:
        raise HttpError(HTTPStatus.BAD_REQUEST, "The length is not a number.") from None
    if not 0 <= length <= most_bytes:
        raise HttpError(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "The form is too large.")
    body = environ["wsgi.input"].read(length)
    try:
        return _fields(body.decode("utf-8"))
    except UnicodeError:
        raise HttpError(HTTPStatus.BAD_REQUEST, "The form is not UTF-8.") from None


def _fields(text: str) -> dict[str, str]:
    try:
        pairs = urllib.parse.parse_qsl(text, keep_blank_values=True, max_num_fields=FIELDS, errors="strict")
    except ValueError:
        raise HttpError(HTTPStatus.BAD_REQUEST, "The form can't be read.") from None
    return dict(reversed(pairs))


def _cookies(text: str) -> dict[str, str]:
    pairs = (part.partition("=") for part in text.split(";"))
    return {name.strip(): value.strip() for name, _, value in pairs if name.strip()}


def cookie(name: str, value: str, *, secure: bool, keep_s: int | None = None) -> tuple[str, str]:
    """A cookie that no script reads and no other site sends; `keep_s` None lasts until the browser is closed."""
    parts = [f"{name}={value}", "Path=/", "HttpOnly", "SameSite=Strict"]
    if keep_s is not None:
        parts.append(f"Max-Age={keep_s}")
    if secure:
        parts.append("Secure")
    return "Set-Cookie", "; ".join(parts)


SMALL_BYTES = 800
"""What is smaller is sent as it is."""
_PACKED = ("text/", "application/json", "image/svg+xml")


@functools.lru_cache(maxsize=24)
def packed(body: bytes) -> bytes:
    """A body as gzip (RFC 1952), the same bytes each time."""
    packer = zlib.compressobj(6, zlib.DEFLATED, 31)
    return packer.compress(body) + packer.flush()


def pack(response: Response, request_headers: str) -> None:
    """Compress an answer for those who take it so.

    What is secret in a page can't be guessed from its length: no other site can have it sent (SameSite=Strict).
    """
    if len(response.body) < SMALL_BYTES or not response.kind.startswith(_PACKED):
        return
    response.headers.append(("Vary", "Accept-Encoding"))
    offers = (part.strip().lower().partition(";") for part in request_headers.split(","))
    if any(name == "gzip" and "".join(q.split()) not in {"q=0", "q=0.0", "q=0.00", "q=0.000"} for name, _, q in offers):
        response.body = packed(response.body)
        response.headers.append(("Content-Encoding", "gzip"))


def send(response: Response, start: StartResponse, *, with_body: bool) -> Iterable[bytes]:
    """Hand a response to the server."""
    headers = [("Content-Type", response.kind), ("Content-Length", str(len(response.body))), *response.headers]
    start(f"{response.status.value} {response.status.phrase}", headers)
    return [response.body] if with_body else []
