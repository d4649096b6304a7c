"""Push over plain HTTP: a JSON message posted to a server with a topic that phones subscribe to.

Owns the form of the message and the meaning of our priorities there.  Never retries: the outbox does.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

from rushlight.outlets.net import http_request
from rushlight.outlets.result import Never, Parcel, Result, Secret
from rushlight.settings import Priority, Push

PRIORITIES: Mapping[Priority, int] = MappingProxyType({"high": 5, "medium": 3, "low": 2})
"""On the servers' scale of 1 (silent) to 5 (through every silence)."""
MOST_BYTES = 3800
"""Servers commonly cut or turn a text above 4096 bytes into an attachment."""


class PushOutlet:
    """`topic` and `token` are the secrets themselves, already read from their files."""

    def __init__(self, settings: Push, topic: str, token: str, wall_s: Callable[[], float]) -> None:
        self._settings, self._topic, self._wall_s = settings, topic, wall_s
        self._headers = authorization(token)
        self.certificate_until_s: float | None = None

    def send(self, parcel: Parcel) -> Result:
        """Post one message."""
        topic = parcel.to or self._topic
        if not topic:
            return Never("no push topic is set")
        answer = http_request.post_json(
            self._settings.server.rstrip("/") + "/",
            json.dumps(message(parcel, topic), ensure_ascii=False),
            parcel.key,
            headers=self._headers,
            settings=self._settings,
            wall_s=self._wall_s,
        )
        self.certificate_until_s = answer.certificate_until_s or self.certificate_until_s
        return answer.result

    def check(self) -> Result | None:
        """There is no way to prove a topic without posting to it."""
        return None


def build(settings: Push, secret: Secret, wall_s: Callable[[], float]) -> PushOutlet:
    """The outlet of a `[push]`.  Raises OSError when a secret's file can't be read."""
    topic, token = secret(settings.topic, settings.topic_file), secret(settings.token, settings.token_file)
    return PushOutlet(settings, topic, token, wall_s)


def message(parcel: Parcel, topic: str) -> dict[str, Any]:
    """The message as the server takes it."""
    quiet = parcel.purpose == "check" and parcel.priority == "low"  # a rehearsal has to be as loud as what it rehearses
    out: dict[str, Any] = {
        "topic": topic,
        "title": parcel.title,
        "message": cut(parcel.body, MOST_BYTES),
        "priority": 1 if quiet else PRIORITIES[parcel.priority],
    }
    if parcel.link:
        out["click"] = parcel.link
    if parcel.acknowledge_url:
        button = {
            "action": "http",
            "label": "Acknowledge",
            "method": "POST",
            "url": parcel.acknowledge_url,
            "clear": True,
        }
        out["actions"] = [button]
    return out


def cut(text: str, most_bytes: int) -> str:
    """The text, cut between characters so that it fits."""
    raw = text.encode()
    if len(raw) <= most_bytes:
        return text
    return raw[: most_bytes - 3].decode(errors="ignore") + "…"


def authorization(token: str) -> dict[str, str]:
    """The header for a token, or for user and password joined by a colon (RFC 6750, RFC 7617)."""
    if not token:
        return {}
    if ":" in token:
        return {"Authorization": "Basic " + base64.b64encode(token.encode()).decode()}
    return {"Authorization": f"Bearer {token}"}
