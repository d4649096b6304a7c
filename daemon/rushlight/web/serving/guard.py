"""Who may ask at all: the Host allowlist, the same-site check, and the headers that every answer wears.

A name that is not ours is refused for every method, because a rebinding attack's page is 'same origin' to the
browser; an address is taken only when it is one of this machine's own.  Own choice of rules after the Fetch
Metadata and CSP level 3 specifications (W3C) and RFC 9110 (421 Misdirected Request).
"""

from __future__ import annotations

import base64
import functools
import hashlib
import ipaddress
import socket
import urllib.parse
from http import HTTPStatus

from rushlight.settings import Config
from rushlight.web.serving.templating import WAKING
from rushlight.web.serving.wsgi import HttpError, Request

_WAKING = base64.b64encode(hashlib.sha256(WAKING.encode()).digest()).decode()
_POLICY = (
    f"default-src 'none'; style-src 'self'; script-src 'self' 'sha256-{_WAKING}'; img-src 'self'; connect-src 'self';"
    " form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = (
    ("Content-Security-Policy", _POLICY),
    ("X-Content-Type-Options", "nosniff"),
    ("X-Frame-Options", "DENY"),
    ("Referrer-Policy", "same-origin"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Permissions-Policy", "camera=(), geolocation=(), microphone=()"),
)


CAMERA_HERE = ("Permissions-Policy", "camera=(self), geolocation=(), microphone=()")
"""Instead of the last of `HEADERS`, on the pages that can show the camera's own view."""


class Guard:
    """Settings of the gate."""

    def __init__(self, config: Config) -> None:
        own = socket.gethostname().lower()
        page_url = urllib.parse.urlsplit(config.contacts.page_url)
        names = {"localhost", own, f"{own.partition('.')[0]}.local", *(h.lower() for h in config.page.hosts)}
        self.names = {n for n in (*names, (page_url.hostname or "").lower()) if n}

    def admit(self, request: Request) -> None:
        """Raises HttpError for a foreign Host, and for a form that another site sent."""
        if not self.knows(request.host):
            raise HttpError(
                HTTPStatus.MISDIRECTED_REQUEST,
                "This name is not one of mine. If it should be, add it under [page] hosts.",
            )
        if request.method == "POST" and not _same_site(request):
            raise HttpError(HTTPStatus.FORBIDDEN, "This form came from another site.")

    def knows(self, host: str) -> bool:
        """Whether a Host header names this machine."""
        try:
            name = urllib.parse.urlsplit(f"//{host}").hostname or ""
            urllib.parse.urlsplit(f"//{host}").port  # noqa: B018 - raises on a port that is none
        except ValueError:
            return False
        if not host or any(c in host for c in "/@?#\\ ,"):
            return False
        return name.lower().removesuffix(".") in self.names or _own_address(name)


@functools.lru_cache(maxsize=64)
def _own_address(text: str) -> bool:
    """Whether this machine has that address: only then will the kernel bind to it."""
    try:
        # The zone of an IPv6 address may hold anything; those of this machine are plain.
        address = ipaddress.ip_address(text if text.isascii() else "")
    except ValueError:
        return False
    if address.is_unspecified or address.is_multicast:
        return False
    family = socket.AF_INET if address.version == 4 else socket.AF_INET6
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.bind((text, 0))
    except (OSError, ValueError):
        return False
    return True


def _same_site(request: Request) -> bool:
    site = request.headers.get("sec-fetch-site")
    if site is not None and site not in {"same-origin", "none"}:
        return False
    origin = request.headers.get("origin")
    if origin is None:
        return True  # a client that is no browser; the token still has to be right
    try:
        return urllib.parse.urlsplit(origin).netloc.lower() == request.host.lower()
    except ValueError:
        return False  # no browser sends an origin that is no address
