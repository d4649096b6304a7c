"""The way out of the house on simulated time: a push server, a mail server and an outside watcher in arithmetic.

Stands where a connection would be opened; the product's own requests, answers and waits are real.
"""

from __future__ import annotations

import contextlib
import io
import json
import smtplib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import requests
from requests.structures import CaseInsensitiveDict

from rushlight.outlets import email as mail
from rushlight.outlets.net import http_request


@dataclass(frozen=True)
class Taken:
    """One message that a server took; `doubt`: the sender was never told so."""

    at_s: float
    channel: str
    key: str
    text: str
    doubt: bool


class Network:
    """`mood` holds what is wrong with `push`, `email` or `beat`: 429 500 hang reset 450 554; `down` is the whole line."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self.mood: dict[str, str] = {}
        self.down = False
        self.taken: list[Taken] = []
        self.pings: list[float] = []

    def send(self, request: requests.PreparedRequest) -> requests.Response:
        channel = "beat" if "/beat" in (request.url or "") else "push"
        mood = self.mood.get(channel, "")
        if self.down:
            raise requests.exceptions.ConnectionError("no route")
        if mood == "hang":
            raise requests.exceptions.ReadTimeout("no answer")
        if mood in ("429", "500"):
            return _response(request, int(mood))
        if channel == "beat":
            self.pings.append(self._now_s())
        else:
            said = json.loads(request.body or b"{}")
            key = json.loads(request.headers["Idempotency-Key"])
            text = f"{said['title']}\n{said['message']}"
            self.taken.append(Taken(self._now_s(), channel, key, text, mood == "reset"))
        if mood == "reset":
            raise requests.exceptions.ConnectionError("reset by peer")
        return _response(request, 200)

    @contextlib.contextmanager
    def joined(self) -> Iterator[None]:
        """All connections of the product go here."""
        net, real_send, real_mail = self, http_request._FusedAdapter.send, mail._Fused

        class Smtp:
            def __init__(self, *_: Any) -> None:
                if net.down or net.mood.get("email") == "hang":
                    raise TimeoutError("no answer")
                self.sock = None

            def send_message(self, letter: Any, *_: Any) -> dict[str, Any]:
                mood = net.mood.get("email", "")
                if mood in ("450", "554"):
                    raise smtplib.SMTPDataError(int(mood), b"not now")
                part = letter.get_body(("plain",))
                text = f"{letter['Subject']}\n{part.get_content() if part else ''}"
                net.taken.append(Taken(net._now_s(), "email", letter["Message-ID"], text, mood == "reset"))
                if mood == "reset":
                    raise smtplib.SMTPServerDisconnected("reset")
                return {}

            def quit(self) -> None: ...

            def close(self) -> None: ...

        http_request._FusedAdapter.send = lambda _self, request, **_more: net.send(request)  # type: ignore[method-assign,assignment]
        mail._Fused = Smtp  # type: ignore[misc,assignment]
        try:
            yield
        finally:
            http_request._FusedAdapter.send = real_send  # type: ignore[method-assign]
            mail._Fused = real_mail  # type: ignore[misc]


def _response(request: requests.PreparedRequest, status: int) -> requests.Response:
    answer = requests.Response()
    answer.status_code, answer.url, answer.request = status, request.url or "", request
    answer.headers, answer.raw = CaseInsensitiveDict(), io.BytesIO(b"")
    return answer
